"""The one exception of the proof room: a text, or a contract, that it will not judge."""

from __future__ import annotations

from codegen.errors import LoopwrightError


class Refusal(LoopwrightError):
    """The text lies outside the subset of C that can be proved, or the contract is not what it must be.

    Attributes:
        place: File and line, or key of the contract.
        reason: Why it is refused.
    """

    exit_status = 1

    def __init__(self, place: str, reason: str) -> None:
        self.place = place
        self.reason = reason
        super().__init__(reason, place, "write this in the stated subset of C, or have the change judged by tests alone")
