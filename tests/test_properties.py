"""The suite of properties: what applies, what holds, what planted edits break, and how short the inputs are that show it."""

from pathlib import Path

import numpy as np
import pytest

from codegen.graph import Graph, GraphBuilder
from codegen.host.controller import CompiledController
from codegen.verify import PropertyCheck, Subject, check_properties
from codegen.verify.lasting import find_low_passes
from codegen.verify.parity import find_parities
from codegen.verify.properties import SUITE
from codegen.verify.shrink import shrink
from codegen.verify.timing import wrapped_inputs
from codegen.verify.trial import Failure, Run, Watched, c_test, failure_table
from tests.gated import Made, made_lantern, made_trolley, make, run_program

LAWS = {law.name: law for law in SUITE}


def check(subject: Subject, *names: str, seed: int = 1) -> PropertyCheck:
    return check_properties(subject, seed=seed, laws=[LAWS[name] for name in names] or SUITE)


def broken(made: Made, *changes: tuple[str, str], laws: tuple[str, ...] = ()) -> dict[str, Failure]:
    with made.subject(*changes) as subject:
        return {result.name: result.failure for result in check(subject, *laws).broken if result.failure is not None}


def test_every_property_holds_for_a_lantern() -> None:
    with made_lantern("calm").subject() as subject:
        result = check(subject)

    assert {part.name: part.failure for part in result.broken} == {}
    assert {part.name for part in result.results if part.why_not} == {"offset of counters", "live gains"}
    assert all(part.count > 1000 for part in result.results if part.tried)
    figures = {part.name: part.figures for part in result.results}
    assert figures["arming and trips"]["share of ticks armed"] > 0.05
    assert figures["gain of every path"]["paths felt"] >= 12


def test_every_property_holds_for_a_controller_with_counter_gain_and_integral() -> None:
    with made_trolley().subject() as subject:
        result = check(subject)

    assert {part.name: part.failure for part in result.broken} == {}
    assert {part.name: part.why_not for part in result.results if part.why_not} == {
        "arming and trips": "it has no input with role arm, or no outputs with roles armed and tripped",
        "oddness": "input odometer has no negative counts",
    }


@pytest.mark.parametrize(
    ("old", "new", "laws", "ticks"),
    [
        pytest.param("slow_count >= 39u", "slow_count >= 38u", ("exactness", "slow section"), 39, id="slow section a tick early"),
        pytest.param("INT32_C(286)", "INT32_C(287)", ("exactness",), 2, id="last bit of a gain"),
        pytest.param("armed ? command_wanted : 0", "command_wanted", ("exactness", "arming and trips"), 1, id="command while disarmed"),
        pytest.param(">> n;", ">> n << 0 >> 0;", (), 0, id="same meaning, other text"),
        pytest.param("return (x + (INT32_C(1) << (n - 1))) >> n;", "return x >> n;", ("exactness",), 1, id="floor, not half up"),
        pytest.param("    state->lean = 0;\n", "", ("start and isolation",), 1, id="member that init forgets"),
        pytest.param("(int16_t)drive_command", "(int8_t)drive_command", ("exactness", "gain of every path"), 1, id="narrow cast"),
        pytest.param(
            "state->tilt_last + (int32_t)inputs->gyro_rate",
            "state->tilt_last - (int32_t)inputs->gyro_rate",
            ("exactness", "gain of every path"),
            1,
            id="sign of a path",
        ),
        pytest.param("& !tripped;", "& (tripped | !tripped);", ("arming and trips",), 2, id="armed while tripped"),
        pytest.param(
            "-INT32_C(749469696), INT32_C(749469696)",
            "-INT32_C(700000000), INT32_C(749469696)",
            ("exactness", "oddness", "gain of every path"),
            1,
            id="one-sided clamp",
        ),
        pytest.param(
            "-INT32_C(512), INT32_C(512)",
            "-INT32_C(600), INT32_C(512)",
            ("exactness", "output limits", "gain of every path"),
            1,
            id="clamp that lets more through",
        ),
    ],
)
def test_planted_edit_of_a_lantern_is_found_by_its_property(old: str, new: str, laws: tuple[str, ...], ticks: int) -> None:
    found = broken(made_lantern("calm"), (old, new), laws=laws or ("exactness", "slow section", "oddness"))

    assert set(found) == set(laws)
    assert min((failure.ticks for failure in found.values()), default=0) == ticks


@pytest.mark.parametrize(
    ("old", "new", "law"),
    [
        pytest.param(
            "(a - b) & (half | (half - 1u))",
            "((a - b) & (half | (half - 1u))) + (b >> 15)",
            "offset of counters",
            id="counter that minds where it stands",
        ),
        pytest.param(
            "-INT32_C(2097152000), INT32_C(2097152000));",
            "-INT32_C(2110000000), INT32_C(2110000000));",
            "wind-up",
            id="integral without limits",
        ),
        pytest.param("INT32_C(2048), INT32_C(16384)", "INT32_C(2048), INT32_C(20000)", "live gains", id="setter that lets more through"),
        pytest.param("state->slow_count++", "state->slow_count = 1u", "slow section", id="count that does not count"),
        pytest.param(
            "(int32_t)smooth_apart_short * INT32_C(",
            "(int32_t)(smooth_apart_short / 64) * 64 * INT32_C(",
            "low-pass reach",
            id="dead zone",
        ),
        pytest.param("state->smooth_sum = 0;\n        state->slow", "state->slow", "slow section", id="sum that does not start anew"),
    ],
)
def test_planted_edit_of_a_trolley_is_found_by_its_property(old: str, new: str, law: str) -> None:
    found = broken(made_trolley(), (old, new), laws=(law,))

    assert set(found) == {law}


def test_shared_memory_is_found() -> None:
    """A file-scope variable behaves as long as there is one controller (defect of two instances)."""
    change = ("state->smooth_last + (int32_t)", "shared + (int32_t)")
    keep = ("    state->smooth_last = smooth;", "    state->smooth_last = smooth;\n    shared = smooth;")
    begin = ("    state->smooth_last = 0;", "    state->smooth_last = 0;\n    shared = 0;")
    place = ("void trolley_init", "static int32_t shared;\nvoid trolley_init")

    found = broken(made_trolley(), change, keep, begin, place, laws=("start and isolation",))

    assert found["start and isolation"].claim == "another controller that runs in turn changes nothing"


def test_undefined_behaviour_names_its_line() -> None:
    made = made_trolley()
    old = "const int16_t step_held"
    product = "const int32_t huge = (int32_t)inputs->wish * (int32_t)inputs->wish * 4;"
    change = (old, f"{product}\n    if (huge == 256) {{ state->mean = 0; }}\n    {old}")
    with made.subject(change) as subject:
        failure = check(subject, "defined behaviour").broken[0].failure
        assert failure is not None
        text = subject.sources["trolley.c"].splitlines()[failure.line - 1]
        program = c_test(failure, subject.shape, "trolley.c")

    assert "const int32_t huge" in text
    assert (failure.ticks, failure.undefined) == (1, "signed multiplication overflow")
    assert abs(int(failure.runs[0].inputs[0, 1])) == 23171  # the least x with 4 x^2 > 2^31 - 1
    assert "-fsanitize=undefined" in program


def test_failure_is_a_table_and_a_program_that_fails(tmp_path: Path) -> None:
    made = made_lantern("calm")
    change = ("slow_count >= 39u", "slow_count >= 38u")
    with made.subject(change) as subject:
        failure = check(subject, "slow section").broken[0].failure
        assert failure is not None
        headings, rows = failure_table(failure, subject.shape)
        program = c_test(failure, subject.shape, "lantern_calm.c")

    assert headings == (
        "tick",
        "gyro_rate",
        "accel_tangential",
        "accel_radial",
        "wheel_speed",
        "arm",
        "sensor_fresh",
        "state.slow_count: expected",
        "got",
    )
    assert rows == [("0-37", *"000000", "", "38"), ("38", *"000000", "39", "0")]
    assert run_program(tmp_path, made, program, change) == 1
    assert run_program(tmp_path, made, program) == 0


def test_program_starts_from_a_memory_and_runs_two_controllers(tmp_path: Path) -> None:
    made = made_lantern("calm")
    change = ("state->tilt_last + (int32_t)inputs->gyro_rate", "state->tilt_last - (int32_t)inputs->gyro_rate")
    found = broken(made, change, laws=("exactness", "gain of every path"))

    assert not found["gain of every path"].from_start
    assert len(found["gain of every path"].runs) == 2
    for failure in found.values():
        with made.subject() as subject:
            program = c_test(failure, subject.shape, "lantern_calm.c")
        assert run_program(tmp_path, made, program, change) == 1
        assert run_program(tmp_path, made, program) == 0


def test_without_time_everything_is_left_out_and_named() -> None:
    with made_trolley().subject() as subject:
        result = check_properties(subject, seconds=0.0)

    applying = tuple(part.name for part in result.results if not part.why_not)
    assert result.left_out == applying
    assert len(applying) == len(SUITE) - 2


def test_same_seed_same_failure() -> None:
    change = ("INT32_C(105)", "INT32_C(106)")

    first, second = (broken(made_trolley(), change, laws=("exactness",))["exactness"] for _ in range(2))

    assert first.summary() == second.summary()


# --- what is derived from kinds of nodes --------------------------------------------------------------------------------------


def one_sum(bias: float, limits: tuple[float, float], *, one_sided: bool = False) -> Graph:
    graph = GraphBuilder("odd", 0.01, 1, "Sum")
    with graph.section("sums"):
        left = graph.input("left", "int16_t", 0.001, "m")
        right = graph.input("right", "int16_t", 0.001, "m")
        total = graph.weighted_sum("total", [(0.3, left), (-0.7, right)], "m", bias=bias, limits=limits, resolution=0.01)
        if one_sided:
            beyond = graph.compare("beyond", [(1.0, left)], ">", 1.0)
            total = graph.select("chosen", beyond, total, total)
    graph.output("total", total, "int16_t")
    return graph.finish()


@pytest.mark.parametrize(
    ("graph", "odd"),
    [
        pytest.param(one_sum(0.0, (-5.0, 5.0)), 1, id="one rounding, one count"),
        pytest.param(one_sum(0.0, (-5.0, 4.0)), 101, id="limits that differ by a hundred counts"),
        pytest.param(one_sum(0.5, (-5.0, 5.0)), None, id="bias"),
        pytest.param(one_sum(0.0, (-5.0, 5.0), one_sided=True), None, id="chosen by a one-sided decision"),
    ],
)
def test_oddness_is_derived_from_the_graph(graph: Graph, odd: int | None) -> None:
    parities, _ = find_parities(make(graph, "cortex-m4", 3.0).fixed)

    assert parities["output total"].odd == odd


def test_low_pass_and_counter_are_found_in_the_graph() -> None:
    fixed = made_trolley().fixed

    (filter_,) = find_low_passes(fixed)
    assert (filter_.memory, filter_.target, filter_.idle) == ("smooth_last", "wish_held", frozenset())
    assert filter_.share == pytest.approx(1.0 - np.exp(-0.1))  # zero-order hold of a first-order lag, common practice
    assert wrapped_inputs(fixed) == {"odometer": 16}


# --- shrinking --------------------------------------------------------------------------------------------------------------


def test_shrink_finds_the_shortest_and_smallest_sequence() -> None:
    """Fails as soon as the first input has summed up to 100 and the second has been 7 or more: one tick, (100, 7), is enough."""

    def judge(runs: tuple[Run, ...]) -> Failure | None:
        inputs = runs[0].inputs
        reached = (np.cumsum(inputs[:, 0]) >= 100) & (np.maximum.accumulate(inputs[:, 1]) >= 7)
        if not reached.any():
            return None
        tick = int(np.argmax(reached))
        return Failure("sum", (Run(inputs[: tick + 1]),), (Watched("y"),), 0, 0, (1,) * (tick + 1))

    rng = np.random.default_rng(1)
    begin = judge((Run(rng.integers(-50, 200, (500, 3))),))
    assert begin is not None

    found = shrink(begin, judge)

    assert found.runs[0].inputs.tolist() == [[100, 7, 0]]


def test_optimisation_that_changes_the_trace_is_found() -> None:
    """A text that reads which optimisation compiled it stands for one that leans on undefined behaviour."""
    change = ("const int16_t lack =", "#ifdef __OPTIMIZE__\n    const int16_t lack = 1 +\n#else\n    const int16_t lack =\n#endif\n   ")

    failure = broken(made_trolley(), change, laws=("optimisation",))["optimisation"]

    assert failure.optimise == "-O1"
    assert failure.ticks == 1


def test_two_controllers_over_dirty_memory_agree_with_two_clean_ones() -> None:
    made = made_trolley()
    with made.subject() as subject:
        host: CompiledController = subject.host()
        inputs = subject.draw("held", np.random.default_rng(3), 50, 2)
        one, other = (np.ascontiguousarray(inputs[:, :, at]) for at in (0, 1))
        clean = host.pair(one, other)
        dirty = host.pair(one, other, dirt=0xA5, rounds=3)
        alone = host.run(host.start(2), inputs)

    assert np.array_equal(clean[0], dirty[0]) and np.array_equal(clean[1], dirty[1])
    assert np.array_equal(clean[1][:, : len(host.outputs)], alone.outputs[:, :, 1])
