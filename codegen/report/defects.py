"""How strong the checks are: defects planted into the C one by one, and what found them.

Takes the campaign's report, gives a kill table that people can read, and a picture.
"""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure

from codegen.defects import WORST_KINDS, DefectReport, KindRow
from codegen.report.draw import BLUE, INK, draw
from codegen.report.parts import Cell, Column, Picture, Table, row, table
from codegen.report.wording import DASH, percent, plural, whole

METHOD_WORDS = {
    "compiler": "the compiler's warnings",
    "bits": "compiled and run, against the integer model",
    "undefined behaviour": "checks for undefined behaviour while it runs",
    "error bound": "the bound against float64",
    "output limits": "the limits of the outputs",
    "16-bit int": "the same where int has 16 bits",
    "safety proof": "proof that nothing overflows or leaves its range",
    "equality proof": "proof that it equals the integer model",
}


@dataclass(frozen=True)
class DefectPart:
    """The section's content."""

    summary: str
    methods: Picture
    kinds: Table
    survivors: Table | None
    absent: str


def describe_defects(report: DefectReport | None) -> DefectPart | None:
    """The kill table; None if no defects were planted."""
    if report is None:
        return None
    absent = [kind for kind in report.kinds if not kind.generated]
    return DefectPart(
        _summary(report),
        _methods(report),
        _kinds(report),
        _survivors(report),
        f"{plural(len(absent), 'kind')} of the catalogue cannot occur in this text." if absent else "",
    )


def _summary(report: DefectReport) -> str:
    kinds = sum(1 for kind in report.kinds if kind.generated)
    same = f"{whole(report.equivalent)} turned out to be the same controller, which was shown" if report.equivalent else ""
    missed = len(report.survivors)
    outcome = "none was missed" if not missed else f"{missed} were missed" if missed > 1 else "one was missed"
    return (
        f"{plural(report.tried, 'mistake')} of {plural(kinds, 'kind')} that fixed-point code is known for were planted into this C text, "
        f"one at a time. {whole(report.killed)} were found{'; ' + same if same else ''}; {outcome}. Of those that make a difference the "
        f"checks find {percent(report.rate(), 4)}, of the {len(WORST_KINDS)} worst kinds {percent(report.rate(WORST_KINDS), 4)}. "
        f"Seed {report.seed}."
    )


def _methods(report: DefectReport) -> Picture:
    found = [(METHOD_WORDS.get(name, name), report.killed_by(name)) for name in report.methods]
    different = report.tried - report.equivalent

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        places = list(range(len(found)))
        axes.barh(places, [count for _, count in found], color=BLUE, alpha=0.55, height=0.62)
        for place, (_, count) in enumerate(found):
            axes.text(count + 0.012 * different, place, str(count), va="center", ha="left", fontsize=8.5, color=INK)
        axes.axvline(different, color=INK, linestyle="--", linewidth=1.0)
        axes.set_yticks(places, [name for name, _ in found])
        axes.tick_params(axis="y", length=0.0, labelsize=8.5)
        axes.grid(visible=False, axis="y")
        axes.set_xlim(0.0, 1.12 * max(different, 1))
        axes.set_ylim(len(found) - 0.4, -0.6)
        axes.set_xlabel("defects found")

    return draw(
        paint,
        "defect-methods",
        f"Bars of the defects found by each method: {', '.join(f'{name} {count}' for name, count in found)}.",
        "What finds how many, each method by itself, of those that make a difference (dashed). The proofs come last and judge only what "
        "everything before them has let through.",
        0.27 * len(found) + 0.8,
    )


def _kinds(report: DefectReport) -> Table:
    rows = [_kind(kind, report.methods) for kind in report.kinds if kind.generated]
    columns = (
        Column("kind"),
        Column("mistake"),
        Column("planted", "number"),
        Column("found", "number"),
        Column("same", "number"),
        Column("missed", "number"),
        Column("found by"),
    )
    caption = (
        "Every kind that can occur in this text: how many were planted, found, shown to be the same controller, and missed; and what found "
        "them, each method counted by itself. What a proof refuses may still turn out to be the same."
    )
    return table("defect-kinds", caption, columns, rows)


def _kind(kind: KindRow, methods: tuple[str, ...]) -> tuple[Cell, ...]:
    by = ", ".join(f"{name} {kind.killed_by[name]}" for name in methods if kind.killed_by.get(name))
    counts = [whole(count) if count else DASH for count in (kind.generated, kind.killed, kind.equivalent, kind.survived)]
    return row(str(kind.number), kind.title, *counts, by or DASH)


def _survivors(report: DefectReport) -> Table | None:
    if not report.survivors:
        return None
    rows = [row(one.title, str(one.line), f"{one.where}: {one.change}", one.wanted) for one in report.survivors]
    columns = (Column("mistake"), Column("line", "number"), Column("what was changed"), Column("what it would take"))
    return table("defect-survivors", "What every check let through.", columns, rows, prose=True)
