"""Reads a page as a browser would: tags that close, tables by their anchor, visible text, pictures."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

# Elements without an end tag: WHATWG, "HTML Living Standard", section 13.1.2, list of void elements (from memory).
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
UNSEEN = {"style", "script", "title"}


@dataclass
class SeenTable:
    """Headings, row headings (without their small print) and cells of one table."""

    headings: list[str] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


class Page(HTMLParser):
    """The parsed page; raises ``AssertionError`` where tags do not match."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tables: dict[str, SeenTable] = {}
        self.anchors: list[str] = []
        self.links: list[str] = []
        self.pictures: dict[str, str] = {}
        self.words: list[str] = []
        self.kinds: set[str] = set()
        self._table: SeenTable | None = None
        self._row: list[str] = []
        self.feed(html)
        self.close()
        assert not self.open, self.open

    @property
    def text(self) -> str:
        """All visible text; runs of white space as HTML has it (not the spaces that do not break) are one space."""
        return re.sub(r"[ \t\n]+", " ", " ".join(self.words))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        assert len(given) == len(attrs), f"an attribute stands twice in {tag}"
        self.kinds.add(tag)
        if "id" in given:
            self.anchors.append(given["id"])
        self.links += [given[name] for name in ("href", "src") if name in given]
        if tag == "img":
            assert given["alt"].strip(), "a picture without a description"
            self.pictures[self.anchors[-1]] = base64.b64decode(given["src"].split("base64,")[1]).decode("utf-8")
        if tag == "table":
            self._table = self.tables.setdefault(given["id"], SeenTable())
        elif tag == "tr":
            self._row = []
        elif tag in ("th", "td"):
            self._row.append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag, f"{tag} closes nothing"
        if tag == "tr" and self._table is not None:
            if "thead" in self.open:
                self._table.headings = self._row
            elif len(self._row) > 1:
                self._table.rows.append(self._row)
                self._table.names.append(self._row[0])
        if tag == "table":
            self._table = None

    def handle_data(self, data: str) -> None:
        if set(self.open) & UNSEEN:
            return
        self.words.append(data)
        if self._row and self.open and self.open[-1] in ("th", "td"):
            self._row[-1] = (self._row[-1] + data).strip()
