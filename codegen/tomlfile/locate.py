"""The line on which each key of a TOML text stands.

The standard parser gives values without places. This scanner gives places without values: it follows the
grammar of TOML v1.0.0 (toml.io, "Full Specification": keys, strings, arrays, inline tables, tables, arrays
of tables) and expects a text that the parser has already accepted, so it reports no faults of its own.
"""

from __future__ import annotations

import tomllib
from collections import Counter

KeyPath = tuple[str | int, ...]

_BLANK = " \t"
_BETWEEN_VALUES = " \t\n,"
_AFTER_BARE_KEY = " \t.=]"
_AFTER_BARE_VALUE = ",]}#\n"
_STRING_MARKS = ('"""', "'''", '"', "'")


def locate_keys(text: str) -> dict[KeyPath, int]:
    """Return the 1-based line of every key, table header and list element of a valid TOML `text`.

    A path is the tuple of key names, with the position (an int) for an element of a list. A table that is
    opened more than once (by headers and by dotted keys) is placed where it is named first.
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.scan_document()
    return scanner.lines


class _Scanner:
    """One pass over the text; `position` only moves forward."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.position = 0
        self.lines: dict[KeyPath, int] = {}
        self._line = 1
        self._line_counted_to = 0
        self._elements: Counter[KeyPath] = Counter()

    def scan_document(self) -> None:
        table: KeyPath = ()
        while True:
            self._skip_space_and_comments(_BLANK + "\n")
            if self.position >= len(self.text):
                return
            if self.text.startswith("[[", self.position):
                table = self._scan_header(brackets=2)
            elif self.text[self.position] == "[":
                table = self._scan_header(brackets=1)
            else:
                self._scan_pair(table)

    def _scan_header(self, brackets: int) -> KeyPath:
        line = self._current_line()
        self.position += brackets
        names = self._scan_key()
        self.position += brackets
        path: KeyPath = ()
        for name in names[:-1]:
            path = self._last_element((*path, name))
            self.lines.setdefault(path, line)
        path = (*path, names[-1])
        self.lines.setdefault(path, line)
        if brackets == 2:
            path = (*path, self._elements[path])
            self._elements[path[:-1]] += 1
            self.lines[path] = line
        return path

    def _last_element(self, path: KeyPath) -> KeyPath:
        """The table that `path` means in a header: of an array of tables, its last element."""
        count = self._elements[path]
        return (*path, count - 1) if count else path

    def _scan_pair(self, table: KeyPath) -> None:
        line = self._current_line()
        path = table
        for name in self._scan_key():
            path = (*path, name)
            self.lines.setdefault(path, line)
        self.position += 1  # the equals sign
        self._skip(_BLANK)
        self._scan_value(path)

    def _scan_key(self) -> list[str]:
        """The names of a possibly dotted key; stops on the character after it (= or ])."""
        names = []
        while True:
            self._skip(_BLANK)
            start = self.position
            if self.text[start] in "\"'":
                self._skip_string()
                names.append(str(tomllib.loads(f"x = {self.text[start : self.position]}")["x"]))
            else:
                self._skip_until(_AFTER_BARE_KEY)
                names.append(self.text[start : self.position])
            self._skip(_BLANK)
            if self.text[self.position] != ".":
                return names
            self.position += 1

    def _scan_value(self, path: KeyPath) -> None:
        first = self.text[self.position]
        if first in "\"'":
            self._skip_string()
        elif first == "[":
            self._scan_list(path)
        elif first == "{":
            self._scan_inline_table(path)
        else:
            self._skip_until(_AFTER_BARE_VALUE)

    def _scan_list(self, path: KeyPath) -> None:
        self.position += 1
        index = 0
        while True:
            self._skip_space_and_comments(_BETWEEN_VALUES)
            if self.text[self.position] == "]":
                self.position += 1
                return
            self.lines[(*path, index)] = self._current_line()
            self._scan_value((*path, index))
            index += 1

    def _scan_inline_table(self, path: KeyPath) -> None:
        self.position += 1
        while True:
            self._skip_space_and_comments(_BETWEEN_VALUES)
            if self.text[self.position] == "}":
                self.position += 1
                return
            self._scan_pair(path)

    def _skip_string(self) -> None:
        mark = next(mark for mark in _STRING_MARKS if self.text.startswith(mark, self.position))
        self.position += len(mark)
        while not self.text.startswith(mark, self.position):
            escaped = mark[0] == '"' and self.text[self.position] == "\\"
            self.position += 2 if escaped else 1
        self.position += len(mark)
        if len(mark) == 3:  # up to two quotes may stand directly before the closing three
            self._skip(mark[0])

    def _skip_space_and_comments(self, space: str) -> None:
        self._skip(space)
        while self.position < len(self.text) and self.text[self.position] == "#":
            self._skip_until("\n")
            self._skip(space)

    def _skip(self, characters: str) -> None:
        while self.position < len(self.text) and self.text[self.position] in characters:
            self.position += 1

    def _skip_until(self, characters: str) -> None:
        while self.position < len(self.text) and self.text[self.position] not in characters:
            self.position += 1

    def _current_line(self) -> int:
        self._line += self.text.count("\n", self._line_counted_to, self.position)
        self._line_counted_to = self.position
        return self._line
