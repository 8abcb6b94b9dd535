"""Every error a user can meet, each with what is wrong, where, and how to mend it."""

from __future__ import annotations


class LoopwrightError(Exception):
    """Base of all expected errors; the command line prints it as one message and never a traceback.

    Attributes:
        what: What is wrong, one sentence without a full stop.
        where: Place of the fault (file and key or line, signal name, ...); may be empty.
        remedy: How to mend it, one sentence; may be empty.
    """

    exit_status = 2

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(self.message())

    def message(self) -> str:
        """The whole error as one text: place, what is wrong, and on a second line how to mend it."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}\n  to mend it: {self.remedy}" if self.remedy else text


class BuildError(LoopwrightError):
    """The build file cannot be read, is not what the schema asks, or makes no physical sense."""


class BenchError(LoopwrightError):
    """A bench log cannot be read, is not what its kind of experiment asks, or contradicts itself."""


class TargetError(LoopwrightError):
    """A target description is missing, malformed or unknown."""


class DesignError(LoopwrightError):
    """No controller with the stated structure exists for this machine."""


class GraphError(LoopwrightError):
    """A signal graph is malformed (unknown name, cycle without a delay, wrong kind of operand, ...)."""


class RangeError(LoopwrightError):
    """A signal has no proven finite range."""


class FormatError(LoopwrightError):
    """A signal or gain cannot be represented within its word and the error budget."""


class CompileError(LoopwrightError):
    """No C compiler could be had, or it refused the text."""


class CheckFailed(LoopwrightError):
    """A check of the product itself did not hold (mismatch, beaten bound, sanitizer report)."""

    exit_status = 1


class BoundError(LoopwrightError):
    """No bound can be proved: a loop without a provable count, an indirect jump, an unknown instruction, recursion, ..."""
