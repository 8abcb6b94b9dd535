"""Cycle and stack bounds: never beaten by what is executed, close to the worst that a search finds, and exact in their arithmetic."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from codegen.emit import emit_controller
from codegen.errors import BoundError, CheckFailed, LoopwrightError
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.target.audit import HEADINGS, Budgets, audit, audit_rows
from codegen.target.bound import Analysis, TickBound, bound_tick
from codegen.target.build import Optimise, build_emission
from codegen.target.cycles import Prices, TracePrices, complete_trace, variants_of
from codegen.target.image import TargetImage
from codegen.target.lines import cycles_by_line, path_lines
from codegen.target.relation import OPPOSITE, assume, compare
from codegen.target.run import start_core
from codegen.target.seek import measure_ticks, seek_worst
from codegen.target.state import State
from codegen.target.values import Range
from codegen.targets import read_target
from tests.strategies import draw_inputs, graphs
from tests.target_tools import COUNTING, TARGETS, Counts, lantern_image, made, need_compiler, need_emulator, small_image

LANTERNS = ("calm", "heavy", "lively")
# Ticks of each image in the comparison of the AVR table with the simulator.
MILLION_TICKS = 400
TIGHT = 1.05
"""Bound over worst found, at most."""


def legal_memory(image: TargetImage, rng: np.random.Generator, rows: int) -> Counts:
    """Legal states, levels and edges mixed, (rows, members)."""
    columns = []
    for port in image.shape.memory:
        drawn = rng.integers(port.low, port.high, rows, endpoint=True)
        edge = rng.choice(np.array([port.low, port.high]), rows)
        columns.append(np.where(rng.random(rows) < 0.5, drawn, edge))
    return np.stack(columns, axis=1) if columns else np.zeros((rows, 0), dtype=np.int64)


def explored_pairs(image: TargetImage, most_ways: int) -> set[tuple[int, int]]:
    """Pairs of instructions of which the second may follow the first, -1 for the return of the step function."""
    analysis = Analysis(image)
    entry, prices = image.address_of(image.shape.step), Prices(image.target)
    needs = analysis.explorer.find_needs(entry, prices)
    pairs = set()
    for place, _, leaving in analysis.explorer.visit(entry, prices, (), most_ways, needs):
        for to, way in leaving:
            assert way.trail is not None
            addresses = [instruction.address for instruction in way.trail.block.instructions]
            assert addresses[0] == place.start
            pairs |= set(itertools.pairwise([*addresses, -1 if to is None else to.start]))
    return pairs


@dataclass(frozen=True)
class Proven:
    """What is proven of an image: its bound, and the pairs of instructions that can follow each other."""

    bound: TickBound
    pairs: set[tuple[int, int]]


def prove_image(image: TargetImage, most_ways: int = 8) -> Proven:
    return Proven(bound_tick(image, most_ways=most_ways), explored_pairs(image, most_ways))


def check_ticks(image: TargetImage, inputs: Counts, memory: Counts | None, claims: Proven) -> Counter[str]:
    """Execute ticks: each takes an explored way at a cost between the least and the bound, and the AVR table prices as the simulator."""
    bound, pairs = claims.bound, claims.pairs
    prices, decoder = Prices(image.target), Analysis(image).decoder
    quick = TracePrices(prices, decoder)
    every = image.shape.slow_every
    done: Counter[str] = Counter()
    names = [port.name for port in image.shape.memory]
    with closing(start_core(image)) as core:
        core.start()
        for tick, reading in enumerate(inputs):
            if memory is not None:
                core.inject(memory[tick])
            before = core.memory()
            slow = every > 1 and int(before[names.index("slow_count")]) == every - 1
            trace = core.trace(reading)
            whole = [instruction.address for instruction in complete_trace(decoder, trace.places.tolist())]
            assert set(itertools.pairwise([*whole, -1])) <= pairs
            priced = [cycles for _, cycles in prices.priced(decoder, whole)]
            if trace.cycles is not None:
                assert priced == trace.cycles.tolist()
            cycles = sum(priced)
            assert cycles == quick.cycles(trace.places)
            proven = bound.worst if every == 1 else bound.slow if slow else bound.ordinary
            assert bound.fewest_cycles <= cycles <= proven.cycles <= bound.worst.cycles
            done["instructions"] += len(whole)
            done["slow" if slow else "ordinary"] += 1
    assert core.run(inputs[:1]).stack_bytes <= bound.stack_bytes if image.target.chip.emulator == "unicorn" else True
    return done


@pytest.mark.parametrize("target", TARGETS)
def test_lantern_never_beats_its_bound(target: str) -> None:
    need_emulator(target)
    image = lantern_image("calm", target)
    rng = np.random.default_rng(3)
    trace = made("calm", target).traces[0][:42]
    claims = prove_image(image)
    done = check_ticks(image, trace, None, claims)
    done += check_ticks(image, rng.permutation(trace), legal_memory(image, rng, len(trace)), claims)

    assert done["instructions"] > 100 * 84
    assert done["slow"] > 0 < done["ordinary"]


@pytest.mark.parametrize("target", TARGETS)
def test_bound_of_the_calm_lantern_is_close_to_what_a_search_finds(target: str) -> None:
    need_emulator(target)
    image = lantern_image("calm", target, None, "-Os")
    report = audit(image, 16e6, tries=4000)
    bound = report.bound

    assert report.measured_slow is not None and report.measured_ordinary is not None
    assert 1.0 <= bound.slow.cycles / report.measured_slow <= TIGHT
    assert 1.0 <= bound.ordinary.cycles / report.measured_ordinary <= TIGHT
    assert bound.fewest_cycles < bound.ordinary.cycles < bound.slow.cycles == bound.worst.cycles


@pytest.mark.parametrize("target", TARGETS)
def test_stack_bound_covers_the_stack_in_use(target: str) -> None:
    need_emulator(target)
    image = lantern_image("calm", target)
    bound = bound_tick(image, most_ways=1)
    with closing(start_core(image)) as core:
        core.start()
        used = core.run(made("calm", target).traces[0][:200]).stack_bytes

    assert used <= bound.stack_bytes <= used + 16


def test_more_ways_kept_apart_never_raise_a_bound() -> None:
    image = lantern_image("calm", "atmega328p")
    bounds = [bound_tick(image, most_ways=ways).worst.cycles for ways in (1, 4, 16)]

    assert bounds == sorted(bounds, reverse=True)
    assert bounds[-1] < bounds[0]


def test_worst_path_is_shown_as_lines_of_the_c_text() -> None:
    for target in ("cortex-m0plus", "atmega328p"):
        image = lantern_image("calm", target)
        emission = made("calm", target).emission
        sources = {f"{emission.name}.c": emission.source}
        worst = bound_tick(image, most_ways=4).worst
        lines = path_lines(worst, image.elf, sources)
        text = emission.source.splitlines()

        assert sum(line.cycles for line in lines) == worst.cycles == sum(line.cycles for line in cycles_by_line(lines))
        assert sum(line.instructions for line in lines) == len(worst.steps)
        assert all(text[line.line - 1].strip() == line.text for line in lines)
        assert any("command_wanted" in line.text or "round_shift" in line.text or ">> n" in line.text for line in lines)


def test_slow_multiplier_is_a_variant() -> None:
    image = lantern_image("calm", "cortex-m0plus")
    variants = variants_of(image.target)

    assert variants == ("small multiplier",)
    plain, small = bound_tick(image, most_ways=4), bound_tick(image, variants[0], 4)
    assert small.worst.cycles > plain.worst.cycles + 3 * 31
    with pytest.raises(BoundError, match='knows no variant "big multiplier"') as caught:
        bound_tick(image, "big multiplier")
    assert "small multiplier" in caught.value.remedy


def test_missing_price_is_refused() -> None:
    image = small_image("cortex-m3", COUNTING)
    rows = tuple(fact for fact in image.target.cycles if "SMULL" not in fact.instruction and "SMLAL" not in fact.instruction)
    with pytest.raises(BoundError, match="has no row for SM") as caught:
        bound_tick(replace(image, target=replace(image.target, cycles=rows)))
    assert "small.c" in caught.value.where
    assert "targets/cortex-m3.toml" in caught.value.remedy


def test_floating_point_waits_for_the_result_before() -> None:
    """Arm, Cortex-M4 Technical Reference Manual, DDI 0439: one cycle more where the next instruction uses the result (from memory)."""

    def cycles(*instructions: str) -> int:
        block = "\\n\\t".join(instructions)
        clobbered = ", ".join(f'"s{number}"' for number in range(5))
        step = f'    __asm__ volatile("{block}" ::: {clobbered}, "cc");\n    (void)state;\n    (void)inputs;\n    (void)outputs;'
        return bound_tick(small_image("cortex-m4f", step, kind="gcc")).worst.cycles

    product = "vmul.f32 s0, s1, s2"
    assert cycles(product, "vadd.f32 s3, s0, s4") == cycles(product, "vadd.f32 s3, s1, s4") + 1
    assert cycles(product, "vcmpe.f32 s0, s4") == cycles(product, "vcmpe.f32 s1, s4") + 1
    # Status read at once; a result that nobody needs yet.
    assert cycles("vcmpe.f32 s0, s4", "vmrs apsr_nzcv, fpscr") == cycles("vcmpe.f32 s0, s4", "nop") + 1
    assert cycles("vcmpe.f32 s0, s4", product) == cycles("vcmpe.f32 s1, s4", "vmul.f32 s3, s1, s2")


def test_wait_states_are_refused() -> None:
    image = small_image("cortex-m3", COUNTING)
    chip = replace(image.target.chip, wait_states=2)
    with pytest.raises(BoundError, match="2 flash wait states"):
        bound_tick(replace(image, target=replace(image.target, chip=chip)))


def test_audit_names_broken_budgets_and_recomputes_margins() -> None:
    image = lantern_image("calm", "cortex-m0plus")
    report = audit(
        image,
        48e6,
        Budgets(max_share=0.001, max_stack_bytes=10**6, max_flash_bytes=64),
        tries=0,
        sensor_latency_s=1e-3,
        designed_latency_s=1.3e-3,
        margins_at=lambda latency: {"delay": 0.004 - latency},
    )

    assert [broken.what for broken in report.broken] == ["max_share", "max_flash_bytes"]
    assert not report.holds
    assert "max_share allows 0.1%" in report.broken[0].message()
    assert "bytes of flash, max_flash_bytes allows 64" in report.broken[1].message()
    assert report.latency_s == pytest.approx(1e-3 + report.bound.worst.cycles / 48e6)
    assert report.latency_s is not None
    assert report.margins["delay"] == pytest.approx((0.0027, 0.004 - report.latency_s))
    (row,) = audit_rows([report])
    assert len(row) == len(HEADINGS)
    assert row[3] == "-" and row[-1] == "max_share, max_flash_bytes"
    assert audit(image, 48e6, Budgets(max_share=0.5), tries=0).holds


def test_audit_refuses_a_bound_that_is_beaten(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a cycle table that is too cheap for the simulator's count, the audit says so."""
    need_emulator("atmega328p")
    image = small_image("atmega328p", COUNTING)
    facts = tuple(replace(fact, fewest=0, most=0) if "RET" in fact.instruction else fact for fact in image.target.cycles)
    with pytest.raises(CheckFailed, match="more than its bound"):
        audit(replace(image, target=replace(image.target, cycles=facts)), 16e6, tries=50)


def _fails(test: Callable[[int, int], bool], first: int, second: int) -> bool:
    return not test(first, second)


def test_relations_are_decided_and_taken_in_as_on_every_pair_of_numbers() -> None:
    """Exhaustive over all ranges of 4-bit words."""
    bits, words = 4, range(16)
    signed = {word: word - 16 if word >= 8 else word for word in words}
    holds: dict[str, Callable[[int, int], bool]] = {
        "eq": lambda a, b: a == b,
        "ltu": lambda a, b: a < b,
        "leu": lambda a, b: a <= b,
        "lt": lambda a, b: signed[a] < signed[b],
        "le": lambda a, b: signed[a] <= signed[b],
    }
    holds |= {OPPOSITE[name]: partial(_fails, test) for name, test in list(holds.items())}
    ranges = [Range(low, high) for low in words for high in range(low, 16)]
    for (relation, test), first, second in itertools.product(holds.items(), ranges, ranges[::3]):
        pairs = [(a, b) for a in range(first.low, first.high + 1) for b in range(second.low, second.high + 1)]
        kept = [pair for pair in pairs if test(*pair)]
        decided = compare(relation, first, second, bits)
        assert decided is None or (decided == (len(kept) == len(pairs)) and len(kept) in (0, len(pairs)))
        state = State([word._replace(name=name) if word.low < word.high else word for name, word in enumerate((first, second), 1)])
        possible = assume(state, relation, state.registers[0], state.registers[1], bits)
        assert possible or not kept
        left, right = state.registers
        assert isinstance(left, Range) and isinstance(right, Range)
        assert not possible or all(left.low <= a <= left.high and right.low <= b <= right.high for a, b in kept)


def campaign(target: str, programs: int) -> Counter[str]:
    """Random programs of the emitter's idioms, compiled, explored and executed."""
    done: Counter[str] = Counter()

    @settings(
        max_examples=programs,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(graphs(), st.integers(0, 2**32 - 1))
    def check(builder: GraphBuilder, seed: int) -> None:
        try:
            fixed = choose_formats(find_ranges(builder.finish()), read_target(target), 1e4)
        except LoopwrightError:
            done["refused"] += 1
            return
        done.update(check_program(fixed, target, seed, ("-O2", "-Os")[done["programs"] % 2]))
        done["programs"] += 1

    check()
    return done


IDIOM = re.compile(r"\b(\w+_(?:8|16|32|64))\(|^ +(if) \((?!state->slow_count)", re.MULTILINE)
"""Runtime helpers and branches of the emitter."""


def idioms(source: str) -> Counter[str]:
    """How often each idiom stands in the functions of a controller."""
    return Counter(f"idiom {helper or branch}" for helper, branch in IDIOM.findall(source[source.index("_step(") :]))


def check_program(fixed: FixedGraph, target: str, seed: int, optimise: Optimise) -> Counter[str]:
    """One program: bound never beaten, on inputs from the start state and on legal states."""
    emission = emit_controller(fixed)
    image = build_emission(emission, fixed, read_target(target), optimise=optimise)
    rng = np.random.default_rng(seed)
    claims = prove_image(image)
    done = idioms(emission.source) + check_ticks(image, draw_inputs(fixed, rng, 8, 1)[:, :, 0], None, claims)
    return done + check_ticks(image, draw_inputs(fixed, rng, 12, 1)[:, :, 0], legal_memory(image, rng, 12), claims)


@pytest.mark.parametrize("target", TARGETS)
def test_random_programs_never_beat_their_bounds(target: str) -> None:
    need_compiler(target)
    need_emulator(target)
    done = campaign(target, 8)

    assert done["programs"] >= 2


@pytest.mark.extended
@pytest.mark.timeout(4 * 3600)
@pytest.mark.parametrize("target", TARGETS)
def test_a_thousand_random_programs_never_beat_their_bounds(target: str) -> None:
    need_compiler(target)
    need_emulator(target)
    # Up to a fifth of the graphs are refused before there is a program.
    done = campaign(target, 1300)
    print(target, dict(done))

    assert done["programs"] >= 1000
    # What the lanterns are made of was in the programs.
    assert {one for name in LANTERNS for one in idioms(made(name, target).emission.source)} <= done.keys()


@pytest.mark.long
def test_avr_table_agrees_with_the_simulator_on_a_million_instructions() -> None:
    """Outside check: simavr counts the cycles of each executed instruction; the table prices it the same."""
    need_emulator("atmega328p")
    executed, names = 0, set()
    for name, optimise in itertools.product(LANTERNS, ("-O2", "-Os")):
        image = lantern_image(name, "atmega328p", None, optimise)
        rng = np.random.default_rng(11)
        trace = made(name, "atmega328p").traces[0]
        prices, decoder = Prices(image.target), Analysis(image).decoder
        seen: set[tuple[int, int, int]] = set()
        with closing(start_core(image)) as core:
            core.start()
            memory = legal_memory(image, rng, MILLION_TICKS)
            for tick, reading in enumerate(trace[rng.integers(0, len(trace), MILLION_TICKS)]):
                if tick % 2:
                    core.inject(memory[tick])
                done = core.trace(reading)
                assert done.cycles is not None
                executed += len(done.places)
                # What an instruction takes depends on where it leads alone.
                following = np.append(done.places[1:], -1)
                rows, counts = np.unique(np.stack([done.places, following, done.cycles], axis=1), axis=0, return_counts=True)
                assert counts.sum() == len(done.places)
                seen |= set(map(tuple, rows.tolist()))
        for place, after, cycles in seen:
            instruction = decoder.decode(place)
            names.add(instruction.name)
            assert prices.price(instruction, taken=after != instruction.end) == cycles, (instruction.text, after)
    assert executed > 1_000_000
    assert len(names) > 30


@pytest.mark.extended
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("name", LANTERNS)
def test_longer_search_comes_closer(name: str, target: str) -> None:
    need_emulator(target)
    image = lantern_image(name, target)
    bound: TickBound = bound_tick(image)
    sought = seek_worst(image, slow=True, tries=20_000)
    print(name, target, bound.slow.cycles, sought.cycles, bound.slow.cycles / sought.cycles)

    assert sought.cycles <= bound.slow.cycles <= TIGHT * sought.cycles
    assert int(measure_ticks(image, sought.inputs[None, :], memory=sought.memory[None, :])[0]) == sought.cycles
