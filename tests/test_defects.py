"""Planted defects: every kind that a controller can have is planted, and every method of judging can be seen to judge.

The kinds and what kills them are facts of the trade (common practice, no single source); where a kind has a published witness it is
named beside its check.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from codegen.contract import write_contract
from codegen.defects import KINDS, WORST_KINDS, DefectReport, Mutant, Planting, check_judge, plant_defects, run_campaign
from codegen.defects.campaign import standard_methods, wrong_on_purpose
from codegen.defects.equivalence import Equivalence
from codegen.defects.judge import ALIVE, CompileMethod, Judged, Method, RunMethod, Verdict, Verdicts, judge_mutants
from codegen.defects.reading import Call, Program, Ternary, constant, read_expression
from codegen.defects.small_int import cut_to_16_bits
from codegen.defects.symbols import Nodes
from codegen.emit import Emission, emit_controller
from codegen.errors import CheckFailed
from codegen.formats import choose_formats
from codegen.host.controller import HostController
from codegen.host.shape import shape_of
from codegen.plant import Scenario, StepFunction, fly
from codegen.proof import prove
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import read_target
from tests.defect_graphs import SMALL, realise
from tests.flown import ship_lantern

# Kinds that no C text of an emitted controller can have; the catalogue says why.
ELSEWHERE = {31, 46, 47, 48, 49, 60}


@cache
def small(name: str) -> tuple[Emission, FixedGraph]:
    graph, target = SMALL[name]
    return realise(graph(), target)


@cache
def lantern(name: str, target: str) -> tuple[Emission, FixedGraph, tuple[NDArray[np.int64], ...]]:
    """A lantern's text, integers, and the readings of two flights."""
    shipped = ship_lantern(name, target)
    fixed = choose_formats(find_ranges(shipped.graph), read_target(target))
    emission = emit_controller(fixed)
    traces = []
    kick = 0.2 * shipped.plant.body_inertia_kg_m2
    with HostController(emission, fixed) as host:
        for scenario in (
            Scenario(8.0, hold_s=0.3, arm_s=0.3, balance_offset_rad=0.03, gyro_bias_rad_s=0.01, record_counts=True),
            Scenario(8.0, seed=2, hold_s=0.3, arm_s=0.3, pokes=((3.0, kick), (6.0, -kick)), record_counts=True),
        ):
            counts = fly(shipped.plant, StepFunction(*host.flight_step()), scenario).counts
            assert counts is not None
            traces.append(counts[:, : len(host.inputs)].astype(np.int64))
    return emission, fixed, tuple(traces)


@cache
def methods_of(name: str) -> tuple[Method, ...]:
    if name == "lantern":
        emission, fixed, traces = lantern("calm", "atmega328p")
        return standard_methods(emission, fixed, traces=traces)
    return standard_methods(*small(name))


@cache
def planted_in(name: str) -> Planting:
    """One mutant of each kind."""
    emission, fixed = lantern("calm", "atmega328p")[:2] if name == "lantern" else small(name)
    return plant_defects(emission.source, emission.header, fixed, per_kind=1, seed=2)


@cache
def judged(name: str) -> tuple[Planting, tuple[Judged, ...]]:
    """Mutants of one controller, judged by compiling and running alone."""
    planting = planted_in(name)
    return planting, tuple(judge_mutants([planting.original, *planting.mutants], methods_of(name)))


def test_catalogue_is_complete_and_every_kind_has_a_place_or_a_reason() -> None:
    planted = set()
    for name in ("lantern", *SMALL):
        planting = planted_in(name)
        planted |= set(planting.sites)
        assert set(planting.sites) | set(planting.absent) == set(range(1, 63))
        assert all(planting.absent.values())

    assert sorted(KINDS) == list(range(1, 63))
    assert set(range(1, 63)) - planted == ELSEWHERE


@pytest.mark.parametrize("name", ["lantern", *SMALL])
def test_every_mutant_is_killed_or_shown_to_be_the_same_controller(name: str) -> None:
    planting, verdicts = judged(name)
    emission, fixed = lantern("calm", "atmega328p")[:2] if name == "lantern" else small(name)
    equivalence = Equivalence(planting.original, fixed)
    contract = write_contract(fixed, emission)

    alive = [one.mutant for one in verdicts[1:] if not one.killed]
    unknown = [mutant for mutant in alive if not equivalence.reason(mutant)]
    misses = [(m.ident, m.where, m.change) for m in unknown if not prove(m.source, m.header, contract).holds]

    assert misses == []
    assert not verdicts[0].killed


@pytest.mark.parametrize("name", ["lantern", *SMALL])
def test_nothing_that_a_run_kills_is_called_the_same_controller(name: str) -> None:
    # The check of the checker: intervals and nodes must never explain away what a run has seen.
    planting, verdicts = judged(name)
    fixed = lantern("calm", "atmega328p")[1] if name == "lantern" else small(name)[1]
    equivalence = Equivalence(planting.original, fixed)

    killed = [one.mutant for one in verdicts[1:] if one.killed]

    assert [mutant.ident for mutant in killed if equivalence.reason(mutant)] == []
    assert equivalence.reason(planting.original)


def test_promotion_defects_show_under_16_bit_int_only() -> None:
    # Operands of at most 16 bits are promoted to int (ISO/IEC 9899:1999, 6.3.1.1p2), which has 16 bits on the AVR.
    verdicts = [one for one in judged("lantern")[1] if one.mutant.kind in (1, 2)]

    assert len(verdicts) == 2
    assert [{name for name, verdict in one.verdicts.items() if verdict.killed} for one in verdicts] == [{"16-bit int"}] * 2


def test_product_of_unsigned_shorts_overflows_signed_int() -> None:
    # 65535 * 65535 as int: the textbook trap of integer promotion (ISO/IEC 9899:1999, 6.3.1.1p2 and 6.5p5).
    found = next(one for one in judged("lamp")[1] if one.mutant.kind == 3)

    assert found.verdicts["undefined behaviour"].killed
    assert "multiplication" in found.verdicts["undefined behaviour"].why


def test_encoder_difference_across_its_wrap() -> None:
    # 65530 -> 5 is 11 counts, not -65525.
    found = next(one for one in judged("turntable")[1] if one.mutant.kind == 34)

    assert found.mutant.where != "passed"
    assert found.verdicts["bits"].killed


def test_same_seed_same_mutants_and_the_sample_is_bounded() -> None:
    emission, fixed = small("vent")
    first, second = (plant_defects(emission.source, emission.header, fixed, per_kind=2, seed=5) for _ in range(2))

    assert first == second
    assert max(sum(m.kind == kind for m in first.mutants) for kind in KINDS) == 2
    assert len({m.source + m.header for m in first.mutants if m.kind == 9}) == 2


# --- the judge can fail ----------------------------------------------------------------------------------------------------


class Blind:
    """A method that passes everything."""

    names: tuple[str, ...] = ("bits",)

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        return [{"bits": ALIVE} for _ in mutants]


class Nervous(Blind):
    """A method that kills everything."""

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        return [{"bits": Verdict(True, "never sure")} for _ in mutants]


@pytest.mark.parametrize(("method", "said"), [(Blind(), "blind"), (Nervous(), "unchanged")])
def test_broken_method_is_noticed(method: Method, said: str) -> None:
    emission, fixed = small("vent")

    with pytest.raises(CheckFailed, match=said):
        check_judge(emission, fixed, [method])


@pytest.mark.parametrize("name", ["heater", "vent"])
def test_standard_methods_see(name: str) -> None:
    check_judge(*small(name), methods_of(name))


def test_wrong_right_answers_are_noticed() -> None:
    emission, fixed = small("vent")
    run = methods_of("vent")[1]
    assert isinstance(run, RunMethod)
    first = run.exercises[0]
    off = first.low + 1

    with pytest.raises(CheckFailed, match="unchanged"):
        check_judge(emission, fixed, [RunMethod(run.shape, [replace(first, low=off, high=off), *run.exercises[1:]])])


def test_crashing_mutant_takes_no_judge_with_it() -> None:
    emission, fixed = small("vent")
    original = Mutant(0, 0, "unchanged", 0, "", "", emission.source, emission.header)
    off = wrong_on_purpose(emission, fixed)["bits"]
    start = emission.source.index("outputs->vent_position")
    crash = replace(original, source=f"{emission.source[:start]}*(volatile int *)0 = 1;\n    {emission.source[start:]}")
    run = methods_of("vent")[1]

    verdicts = run.judge([original, crash, off, original])

    assert [found["bits"].killed for found in verdicts] == [False, True, True, False]
    assert "process" in verdicts[1]["bits"].why


def test_compiler_names_line_and_warning() -> None:
    emission, fixed = small("vent")
    store = next(s for s in Program(emission.source, emission.header).step if s.target == "outputs->vent_position")
    text = emission.source[: store.expr.start] + "outputs" + emission.source[store.expr.end :]
    original = Mutant(0, 0, "unchanged", 0, "", "", emission.source, emission.header)

    first, second = CompileMethod(emission.name).judge([original, replace(original, source=text)])

    assert not first["compiler"].killed
    assert second["compiler"].why.startswith(f"line {store.line}: ")
    assert shape_of(emission.name, fixed).outputs[0].name == "vent_position"


# --- the parts --------------------------------------------------------------------------------------------------------------


def test_expressions_are_read_with_the_precedence_of_c() -> None:
    text = "(int32_t)a * INT32_C(3) - b >> 2 < -INT32_C(5) ? x : f(y, (-INT32_C(7) - 1))"
    found = read_expression(text, 0, len(text))

    assert isinstance(found, Ternary)
    assert text[found.condition.start : found.condition.end] == "(int32_t)a * INT32_C(3) - b >> 2 < -INT32_C(5)"
    assert isinstance(found.if_false, Call)
    assert constant(found.if_false.arguments[1]) == -8


def test_16_bit_int_cuts_only_what_such_a_machine_cuts() -> None:
    source = "int16_t t_step(int16_t a, int32_t b)\n{\n    const int32_t c = a * 3 + b;\n    return (int16_t)(c >> 1);\n}\n"
    text, cut = cut_to_16_bits(Program(source, ""))

    assert cut == ("a * 3",)
    assert "(int16_t)(a * 3) + b" in text


def test_nodes_equal_and_unequal() -> None:
    nodes = Nodes()
    x = nodes.variable(0, -1000, 1000)
    four_then_four = nodes.shift_down(nodes.add((1, nodes.shift_down(nodes.add((1, x), (1, nodes.number(8))), 4)), (1, nodes.number(8))), 4)
    eight = nodes.shift_down(nodes.add((1, x), (1, nodes.number(128))), 8)

    # Dropping 8 bits at once maps 120 .. 127 to 0, dropping 4 and 4 maps them to 1.
    assert not nodes.equal(four_then_four, eight)
    assert nodes.equal(nodes.clamp(x, -1000, 2000), x)
    assert nodes.equal(nodes.divide(nodes.add((4, x)), 4), x)
    assert not nodes.equal(nodes.divide(x, 4), nodes.shift_down(x, 2))
    assert nodes.equal(nodes.convert(nodes.convert(x, 0, 65535), -32768, 32767), x)

    # An inner limit at which the outer one acts already is no limit.
    inner = [nodes.clamp(nodes.add((3, nodes.clamp(x, low, 50))), -90, 90) for low in (-50, -49, -29)]
    assert nodes.equal(inner[0], inner[1])
    assert not nodes.equal(inner[0], inner[2])


# --- campaigns ---------------------------------------------------------------------------------------------------------------


def hold(report: DefectReport) -> None:
    print(report.controller, report.tried, report.killed, report.equivalent, round(report.seconds, 1), report.survivors)
    assert report.rate(WORST_KINDS) == 1.0
    assert report.rate() >= 0.95
    assert report.tried == report.killed + report.equivalent + len(report.survivors)
    assert json.loads(json.dumps(report.evidence()))["tried"] == report.tried


CAMPAIGNS = [("calm", "atmega328p"), ("heavy", "cortex-m4"), ("lively", "cortex-m4")]
OTHER_CAMPAIGNS = [("heavy", "atmega328p"), ("lively", "atmega328p"), ("calm", "cortex-m4")]


@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    ("name", "target"),
    [
        *(pytest.param(*one, marks=pytest.mark.long) for one in CAMPAIGNS),
        *(pytest.param(*one, marks=pytest.mark.extended) for one in OTHER_CAMPAIGNS),
    ],
)
def test_campaign_on_a_lantern(name: str, target: str) -> None:
    """Every mutant dies in a run or, where no draw reached what it takes, in a proof; or its own nodes show that nothing changed."""
    emission, fixed, traces = lantern(name, target)
    report = run_campaign(emission, fixed, traces=traces, proofs="survivors")

    hold(report)
    assert report.survivors == ()


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", SMALL)
def test_campaign_on_a_small_controller(name: str) -> None:
    hold(run_campaign(*small(name)))


@pytest.mark.extended
@pytest.mark.timeout(1200)
def test_proofs_alone() -> None:
    emission, fixed, traces = lantern("calm", "atmega328p")
    report = run_campaign(emission, fixed, traces=traces, per_kind=3, proofs="all")

    hold(report)
    assert report.killed_by("either proof") >= 0.95 * (report.tried - report.equivalent)
    assert all(row.killed_by["either proof"] == row.generated - row.equivalent for row in report.kinds if row.number in (1, 2))
