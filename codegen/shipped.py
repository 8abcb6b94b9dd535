"""A folder that ``loopwright ship`` wrote, read back.

Takes a folder, gives the graph, what the evidence says of it, and the C texts; the formats are chosen again, which gives the same ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from codegen.emit import Emission
from codegen.errors import LoopwrightError
from codegen.evidence import ShippedEvidence, parse_evidence
from codegen.formats import choose_formats
from codegen.graph import Graph
from codegen.graph.serial import graph_from_json
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import read_target

GRAPH_SUFFIX = ".graph.json"


@dataclass(frozen=True)
class ShippedFolder:
    """What lies in a shipped folder.

    Attributes:
        graph: The controller.
        evidence: Target, error budget and hashes.
        emission: Header and source, as they lie there.
    """

    graph: Graph
    evidence: ShippedEvidence
    emission: Emission

    def fixed(self) -> FixedGraph:
        """The integers that the C realises."""
        target = read_target(self.evidence.target)
        return choose_formats(find_ranges(self.graph), target, self.evidence.error_budget_counts)


def read_shipped(folder: Path, source: Path | None = None) -> ShippedFolder:
    """Read a shipped folder, ``source`` in its C file's place if given.

    Raises:
        LoopwrightError: The folder is no shipment, or a file in it cannot be read.
    """
    graphs = sorted(folder.glob(f"*{GRAPH_SUFFIX}")) if folder.is_dir() else []
    if len(graphs) != 1:
        raise LoopwrightError("this is no folder that `loopwright ship` wrote", str(folder), "name the folder given to ship -o")
    graph = graph_from_json(read_file(graphs[0]), graphs[0].name)
    evidence = parse_evidence(read_file(folder / "evidence.json"), "evidence.json")
    header, text = read_file(folder / f"{graph.name}.h"), read_file(source or folder / f"{graph.name}.c")
    return ShippedFolder(graph, evidence, Emission(graph.name, header, text))


def read_file(path: Path) -> str:
    """Text of a file.

    Raises:
        LoopwrightError: It cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise LoopwrightError(f"this file cannot be read: {reason}", str(path), "name the folder given to ship -o") from None
