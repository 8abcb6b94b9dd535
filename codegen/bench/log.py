"""A bench log read from its file: a table of numbers with named columns, and what its header declares.

Takes a path, gives a ``Log``. A log is text: first, if you like, lines ``# key = value`` (``KEYS`` says which), then one line with the
names of the columns (``codegen/bench/columns.py`` says which), then numbers, one row per line, separated by commas. Semicolons or tabs
between the columns, decimal commas between semicolons, a byte order mark, blank lines, comments and empty cells are read, and the log
says that it did so. All else is one error with file, line and column. Knows nothing of machines.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.bench.columns import BENCH_COLUMNS, IGNORED, Meaning, Vocabulary, counted
from codegen.errors import BenchError
from codegen.tomlfile import nearest
from codegen.tomlfile.document import printable

LARGEST_FILE_BYTES = 500_000_000
KINDS = ("swing", "square", "spin", "rest", "scale", "supply")
WHEELS = ("taped", "free")
KEYS: Mapping[str, str] = {
    "kind": f"kind of experiment: {', '.join(KINDS)}",
    "wheel": "of a swing: taped (to the body) or free",
    "columns": "names of the columns, where the first row has none or others; - leaves one out",
    "reverse": "names of columns whose sign has to be turned",
    "scale_resolution_g": "smallest step of the kitchen scale",
    "lever_uncertainty_mm": "how far a lever may be off",
    "voltmeter_percent": "how far the voltmeter may be off",
}
_NUMERIC_KEYS = ("scale_resolution_g", "lever_uncertainty_mm", "voltmeter_percent")
_DECLARATION = re.compile(r"#+\s*([A-Za-z][A-Za-z0-9_ ]*?)\s*[=:]\s*(.*?)\s*$")
_SEPARATORS = ",;\t"
_SEPARATOR_WORDS = {",": "commas", ";": "semicolons", "\t": "tabs"}

RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class Column:
    """One column as it stands in the file, in the unit of its name.

    Attributes:
        name: As in the file.
        position: 1-based place in the row.
        meaning: Quantity and unit.
        values: (rows,), NaN where the cell is empty or not a number.
    """

    name: str
    position: int
    meaning: Meaning
    values: RealArray


@dataclass(frozen=True)
class Log:
    """A bench log as read.

    Attributes:
        file_name: Name without folders.
        declared: What the header declares, by key.
        declared_lines: Line of each declaration.
        names_line: Line of the column names.
        columns: By quantity.
        lines: (rows,) 1-based line of each row in the file.
        notes: What was found odd and how it was read.
    """

    file_name: str
    declared: Mapping[str, str]
    declared_lines: Mapping[str, int]
    names_line: int
    columns: Mapping[str, Column]
    lines: NDArray[np.int64]
    notes: tuple[str, ...]

    def place(self, row: int | None = None, quantity: str | None = None) -> str:
        """``file, line n, column name`` for a message; without a row the line of the names."""
        line = self.names_line if row is None else int(self.lines[row])
        column = self.columns.get(quantity) if quantity is not None else None
        return f"{self.file_name}, line {line}" + (f", column {column.name}" if column is not None else "")

    def number(self, key: str, default: float) -> float:
        """The declared number, or the default."""
        return float(self.declared.get(key, default))


def read_log(path: Path, vocabulary: Vocabulary = BENCH_COLUMNS) -> Log:
    """Return the log in the file at ``path``, whose columns have names of the vocabulary.

    Raises:
        BenchError: The file cannot be read or is no log; with file, line, column and remedy.
    """
    return parse_log(_read_bytes(path), path.name, vocabulary)


def parse_log(content: bytes, file_name: str, vocabulary: Vocabulary = BENCH_COLUMNS) -> Log:
    """Return the log that ``content`` is; ``file_name`` (no folders) appears in messages.

    Raises:
        BenchError: It is no log.
    """
    name = printable(file_name)
    notes: list[str] = []
    lines = _decode(content, name, notes).splitlines()
    declared, declared_lines, first = _read_header(lines, name)
    if first == len(lines):
        what = "the log is empty" if not lines else "the log holds comments only"
        raise BenchError(what, f"{name}, line {max(1, len(lines))}", "write a line of column names, then one row of numbers per line")
    separator = _find_separator(lines[first], name, first + 1)
    if separator != ",":
        notes.append(f"columns are separated by {_SEPARATOR_WORDS[separator]}")
    in_file = [cell.strip().strip('"').strip() for cell in lines[first].split(separator)]
    named_here = not all(_is_number(cell) for cell in in_file if cell)
    names = _column_names(in_file if named_here else None, declared, declared_lines, name, first + 1)
    start = first + 1 if named_here else first
    body, at = _rows(lines, start, notes)
    if not body:
        raise BenchError("the log has column names but no rows", f"{name}, line {len(lines)}", "add the rows of numbers")
    wanted = _wanted(names, name, first + 1, notes, vocabulary)
    _check_widths(body, at, separator, len(names), name)
    if separator != "," and any("," in row for row in body[:1000]):
        body = [row.replace(",", ".") for row in body]
        notes.append("decimal commas are read as points")
    table = _numbers(body, at, separator, wanted, name, notes)
    columns = {meaning.quantity: Column(names[index], index + 1, meaning, table[:, place]) for place, (index, meaning) in enumerate(wanted)}
    columns = _reverse(columns, declared, declared_lines, name, notes)
    return Log(name, declared, declared_lines, first + 1, columns, np.asarray(at, dtype=np.int64), tuple(notes))


def _read_bytes(path: Path) -> bytes:
    name = printable(path.name or str(path))
    try:
        if path.is_dir():
            raise BenchError("this is a folder, not a log", name, "give the files in it one by one")
        if not path.exists():
            raise BenchError("there is no such file", name, "check the path")
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as cause:
        raise BenchError(f"the file cannot be read ({cause.strerror})", name, "check its permissions and path") from cause
    if len(content) > LARGEST_FILE_BYTES:
        raise BenchError(f"the log is larger than {LARGEST_FILE_BYTES // 10**6} MB", name, "give the part that holds the experiment")
    return content


def _decode(content: bytes, name: str, notes: list[str]) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BenchError("the log is UTF-16 text", f"{name}, line 1", "save it as UTF-8 text")
    if content.startswith(b"\xef\xbb\xbf"):
        content = content[3:]
        notes.append("a byte order mark is left out")
    zero = content.find(b"\0")
    if zero >= 0:
        line = content.count(b"\n", 0, zero) + 1
        raise BenchError("the file is binary, not text", f"{name}, line {line}", "convert the log to text: one row of numbers per line")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as cause:
        line = content.count(b"\n", 0, cause.start) + 1
        raise BenchError(
            f"byte 0x{content[cause.start]:02x} is not valid UTF-8", f"{name}, line {line}", "save the log as UTF-8 text"
        ) from cause


def _read_header(lines: Sequence[str], name: str) -> tuple[dict[str, str], dict[str, int], int]:
    """Declarations, their lines, and the index of the first line that is neither comment nor blank."""
    declared: dict[str, str] = {}
    at: dict[str, int] = {}
    for index, line in enumerate(lines):
        text = line.strip()
        if text and not text.startswith("#"):
            return declared, at, index
        found = _DECLARATION.match(text)
        if found:
            _declare(found[1], found[2].strip("\"'"), index + 1, name, declared, at)
    return declared, at, len(lines)


def _declare(key: str, value: str, line: int, name: str, declared: dict[str, str], at: dict[str, int]) -> None:
    """Take a declaration in; free comments that happen to hold an equals sign are passed over."""
    place = f"{name}, line {line}, {key}"
    if key not in KEYS:
        guess = nearest(key, KEYS)
        if guess is not None:
            raise BenchError("the log's header has an unknown key", place, f"did you mean {guess}?")
        return
    if key in declared:
        raise BenchError(f"the key is given twice (first in line {at[key]})", place, "keep one of the two")
    for choice, choices in (("kind", KINDS), ("wheel", WHEELS)):
        if key == choice and value not in choices:
            guess = nearest(value, choices)
            remedy = f"did you mean {guess}?" if guess else f"use one of: {', '.join(choices)}"
            raise BenchError(f'"{printable(value)}" is not known here', place, remedy)
    if key in _NUMERIC_KEYS and not (_is_number(value) and 0 < float(value) < 1e6):
        raise BenchError(f'"{printable(value)}" is not a positive number', place, "write a number, as in 0.5")
    declared[key] = value
    at[key] = line


def _find_separator(line: str, name: str, number: int) -> str:
    found = max(_SEPARATORS, key=line.count)
    if line.count(found) > 0:
        return found
    shown = printable(line.strip()[:40])
    if len(line.split()) > 1 or "|" in line:
        raise BenchError(f"the columns are not separated by commas: {shown}", f"{name}, line {number}", "separate columns by commas")
    raise BenchError(f"the log has one column only: {shown}", f"{name}, line {number}", "give at least two columns, separated by commas")


def _column_names(in_file: list[str] | None, declared: Mapping[str, str], at: Mapping[str, int], name: str, line: int) -> list[str]:
    given = [cell.strip() for cell in declared["columns"].split(",")] if "columns" in declared else None
    if given is None:
        if in_file is None:
            raise BenchError(
                "the log has no line of column names",
                f"{name}, line {line}",
                "put one above the numbers (time_s,gyro_dps,...), or declare them: # columns = time_s, gyro_dps, ...",
            )
        return in_file
    if in_file is not None and len(given) != len(in_file):
        raise BenchError(
            f"{len(given)} columns are declared, the first row has {len(in_file)}",
            f"{name}, line {at['columns']}, columns",
            "declare every column, with - for those to be left out",
        )
    return given


def _wanted(names: Sequence[str], name: str, line: int, notes: list[str], vocabulary: Vocabulary) -> list[tuple[int, Meaning]]:
    """(index, meaning) of the columns that are understood; those that are nearly understood are refused."""
    wanted: list[tuple[int, Meaning]] = []
    passed: list[str] = []
    taken: dict[str, str] = {}
    for index, text in enumerate(names):
        meaning = vocabulary.meaning_of(text)
        if meaning is None:
            explained = vocabulary.explain_name(text) if text != IGNORED else None
            if explained is not None:
                raise BenchError(explained[0], f"{name}, line {line}, column {printable(text)}", explained[1])
            passed += [text] if text not in (IGNORED, "") else []
            continue
        if meaning.quantity in taken:
            raise BenchError(
                f"two columns hold the same quantity ({taken[meaning.quantity]} and {text})",
                f"{name}, line {line}, column {printable(text)}",
                f"declare the columns and leave one out: # columns = {taken[meaning.quantity]}, -, ...",
            )
        taken[meaning.quantity] = text
        wanted.append((index, meaning))
    if not wanted:
        raise BenchError(
            f"no column name is understood ({printable(', '.join(names))[:60]})",
            f"{name}, line {line}",
            f"{vocabulary.advice}, from: {', '.join(vocabulary.names)}",
        )
    if passed:
        notes.append(f"columns left out, their names are not understood: {printable(', '.join(passed))[:80]}")
    return wanted


def _rows(lines: list[str], start: int, notes: list[str]) -> tuple[list[str], Sequence[int]]:
    """The lines that hold rows, and their 1-based numbers."""
    body = lines[start:]
    kept = [index for index, line in enumerate(body) if line and not line.isspace() and line[0] != "#"]
    if len(kept) == len(body):
        return body, range(start + 1, start + 1 + len(body))
    between = kept[-1] + 1 - len(kept) if kept else 0
    if between:
        notes.append(f"{counted(between, 'blank or comment line')} between the rows left out")
    return [body[index] for index in kept], [start + 1 + index for index in kept]


def _check_widths(body: Sequence[str], at: Sequence[int], separator: str, width: int, name: str) -> None:
    for row, line in enumerate(body):
        if line.count(separator) == width - 1:
            continue
        fields = line.count(separator) + 1
        if row == len(body) - 1 and fields < width:
            raise BenchError(
                f"the last row has {fields} of {width} columns: the log was cut off", f"{name}, line {at[row]}", "delete the line"
            )
        remedy = "every row must have as many cells as there are column names"
        if separator == "," and fields > width:
            remedy += "; numbers with decimal commas need semicolons between the columns"
        raise BenchError(f"the row has {counted(fields, 'cell')} for {width} columns", f"{name}, line {at[row]}", remedy)


def _numbers(
    body: Sequence[str], at: Sequence[int], separator: str, wanted: Sequence[tuple[int, Meaning]], name: str, notes: list[str]
) -> RealArray:
    """The wanted columns as (rows, columns)."""
    indices = [index for index, _ in wanted]
    try:
        table = np.loadtxt(body, delimiter=separator, comments=None, ndmin=2, usecols=indices)
    except ValueError:
        table = _numbers_one_by_one(body, at, separator, wanted, name, notes)
    endless = np.isinf(table)
    if endless.any():
        row, column = (int(place) for place in np.argwhere(endless)[0])
        where = f"{name}, line {at[row]}, cell {indices[column] + 1}"
        raise BenchError("the cell is not a finite number", where, "correct the number, or leave the cell empty")
    return np.asarray(table, dtype=np.float64)


def _numbers_one_by_one(
    body: Sequence[str], at: Sequence[int], separator: str, wanted: Sequence[tuple[int, Meaning]], name: str, notes: list[str]
) -> RealArray:
    """As ``_numbers`` but slow: reads empty cells as NaN and finds the cell that is no number."""
    table = np.empty((len(body), len(wanted)))
    empty = 0
    for row, line in enumerate(body):
        cells = line.split(separator)
        for place, (index, _) in enumerate(wanted):
            cell = cells[index].strip().strip('"')
            if not cell:
                empty += 1
                table[row, place] = np.nan
            elif _is_number(cell):
                table[row, place] = float(cell)
            else:
                raise BenchError(
                    f'"{printable(cell[:30])}" is not a number',
                    f"{name}, line {at[row]}, cell {index + 1}",
                    "correct the cell, or leave it empty; write 0.5, without thousands separators",
                )
    if empty:
        notes.append(f"{counted(empty, 'empty cell')} taken as missing")
    return table


def _reverse(
    columns: Mapping[str, Column], declared: Mapping[str, str], at: Mapping[str, int], name: str, notes: list[str]
) -> dict[str, Column]:
    turned = dict(columns)
    for wish in (part.strip() for part in declared.get("reverse", "").split(",")):
        if not wish:
            continue
        found = [column for column in columns.values() if column.name == wish]
        if not found:
            raise BenchError(f"there is no column {printable(wish)}", f"{name}, line {at['reverse']}, reverse", "name columns of this log")
        column = found[0]
        turned[column.meaning.quantity] = Column(column.name, column.position, column.meaning, -column.values)
        notes.append(f"the sign of {column.name} is turned, as declared")
    return turned


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return "_" not in text
