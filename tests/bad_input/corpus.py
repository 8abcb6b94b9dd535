"""The corpus of broken build files: what each holds, and what the error about it must say.

Other tests may run the same corpus through other doors (the command line, for example).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).resolve().parent


@dataclass(frozen=True)
class Case:
    """One broken build file.

    Attributes:
        name: What is broken, for people.
        content: The bytes of the file.
        line: The line that the message must name.
        says: Pieces that the message must hold.
    """

    name: str
    content: bytes
    line: int
    says: tuple[str, ...]


def base_text() -> str:
    """The sound build file that the cases change."""
    return (FOLDER / "base.toml").read_text(encoding="utf-8")


def cases() -> list[Case]:
    """All cases, in the order of ``cases.toml``."""
    table = tomllib.loads((FOLDER / "cases.toml").read_text(encoding="utf-8"))
    return [_case(entry) for entry in table["case"]]


def _case(entry: dict[str, object]) -> Case:
    text = str(entry.get("text", base_text()))
    changes = entry.get("change", [])
    assert isinstance(changes, list)
    for old, new in changes:
        assert text.count(old) == 1, f"{entry['name']}: {old!r} occurs {text.count(old)} times"
        text = text.replace(old, new)
    line, says = entry["line"], entry["says"]
    assert isinstance(line, int)
    assert isinstance(says, list)
    content = text.encode(str(entry.get("encoding", "utf-8")))
    return Case(str(entry["name"]), content, line, tuple(says))
