"""A whole campaign over one controller: plant, judge, show equivalence, report; and the check that the judge itself can judge.

Takes an emission with its fixed graph, gives a ``DefectReport``.  Before any mutant counts, the unchanged text must pass every method
and every method must kill the texts that are wrong on purpose: a method that has gone blind is an error, not a verdict.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from codegen.contract import write_contract
from codegen.defects.catalogue import KINDS, PER_KIND, plant_defects
from codegen.defects.equivalence import Equivalence
from codegen.defects.exercises import prepare_exercises
from codegen.defects.judge import CompileMethod, Judged, Method, Progress, RunMethod, SmallIntMethod, judge_mutants
from codegen.defects.planting import Mutant
from codegen.defects.proofs import EQUALITY, SAFETY, ProofMethod
from codegen.defects.reading import Program
from codegen.defects.report import DefectReport, KindRow, survivor_of
from codegen.emit import Emission
from codegen.errors import CheckFailed
from codegen.host.shape import shape_of
from codegen.rules.ctext import literal
from codegen.rules.fixed import FixedGraph

Counts = NDArray[np.int64]
Proofs = Literal["all", "survivors", "none"]
EITHER = "either proof"


def standard_methods(
    emission: Emission, fixed: FixedGraph, *, traces: Sequence[Counts] = (), seed: int = 1
) -> tuple[Method, ...]:
    """Every method for an emitted controller that compiles or runs it.

    Args:
        emission: The unchanged controller.
        fixed: Its integers.
        traces: Recorded inputs of flights, (ticks, inputs) each.
        seed: Seed of all draws.
    """
    original = Mutant(0, 0, "unchanged", 0, "", "", emission.source, emission.header)
    run = RunMethod(shape_of(emission.name, fixed), prepare_exercises(fixed, seed=seed, traces=traces))
    return (CompileMethod(emission.name), run, SmallIntMethod(run, original))


def wrong_on_purpose(emission: Emission, fixed: FixedGraph) -> dict[str, Mutant]:
    """Texts that each method must kill, method by method: what a blind method lets through."""
    program = Program(emission.source, emission.header)
    ports = {f"outputs->{port.name}": port for port in shape_of(emission.name, fixed).outputs}
    stores = [store for store in program.step if store.target in ports]
    store = next((one for one in stores if ports[one.target].ctype != "bool"), stores[0])
    port, text = ports[store.target], program.text(store.expr)

    def shown(expression: str) -> Mutant:
        source = emission.source[: store.expr.start] + expression + emission.source[store.expr.end :]
        return Mutant(0, 0, "wrong on purpose", store.line, store.target, expression, source, emission.header)

    if port.ctype == "bool":
        off = shown(f"!{text}")
        overflow = shown(f"((INT32_C(2147483647) * (INT32_C(2) + ((int32_t){text} & 1))) >> 31) != 0")
        small = shown(f"({text} != (((1 << 14) + (1 << 14)) < 0))")
        beyond = None
    else:
        off = shown(f"({port.ctype})({text} ^ 1)")
        overflow = shown(f"({port.ctype})((INT32_C(2147483647) * (INT32_C(2) + ((int32_t){text} & 1))) >> 31)")
        small = shown(f"({port.ctype})({text} ^ (((1 << 14) + (1 << 14)) < 0))")
        ends = [end for end in (port.high + 1, port.low - 1) if port.type_low <= end <= port.type_high]
        beyond = shown(f"({port.ctype}){literal(ends[0], 32)}") if ends else None
    unreadable = replace(off, source=emission.source.replace(f"void {emission.name}_step(", f"void ({emission.name}_step(", 1))
    found = {"compiler": unreadable, "bits": off, "undefined behaviour": overflow, "16-bit int": small}
    found |= {SAFETY: overflow, EQUALITY: off}
    if beyond is not None:
        found |= {"output limits": beyond, "error bound": beyond}
    return found


def check_judge(emission: Emission, fixed: FixedGraph, methods: Sequence[Method]) -> None:
    """The unchanged text passes every method; every method kills what is wrong on purpose.

    Raises:
        CheckFailed: A method kills the unchanged text, or is blind.
    """
    original = Mutant(0, 0, "unchanged", 0, "", "", emission.source, emission.header)
    wrong = wrong_on_purpose(emission, fixed)
    for method in methods:
        known = [name for name in method.names if name in wrong]
        verdicts = method.judge([original, *(wrong[name] for name in known)])
        for name in method.names:
            if verdicts[0][name].killed:
                raise CheckFailed(f"the method {name!r} kills the unchanged text", emission.name, verdicts[0][name].why)
        for name, found in zip(known, verdicts[1:], strict=True):
            if not found[name].killed:
                raise CheckFailed(f"the method {name!r} is blind: it passes a text that is wrong on purpose", emission.name)


def run_campaign(
    emission: Emission,
    fixed: FixedGraph,
    *,
    traces: Sequence[Counts] = (),
    seed: int = 1,
    per_kind: int = PER_KIND,
    proofs: Proofs = "survivors",
    progress: Progress | None = None,
) -> DefectReport:
    """Plant, judge and report.

    Args:
        emission: The controller.
        fixed: Its integers.
        traces: Recorded inputs of flights, (ticks, inputs) each.
        seed: Seed of the sample and of all draws.
        per_kind: Places per kind.
        proofs: Which mutants the proofs judge; they take the most time, some seconds per mutant.
        progress: Called with the share done.

    Raises:
        CheckFailed: The judge cannot be trusted (see ``check_judge``), or the text is not of the emitted form.
        CompileError: There is no compiler.
    """
    begun = time.perf_counter()
    proof: tuple[Method, ...] = (ProofMethod(write_contract(fixed, emission)),) if proofs != "none" else ()
    methods = (*standard_methods(emission, fixed, traces=traces, seed=seed), *(proof if proofs == "all" else ()))
    late = proof if proofs == "survivors" else ()
    check_judge(emission, fixed, (*methods, *late))
    planting = plant_defects(emission.source, emission.header, fixed, per_kind=per_kind, seed=seed)
    judged = judge_mutants(planting.mutants, methods, late, progress)
    names = tuple(name for method in (*methods, *late) for name in method.names)
    equivalence = Equivalence(planting.original, fixed)
    same = {one.mutant.ident for one in judged if _is_same(one, equivalence)}
    rows = [_row(number, planting.sites, planting.absent, judged, same, names) for number in KINDS]
    survivors = [survivor_of(one) for one in judged if not one.killed and one.mutant.ident not in same]
    return DefectReport(emission.name, names, tuple(rows), tuple(survivors), time.perf_counter() - begun, seed)


def _is_same(judged: Judged, equivalence: Equivalence) -> bool:
    """Whether a mutant that no run tells from the original is shown to be the original: by its own nodes, or by both proofs.

    What the proofs alone refuse may still be the same controller: not proved is not different.
    """
    if any(verdict.killed for name, verdict in judged.verdicts.items() if name not in (SAFETY, EQUALITY)):
        return False
    return (EQUALITY in judged.verdicts and not judged.killed) or bool(equivalence.reason(judged.mutant))


def _row(
    number: int,
    sites: dict[int, int],
    absent: dict[int, str],
    judged: Sequence[Judged],
    same: set[str],
    names: Sequence[str],
) -> KindRow:
    own = [one for one in judged if one.mutant.kind == number]
    killed_by = {name: count for name in names if (count := sum(name in one.verdicts and one.verdicts[name].killed for one in own))}
    proved = sum(any(name in one.verdicts and one.verdicts[name].killed for name in (SAFETY, EQUALITY)) for one in own)
    killed_by |= {EITHER: proved} if proved else {}
    return KindRow(
        number,
        KINDS[number].title,
        sites.get(number, 0),
        len(own),
        killed_by,
        sum(one.killed and one.mutant.ident not in same for one in own),
        sum(one.mutant.ident in same for one in own),
        absent.get(number, ""),
    )
