"""The checker is checked: random small C functions, run under a sanitizer, never do what the proof said they cannot.

A function of which something is left open is run where that, computed exactly, holds: nothing may go wrong there.

Oracle outside the project: the C compiler's undefined-behaviour checks, and its arithmetic, on this machine (LP64 or a model with the
same integer widths).
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

import codegen.proof.dag
import codegen.proof.refine
from codegen.proof.contract import read_contract
from codegen.proof.dag import Dag, Node
from codegen.proof.evaluate import Evaluator, draw
from codegen.proof.front import read_program
from codegen.proof.interval import Range
from codegen.proof.models import MODELS
from codegen.proof.operators import Obligation
from codegen.proof.refine import Case, TableDag, fits
from codegen.proof.refusal import Refusal
from codegen.proof.verdict import Run, run_text
from tests.proof_functions import Sample, SampleLibrary, write_sample, write_text

BATCH = 240
TOGETHER = 8
POINTS = 90


@dataclass(frozen=True)
class Judged:
    """A function with its symbolic execution and what the proof leaves open of it."""

    sample: Sample
    run: Run
    open: tuple[Obligation, ...]


@dataclass
class Tally:
    """What became of many functions: all proved, something left open, not read; and how many were run at least once."""

    proved: int = 0
    open: int = 0
    refused: int = 0
    run: int = 0
    ways: set[str] = field(default_factory=set)
    unsound: list[str] = field(default_factory=list)


def check_functions(seeds: range, *, stop_at_first: bool = False) -> Tally:
    """Judge the functions of ``seeds`` and run them; who stops at the first expects faults and gets no divisions."""
    tally = Tally()
    # Trees and nodes die with their batch; the collector would search them again and again meanwhile.
    gc.disable()
    try:
        for first in range(0, len(seeds), BATCH):
            _check_batch(seeds[first : first + BATCH], tally, divisions=not stop_at_first)
            gc.collect()
            if stop_at_first and tally.unsound:
                break
    finally:
        gc.enable()
    return tally


def _check_batch(seeds: range, tally: Tally, *, divisions: bool) -> None:
    samples = [write_sample(seed, divisions=divisions) for seed in seeds]
    judged: list[Judged] = []
    for first in range(0, len(samples), TOGETHER):
        judged += _judge(samples[first : first + TOGETHER], tally)
    library = SampleLibrary([one.sample for one in judged])
    try:
        for one in judged:
            _run(library, one, tally)
    finally:
        library.library.close()


def _judge(samples: list[Sample], tally: Tally) -> list[Judged]:
    """Prove what can be proved; where one function makes the common text unreadable, each is read alone."""
    source, header = write_text(samples)
    judged: list[Judged] = []
    try:
        program = read_program(source, "samples.c", header, "samples.h")
        for sample in samples:
            dag = TableDag()
            run = run_text(program, read_contract(sample.contract), MODELS["LP64"], dag)
            ways = [fits(dag, one.node, (one.low, one.high), one.path) for one in run.obligations]
            tally.ways.update(way for way in ways if way is not None)
            judged.append(Judged(sample, run, tuple(one for one, way in zip(run.obligations, ways, strict=True) if way is None)))
    except Refusal:
        # The generator now and then writes a constant that C does not have.
        if len(samples) > 1:
            return [one for sample in samples for one in _judge([sample], tally)]
        tally.refused += 1
        return []
    tally.proved += sum(not one.open for one in judged)
    tally.open += sum(bool(one.open) for one in judged)
    return judged


def _innocent(points: list[dict[str, int]], owed: tuple[Obligation, ...]) -> list[dict[str, int]]:
    """The points at which everything holds that the proof leaves open: there nothing may go wrong either."""
    evaluator = Evaluator([node for one in owed for node in (one.node, *one.path)])
    place = evaluator.place

    def holds(one: Obligation, values: list[int]) -> bool:
        computed = all(values[place[condition.ident]] for condition in one.path)
        return not computed or one.low <= values[place[one.node.ident]] <= one.high

    return [point for point in points for values in [evaluator.run(point)] if all(holds(one, values) for one in owed)]


def _run(library: SampleLibrary, judged: Judged, tally: Tally) -> None:
    sample = judged.sample
    after = {name: node for name, node in judged.run.after.items() if node is not None and not name.startswith("inputs.")}
    points = draw({name: (node.low, node.high) for name, node in judged.run.start.items()}, POINTS, 7)
    if judged.open:
        points = _innocent(points, judged.open)
    if not points:
        return
    tally.run += 1
    rows, reports = library.run(sample, points)
    if reports:
        tally.unsound.append(f"{sample.name}: proved, but {reports[0]}\n{sample.code}")
        return
    evaluator = Evaluator(after.values())
    boxes = {f"state.{name}": (low, high) for name, _, low, high in sample.state}
    for point, row in zip(points, rows, strict=True):
        values = evaluator.run(point)
        for name, node in after.items():
            value = values[evaluator.place[node.ident]]
            low, high = boxes.get(name, (node.low, node.high))
            if value != row[name] or not low <= row[name] <= high:
                said = f"{name} is {row[name]} in C, {value} in the proof, which says [{low}, {high}]"
                tally.unsound.append(f"{sample.name}: {said}\n{sample.code}")
                return


def test_functions_never_do_what_the_proof_excludes():
    tally = check_functions(range(1200))

    assert tally.unsound == []
    assert tally.proved > 400
    assert tally.open > 400
    assert tally.refused < 12
    assert tally.run > 1100
    assert {"interval", "interval with branch refinement"} <= tally.ways


@pytest.mark.timeout(1800)
@pytest.mark.parametrize(
    ("first", "functions"),
    [
        pytest.param(200_000, 8_000, marks=pytest.mark.long),
        pytest.param(10_000, 53_000, marks=pytest.mark.extended),
        pytest.param(63_000, 53_000, marks=pytest.mark.extended),
    ],
)
def test_many_functions_never_do_what_the_proof_excludes(first, functions):
    """A hundred thousand in two halves, one for each worker, by hand; others at every integration."""
    tally = check_functions(range(first, first + functions))

    assert tally.unsound == []
    assert tally.run >= 0.94 * functions
    assert tally.proved > 0.38 * functions
    assert tally.refused < 0.01 * functions
    assert {"interval", "interval with branch refinement", "interval with case split", "unreachable"} <= tally.ways


def _one_short(rule: Callable[..., Range]) -> Callable[..., Range]:
    def faulty(*arguments: object) -> Range:
        low, high = rule(*arguments)
        return low, max(low, high - 1)

    return faulty


def _plant_scale(patch: pytest.MonkeyPatch) -> None:
    faulty = _one_short(codegen.proof.interval.scale_range)
    patch.setattr(codegen.proof.dag, "scale_range", faulty)
    patch.setattr(codegen.proof.refine, "scale_range", faulty)


def _plant_product(patch: pytest.MonkeyPatch) -> None:
    faulty = _one_short(codegen.proof.interval.product_range)
    patch.setattr(codegen.proof.dag, "product_range", faulty)
    patch.setattr(codegen.proof.refine, "product_range", faulty)


def _plant_branch(patch: pytest.MonkeyPatch) -> None:
    right = Case._push

    def faulty(self: Case, node: Node, wanted: Range) -> None:
        right(self, node, (wanted[0], max(wanted[0], wanted[1] - 1)))

    patch.setattr(Case, "_push", faulty)


def _plant_residue(patch: pytest.MonkeyPatch) -> None:
    right = Dag.residue
    patch.setattr(Dag, "residue", lambda self, node, bits: node if bits == 32 else right(self, node, bits))


def _plant_shift(patch: pytest.MonkeyPatch) -> None:
    right = Dag.shift
    patch.setattr(Dag, "shift", lambda self, node, count: right(self, self.shifted(node, 1) if count > 8 else node, count))


@pytest.mark.parametrize(
    "plant",
    [_plant_scale, _plant_product, _plant_branch, _plant_residue, _plant_shift],
    ids=lambda plant: plant.__name__.removeprefix("_plant_"),
)
def test_a_fault_planted_in_the_prover_is_caught(plant, monkeypatch):
    plant(monkeypatch)

    assert check_functions(range(2400), stop_at_first=True).unsound
