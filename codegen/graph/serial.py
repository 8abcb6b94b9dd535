"""A graph as JSON and back: what lies beside emitted C so that it can be verified without the build file.

Takes a ``Graph``, gives text; takes text, gives a checked ``Graph``.  Numbers survive exactly (shortest round-trip notation).
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from codegen.errors import GraphError
from codegen.graph.graph import Graph, Output, check_graph
from codegen.graph.nodes import NODE_KINDS, Delay, Node, Relation, Term

KINDS: dict[str, type[Node]] = {kind.__name__: kind for kind in NODE_KINDS}
VERSION = 1


def graph_to_json(graph: Graph) -> str:
    """The graph as JSON text, one node per line."""
    document: dict[str, Any] = {
        "version": VERSION,
        "name": graph.name,
        "title": graph.title,
        "period_s": graph.period_s,
        "slow_every": graph.slow_every,
        "outputs": [asdict(output) for output in graph.outputs],
    }
    head = json.dumps(document, indent=1)[:-2]
    nodes = ",\n  ".join(json.dumps(_node_to_dict(node)) for node in graph.nodes.values())
    return f'{head},\n "nodes": [\n  {nodes}\n ]\n}}\n'


def _node_to_dict(node: Node) -> dict[str, Any]:
    values = {key: value for key, value in asdict(node).items() if value is not None and value is not False and value != ""}
    if "relation" in values:
        values["relation"] = values["relation"].value
    return {"kind": type(node).__name__, **values}


def graph_from_json(text: str, where: str) -> Graph:
    """Read and check a graph.

    Raises:
        GraphError: The text is no graph of this version, or the graph does not pass its check.
    """
    remedy = "emit the controller again"
    try:
        document = json.loads(text)
        if document["version"] != VERSION:
            raise GraphError(f"graph version {document['version']} is not {VERSION}", where, remedy)
        nodes = [_node_from_dict(dict(entry)) for entry in document["nodes"]]
        # Delays are written before their sources; the check needs all nodes at once, in the order of writing.
        outputs = [Output(**entry) for entry in document["outputs"]]
        return check_graph(
            document["name"], document["title"], document["period_s"], document["slow_every"], nodes, outputs
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise GraphError(f"this is no graph ({type(error).__name__}: {error})", where, remedy) from None


def _node_from_dict(values: dict[str, Any]) -> Node:
    kind = KINDS[values.pop("kind")]
    if "terms" in values:
        values["terms"] = tuple(Term(**term) for term in values["terms"])
    if "relation" in values:
        values["relation"] = Relation(values["relation"])
    for key in ("arguments", "inverted", "values"):
        if key in values:
            values[key] = tuple(values[key])
    if kind.__name__ == "Logic":
        values.setdefault("any_of", False)
    if kind is Delay:
        values.setdefault("source", "")
    return kind(**values)
