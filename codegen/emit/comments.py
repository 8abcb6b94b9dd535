"""What a comment in emitted C says: unit, format, proven range, error; and the texts that every file carries."""

from __future__ import annotations

from codegen.rules.fixed import FixedGraph

CAUTIONS = (
    "CAUTION: a spinning wheel, a motor and a battery can hurt.  Guard or cage the wheel, wear eye protection, limit the current,",
    "keep the tilt cut-off in place, tether the first run, and disconnect the battery before touching the machine.  Local codes and",
    "the practice of licensed people come before anything said here.  The controller starts disarmed.",
)
OWNERSHIP = "This file belongs to whoever emitted it; its generator claims no right in it."


def number(value: float) -> str:
    """A real number for people, five significant digits."""
    return f"{value:.5g}"


def describe(fixed: FixedGraph, name: str) -> str:
    """``rad, Q31, [-0.95, 0.95]`` of a signal; counts only where there is no unit of measure."""
    node, proven = fixed.graph.nodes[name], fixed.formats[name]
    if node.is_bool:
        return "truth value"
    unit = node.unit or "1"
    return f"{unit}, {proven.label}, [{number(proven.real_low)}, {number(proven.real_high)}]"


def wrap_comment(text: str, indent: str = "", width: int = 128) -> list[str]:
    """``text`` as one C comment, broken at spaces."""
    words = text.split()
    lines: list[str] = []
    current = f"{indent}/* "
    for word in words:
        if len(current) + len(word) + 3 > width and current.strip() not in ("/*", "*"):
            lines.append(current.rstrip())
            current = f"{indent} * "
        current += word + " "
    lines.append(f"{current.rstrip()} */")
    return lines
