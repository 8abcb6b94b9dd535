"""A TOML file as values with places.

Takes a path or a text, gives a `Document`. Refuses what is no ordinary, small UTF-8 TOML file. Does not
judge what the keys mean.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from codegen.errors import LoopwrightError
from codegen.tomlfile.locate import KeyPath, locate_keys

# A description of one small machine has about a hundred short lines. The limits keep a wrong file (a log,
# a picture) from being read at length: the parser's time grows with the square of a dotted key's length.
LARGEST_FILE_BYTES = 65_536
LONGEST_LINE = 1_000

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_GIVEN_TWICE = ("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate", "Cannot redefine")
_PLACE_IN_PARSER_MESSAGE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a document.

    Attributes:
        path: Key names from the top of the document; empty for the document as a whole.
        what: What is wrong, one sentence without a full stop.
        remedy: How to mend it, one sentence.
        is_absence: True if the key is not there (the place is then that of the enclosing table).
    """

    path: KeyPath
    what: str
    remedy: str
    is_absence: bool = False


@dataclass(frozen=True)
class Document:
    """A parsed TOML file.

    Attributes:
        file_name: Name without folders, in printable form.
        text: The exact text.
        values: What the TOML parser made of it.
        lines: 1-based line of every key path.
    """

    file_name: str
    text: str
    values: Mapping[str, object]
    lines: Mapping[KeyPath, int]

    def line(self, path: KeyPath) -> int:
        """Line of `path`, or of the nearest enclosing table that is there, or 1."""
        for length in range(len(path), 0, -1):
            found = self.lines.get(path[:length])
            if found is not None:
                return found
        return 1

    def place(self, path: KeyPath) -> str:
        """``file, line n, dotted.key`` for an error message."""
        return _place(self.file_name, self.line(path), dotted(path))


def dotted(path: KeyPath) -> str:
    """The path as one writes it in TOML (``sensors.gyro.bits``); odd key names are quoted and shortened."""
    return ".".join(_key_text(str(name)) for name in path)


def read_text(path: Path, error: type[LoopwrightError]) -> str:
    """Return the exact text of the file at `path` (line ends included).

    Raises:
        error: The file is missing, no ordinary file, unreadable, larger than 64 KiB, or not UTF-8.
    """
    name = printable(path.name or str(path))
    try:
        if path.is_dir():
            raise error("this is a folder, not a file", name, "give the path of a TOML file")
        if not path.exists():
            raise error("there is no such file", name, "check the path, or write the file first")
        if not path.is_file():
            raise error("this is a device or pipe, not an ordinary file", name, "give an ordinary TOML file")
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as cause:
        reason = cause.strerror or str(cause)
        raise error(f"the file cannot be read ({reason})", name, "check its permissions and path") from cause
    if len(content) > LARGEST_FILE_BYTES:
        raise error(
            f"the file is larger than {LARGEST_FILE_BYTES} bytes",
            name,
            "give a TOML description, which has about a hundred lines; bench logs do not belong in it",
        )
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as cause:
        line = content.count(b"\n", 0, cause.start) + 1
        raise error(
            f"byte 0x{content[cause.start]:02x} is not valid UTF-8",
            _place(name, line),
            "save the file as UTF-8 text",
        ) from cause


def parse_document(text: str, file_name: str, error: type[LoopwrightError]) -> Document:
    """Return values and key lines of a TOML `text`; `file_name` appears in messages only.

    Raises:
        error: The text is no TOML v1.0.0 (with the line), or has a line of more than 1000 characters.
    """
    name = printable(file_name)
    if text.startswith("\ufeff"):
        raise error("the text starts with a byte order mark", _place(name, 1), "save it as UTF-8 without BOM")
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LONGEST_LINE:
            raise error(
                f"the line has more than {LONGEST_LINE} characters",
                _place(name, number),
                "break or shorten it",
            )
    try:
        return Document(name, text, tomllib.loads(text), locate_keys(text))
    except tomllib.TOMLDecodeError as cause:
        raise _syntax_error(text, name, str(cause), error) from cause
    except (ValueError, RecursionError) as cause:  # a number of thousands of digits; brackets nested too deep
        raise error(
            "the text is too deeply nested or holds a number with too many digits",
            _place(name, 1),
            "write plain tables and numbers",
        ) from cause


def raise_first(document: Document, faults: Iterable[Fault], error: type[LoopwrightError]) -> None:
    """Raise the first fault in file order, with the number of the others; return if there is none.

    Absent keys come after the others: a misspelt key is both unknown and absent, and the unknown one
    names the line to correct.

    Raises:
        error: There is a fault.
    """
    in_order = sorted(faults, key=lambda fault: (fault.is_absence, document.line(fault.path)))
    if not in_order:
        return
    first, others = in_order[0], len(in_order) - 1
    more = f" (and {others} more fault{'s' if others > 1 else ''} in this file)" if others else ""
    raise error(first.what + more, document.place(first.path), first.remedy)


def printable(name: str) -> str:
    """`name` itself, or with escapes if it holds characters that would garble a message."""
    return name if name.isprintable() else ascii(name)[1:-1]


def _place(file_name: str, line: int, key: str = "") -> str:
    return f"{file_name}, line {line}" + (f", {key}" if key else "")


def _key_text(name: str) -> str:
    if len(name) > 40:
        name = name[:37] + "..."
        return json.dumps(name)
    return name if _BARE_KEY.fullmatch(name) else json.dumps(name)


def _syntax_error(text: str, name: str, message: str, error: type[LoopwrightError]) -> LoopwrightError:
    found = _PLACE_IN_PARSER_MESSAGE.search(message)
    lines = text.split("\n")
    line = int(found[1]) if found and found[1] else max(1, len(lines) - lines[-1:].count(""))
    reason = _PLACE_IN_PARSER_MESSAGE.sub("", message)
    shown = lines[line - 1].strip()
    shown = shown[:57] + "..." if len(shown) > 60 else shown
    if reason.startswith(_GIVEN_TWICE):
        remedy = "keep one of the two: each key and each [table] may be given only once"
    else:
        remedy = "correct the line; TOML wants key = value, [table] or # comment, and text in quotes"
    return error(f"not valid TOML ({printable(reason)}): {printable(shown)}", _place(name, line), remedy)
