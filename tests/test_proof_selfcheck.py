"""The checker is checked: random small C functions, run under a sanitizer, never do what the proof said they cannot.

Oracle outside the project: the C compiler's undefined-behaviour checks, and its arithmetic, on this machine (LP64 or a model with the
same integer widths).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
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
from codegen.proof.refine import Case, TableDag, fits
from codegen.proof.refusal import Refusal
from codegen.proof.verdict import Run, run_text
from tests.proof_functions import Sample, SampleLibrary, write_sample

BATCH = 120
POINTS = 90


@dataclass
class Tally:
    """What became of many functions."""

    proved: int = 0
    open: int = 0
    refused: int = 0
    ways: set[str] = field(default_factory=set)
    unsound: list[str] = field(default_factory=list)


def check_functions(seeds: Iterable[int], *, stop_at_first: bool = False) -> Tally:
    """Prove the functions of ``seeds`` and run those that are proved; who stops at the first expects faults and gets no divisions."""
    tally = Tally()
    batch: list[int] = []
    for seed in seeds:
        batch.append(seed)
        if len(batch) == BATCH:
            _check_batch(batch, tally, divisions=not stop_at_first)
            batch = []
            if stop_at_first and tally.unsound:
                return tally
    if batch:
        _check_batch(batch, tally, divisions=not stop_at_first)
    return tally


def _check_batch(seeds: list[int], tally: Tally, *, divisions: bool) -> None:
    proved: list[tuple[Sample, Run]] = []
    for seed in seeds:
        sample = write_sample(seed, divisions=divisions)
        dag = TableDag()
        try:
            program = read_program(sample.source, f"{sample.name}.c", sample.header, f"{sample.name}.h")
            run = run_text(program, read_contract(sample.contract), MODELS["LP64"], dag)
        except Refusal:
            # The generator now and then writes a constant that C does not have.
            tally.refused += 1
            continue
        ways = [fits(dag, one.node, (one.low, one.high), one.path) for one in run.obligations]
        if None in ways:
            tally.open += 1
            continue
        tally.ways.update(str(way) for way in ways)
        proved.append((sample, run))
    tally.proved += len(proved)
    if not proved:
        return
    library = SampleLibrary([sample for sample, _ in proved])
    try:
        for sample, run in proved:
            tally.unsound += _run(library, sample, run)
    finally:
        library.library.close()


def _run(library: SampleLibrary, sample: Sample, run: Run) -> list[str]:
    after = {name: node for name, node in run.after.items() if node is not None and not name.startswith("inputs.")}
    points = draw({name: (node.low, node.high) for name, node in run.start.items()}, POINTS, 7)
    rows, reports = library.run(sample, points)
    if reports:
        return [f"{sample.name}: proved, but {reports[0]}\n{sample.source}"]
    evaluator = Evaluator(after.values())
    boxes = {f"state.{name}": (low, high) for name, _, low, high in sample.state}
    for point, row in zip(points, rows, strict=True):
        values = evaluator.run(point)
        for name, node in after.items():
            if values[evaluator.place[node.ident]] != row[name]:
                return [f"{sample.name}: {name} is {row[name]} in C, {values[evaluator.place[node.ident]]} in the proof\n{sample.source}"]
            low, high = boxes.get(name, (node.low, node.high))
            if not low <= row[name] <= high:
                return [f"{sample.name}: {name} = {row[name]} leaves [{low}, {high}]\n{sample.source}"]
    return []


def test_functions_that_are_proved_never_overflow_when_they_run():
    tally = check_functions(range(1200))

    assert tally.unsound == []
    assert tally.proved > 400
    assert tally.open > 400
    assert tally.refused < 12
    assert {"interval", "interval with branch refinement"} <= tally.ways


@pytest.mark.extended
@pytest.mark.timeout(7200)
def test_a_hundred_thousand_functions():
    tally = check_functions(range(10_000, 110_000))

    assert tally.unsound == []
    assert tally.proved > 30_000
    assert tally.refused < 1_000
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
