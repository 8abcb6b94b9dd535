"""What a page is made of: tables and pictures, as plain data for the template.

Takes texts, gives frozen dataclasses.  Knows neither what they are about nor any HTML.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "short", "number", "verdict", "code"]


@dataclass(frozen=True)
class Column:
    """One column: its heading and how its cells are set (``short``: unbroken; ``verdict``: yes or no, in colour; ``code``: C)."""

    title: str
    kind: Kind = "text"


@dataclass(frozen=True)
class Cell:
    """One cell: its text, and a second line in small type."""

    text: str
    small: str = ""


@dataclass(frozen=True)
class Group:
    """Rows under a common heading; without one if the title is empty."""

    title: str
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True)
class Table:
    """A table; the first cell of every row is its heading.

    Attributes:
        name: Anchor in the page.
        caption: What it shows, one sentence.
        columns: From left to right.
        groups: From top to bottom.
        prose: Whether cells hold sentences: on a narrow screen such a table is set row under row.
    """

    name: str
    caption: str
    columns: tuple[Column, ...]
    groups: tuple[Group, ...]
    prose: bool = False


@dataclass(frozen=True)
class Picture:
    """A drawn picture.

    Attributes:
        name: Anchor in the page.
        alt: What there is to see, for those who cannot see it.
        caption: What it shows and how to read it.
        data: The picture itself as a data URI.
    """

    name: str
    alt: str
    caption: str
    data: str


def row(*cells: str | Cell) -> tuple[Cell, ...]:
    """A row of cells; plain texts become cells without a second line."""
    return tuple(cell if isinstance(cell, Cell) else Cell(cell) for cell in cells)


def table(name: str, caption: str, columns: Sequence[Column], rows: Iterable[tuple[Cell, ...]], *, prose: bool = False) -> Table:
    """A table whose rows stand under no further headings."""
    return Table(name, caption, tuple(columns), (Group("", tuple(rows)),), prose)


def yes_no(holds: bool) -> str:
    """The text of a ``verdict`` cell."""
    return "yes" if holds else "NO"
