"""What the command line shows: progress, tables and errors for people, or one JSON document for machines.

Takes results, gives text on standard output; errors and progress go to standard error.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from codegen.errors import LoopwrightError

MINIMUM_WIDTH = 100


class Screen:
    """Where a command shows things.

    Args:
        quiet: Show errors only.
        as_json: Show one JSON document instead of tables.
    """

    def __init__(self, *, quiet: bool, as_json: bool) -> None:
        self.quiet = quiet
        self.as_json = as_json
        width = None if sys.stdout.isatty() else MINIMUM_WIDTH + 30
        self._out = Console(width=width, highlight=False, soft_wrap=False)
        self._err = Console(stderr=True, highlight=False, soft_wrap=True)

    @property
    def _silent(self) -> bool:
        return self.quiet or self.as_json

    def say(self, text: str, style: str = "") -> None:
        """One line for people."""
        if not self._silent:
            self._out.print(Text(text, style=style))

    def raw(self, line: str) -> None:
        """One line that another program reads, shown whatever else is hushed, but never into a JSON document."""
        (sys.stderr if self.as_json else sys.stdout).write(line + "\n")

    def table(self, title: str, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table for people."""
        if self._silent:
            return
        table = Table(title=title, title_justify="left", title_style="bold", header_style="bold", show_edge=False, pad_edge=False)
        for heading in headings:
            table.add_column(heading, overflow="fold")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        self._out.print(table)
        self._out.print()

    def document(self, document: dict[str, Any]) -> None:
        """The result for machines."""
        if self.as_json:
            sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")

    def error(self, error: LoopwrightError) -> None:
        """One error."""
        self._err.print(Text(f"error: {error.message()}"))

    @contextmanager
    def progress(self) -> Iterator[Callable[[str, float], None]]:
        """A progress display on standard error; gives the function that moves it."""
        if self._silent:
            yield lambda name, done: None
            return
        bar = Progress(
            TextColumn("{task.description:<22}"),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(),
            console=self._err,
            transient=True,
            disable=not self._err.is_terminal,
        )
        with bar:
            task = bar.add_task("starting", total=1.0)

            def move(name: str, done: float) -> None:
                bar.update(task, description=name, completed=done)

            yield move
