"""What is found on the emulated target: the same bits, a firmware that flies, and a plain word where a tool is missing."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from codegen.build import Build
from codegen.ci.finding import Place, findings_of
from codegen.errors import TargetError
from codegen.evidence import evidence_text, gather_evidence
from codegen.host.shape import shape_of
from codegen.pipeline.on_target import TRIES, check_on_target, choose_clock, read_budgets
from codegen.report import write_report
from codegen.shipment import Clock, Shipment, TargetResult
from codegen.target.audit import Broken, Budgets
from codegen.targets import read_target
from tests.defect_graphs import realise, vent
from tests.pages import Page
from tests.shipped_folder import barely_checked
from tests.target_tools import lantern, made, need_compiler, need_emulator

CLOCK = Clock(64e6)


def flown(target: str, old: str = "", new: str = "") -> TargetResult:
    """The calm lantern on a target, one text replaced."""
    need_compiler(target)
    need_emulator(target)
    part = made("calm", target)
    assert not old or part.emission.source.count(old) == 1
    emission = replace(part.emission, source=part.emission.source.replace(old, new)) if old else part.emission
    return check_on_target(emission, part.fixed, read_target(target), CLOCK, part.designed, part.traces, 1)


def vent_on(target: str, clock: Clock = CLOCK) -> TargetResult:
    emission, fixed = realise(vent(), target)
    return check_on_target(emission, fixed, read_target(target), clock, None, (), 1)


@pytest.fixture(scope="module")
def calm() -> TargetResult:
    return flown("cortex-m0plus")


@pytest.fixture(scope="module")
def build() -> Build:
    return lantern("calm").build


def test_lantern_costs_computes_and_flies(calm: TargetResult) -> None:
    assert calm.failures == () and calm.missing == () and calm.faults == ()
    assert calm.costs is not None and calm.replay is not None and calm.flight is not None
    assert calm.costs.measured_slow is not None
    assert calm.costs.measured_slow <= calm.costs.bound.slow.cycles
    assert calm.replay.ticks >= 20_000 and calm.replay.mismatches == 0
    assert calm.flight.stands and calm.flight.differing == calm.flight.lost_ticks == 0
    assert (calm.flight.ticks, calm.flight.pokes) == (4000, 1)
    assert sum(line.cycles for line in calm.lines) == calm.costs.bound.worst.cycles
    assert calm.costs.latency_s == pytest.approx(1e-3 + calm.costs.bound.worst.cycles / 64e6)


def test_a_core_that_computes_otherwise_is_found() -> None:
    """The text asks which core it is on; on the target the command is one count off."""
    store = "outputs->drive_command = (int16_t)drive_command;"
    odd = flown("cortex-m0plus", store, store + "\n#ifdef __arm__\n    outputs->drive_command ^= 1;\n#endif")

    assert odd.replay is not None and odd.flight is not None
    assert odd.replay.mismatches > 1000 and odd.flight.differing > 1000
    assert "values on the emulated core are not the host's, first in drive_command at tick 0:" in odd.replay_failures[0]
    assert any("values of the firmware's flight are not the host's" in text for text in odd.flight_failures)
    assert odd.cost_failures == ()


def test_a_loop_without_a_bound_is_a_failure() -> None:
    entry = "    const int32_t wheel_speed_held ="
    endless = "    for (volatile int16_t n = inputs->wheel_speed; n > 0; n--) {\n    }\n" + entry
    text = flown("cortex-m0plus", entry, endless)

    assert text.costs is None
    assert text.faults[0][1].startswith("no bound of cycles and stack: lantern_calm.c:")
    assert text.failures[0].startswith("cortex-m0plus: no bound of cycles and stack")


def test_a_text_that_the_cross_compiler_refuses_is_a_failure() -> None:
    store = "outputs->tripped = tripped;"
    refused = flown("cortex-m0plus", store, "#ifdef __arm__\n    int unused;\n#endif\n    " + store)

    assert refused.costs is None and refused.replay is None
    assert refused.faults[0][1].startswith("the C does not build: ")


def test_a_broken_budget_is_a_failure(calm: TargetResult, build: Build) -> None:
    part = made("calm", "cortex-m0plus")
    quantity = type(build.loop.latency_us)
    strict = replace(build, target=replace(build.target, max_stack_bytes=quantity.exact(8.0), max_share=quantity.exact(0.9)))
    designed = replace(part.designed, build=strict)
    found = check_on_target(part.emission, part.fixed, read_target("cortex-m0plus"), CLOCK, designed, (), 1)

    assert read_budgets(strict) == Budgets(0.9, 8, None)
    assert found.costs is not None
    assert found.cost_failures == (f"cortex-m0plus: {found.costs.bound.stack_bytes} bytes of stack, max_stack_bytes allows 8",)


def test_without_a_compiler_it_is_said_and_nothing_fails(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    found = vent_on("atmega328p")

    assert found.failures == ()
    assert (found.costs, found.replay, found.flight, found.tries) == (None, None, None, 0)
    assert found.missing[0].startswith("not compiled for atmega328p: there is no program avr-gcc")
    assert found.missing[0].endswith("; install avr-gcc")


def test_without_an_emulator_the_bound_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "unicorn", None)
    found = vent_on("cortex-m0plus")

    assert found.failures == ()
    assert found.costs is not None and found.costs.measured_slow is None and found.replay is None
    missing, built = found.missing
    assert built == "the firmware was built, but not flown: there is no machine"
    assert missing.startswith("nothing was executed on an emulated cortex-m0plus: the emulator is missing: no Python package unicorn")
    assert missing.endswith("; `pip install unicorn`")


def test_a_graph_without_a_clock_is_replayed_but_has_no_firmware() -> None:
    need_emulator("cortex-m3")
    found = vent_on("cortex-m3", choose_clock(read_target("cortex-m3"), None, {}))

    assert found.replay is not None and found.replay.mismatches == 0
    assert found.costs is not None and found.costs.share is None
    assert found.missing == ("no firmware: its timer needs a clock",)


def test_clocks(build: Build) -> None:
    avr, own, other = (read_target(name) for name in ("atmega328p", "cortex-m4", "cortex-m3"))

    assert choose_clock(own, build, {}) == Clock(64e6)
    assert choose_clock(own, build, {"cortex-m4": 48e6}) == Clock(48e6)
    assert choose_clock(other, build, {"cortex-m4": 48e6}).hz == 64e6
    assert "which names it for cortex-m4" in choose_clock(other, build, {}).note
    assert choose_clock(avr, build, {}).hz == 20e6
    assert "held to the most that atmega328p allows" in choose_clock(avr, build, {}).note
    assert choose_clock(avr, build, {"atmega328p": 16e6}) == Clock(16e6)
    assert choose_clock(own, None, {}).hz is None
    with pytest.raises(TargetError, match="is more than 20000000 Hz"):
        choose_clock(avr, None, {"atmega328p": 21e6})


@pytest.fixture(scope="module")
def shipment(calm: TargetResult) -> Shipment:
    designed = lantern("calm")
    bare = barely_checked(designed.graph(), "cortex-m0plus", designed, 64e6)
    return replace(bare, checks=replace(bare.checks, target=calm))


def test_evidence_holds_every_figure(shipment: Shipment, calm: TargetResult) -> None:
    document = gather_evidence(shipment, {})
    evidence_text(document)
    (entry,) = document["targets"]
    costs = calm.costs
    assert costs is not None
    assert (entry["cycle_bound"], entry["measured_worst_tick"]) == (costs.bound.worst.cycles, costs.measured_slow)
    assert (entry["stack_bytes"], entry["flash_bytes"], entry["ram_bytes"]) == (costs.bound.stack_bytes, costs.flash_bytes, costs.ram_bytes)
    assert entry["share_of_period"] == pytest.approx(costs.bound.worst.cycles / 64e3)
    assert entry["search"] == {"ticks_per_kind": TRIES, "seed": 1}
    assert entry["replay"]["mismatches"] == 0 and entry["replay"]["ticks"] >= 20_000
    assert entry["firmware"]["stands"] is True and entry["firmware"]["differing_from_host"] == 0
    assert entry["notes"] == []
    assert document["times"]["emulated target"] > 0.0


def test_findings_for_ci(shipment: Shipment, calm: TargetResult, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    part = shipment.realisation
    shape, place = shape_of(part.emission.name, part.fixed), Place("lantern_calm.c", part.emission.source)

    def findings(result: TargetResult) -> dict[str, tuple[str, str]]:
        found = findings_of(replace(shipment.checks, target=result), shape, "lantern_calm.c", place)
        return {one.name: (one.status, one.message) for one in found if "target" in one.name or "loop" in one.name}

    names = ("emulated target: same bits", "emulated target: cost", "firmware in the loop")
    assert findings(calm) == dict.fromkeys(names, ("holds", ""))
    assert calm.flight is not None and calm.replay is not None
    flight, replay = replace(calm.flight, stands=False, lost_ticks=2), replace(calm.replay, mismatches=7)
    wrong = replace(calm, flight=flight, replay=replay, faults=(("cost", "no"),))
    assert [status for status, _ in findings(wrong).values()] == ["broken"] * 3
    assert "the firmware came too late for 2 ticks" in findings(wrong)["firmware in the loop"][1]
    assert len(wrong.failures) == 4
    alone = replace(calm, flight=None, missing=("no firmware: its timer needs a clock",))
    assert findings(alone)["firmware in the loop"] == ("not applicable", "no firmware: its timer needs a clock")
    monkeypatch.setenv("PATH", str(tmp_path))
    assert {status for status, _ in findings(vent_on("atmega328p")).values()} == {"left out"}
    assert all("install avr-gcc" in message for _, message in findings(vent_on("atmega328p")).values())


def test_evidence_of_what_is_missing_is_null_with_a_note(shipment: Shipment, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    without = replace(shipment, checks=replace(shipment.checks, target=vent_on("atmega328p")))
    document = gather_evidence(without, {})
    evidence_text(document)
    (entry,) = document["targets"]
    for key in ("cycle_bound", "measured_worst_tick", "stack_bytes", "flash_bytes", "ram_bytes", "share_of_period", "replay", "firmware"):
        assert entry[key] is None
    assert any("install avr-gcc" in note for note in entry["notes"])
    page = Page(write_report(without))
    assert "install avr-gcc." in page.text
    assert "target-ticks" not in page.tables
    assert "Nothing here ran on the microcontroller, real or emulated" in page.text


def test_report_shows_the_target(shipment: Shipment, calm: TargetResult) -> None:
    page = Page(write_report(shipment))
    costs = calm.costs
    assert costs is not None
    ticks = page.tables["target-ticks"]
    assert ticks.names == ["ordinary tick", "tick that runs the outer loop, every 40th"]
    assert [row[1] for row in ticks.rows] == [str(costs.bound.ordinary.cycles), str(costs.bound.slow.cycles)]
    assert [row[2] for row in ticks.rows] == [str(costs.measured_ordinary), str(costs.measured_slow)]
    assert page.tables["target-memory"].names == ["stack", "flash", "RAM"]
    assert page.tables["target-memory"].headings == ["memory", "bytes", "of what the chip has"]
    assert page.tables["target-margins"].names == list(costs.margins)
    assert "lantern_calm.c:" in page.tables["target-lines"].names[0]
    assert {"target-shares", "target-latency"} <= set(page.pictures)
    for said in ("No silicon has run this C", "Flash wait states: none", "DDI 0484C", "the machine stands", "firmware/cortex-m0plus/"):
        assert said in page.text
    assert not any(text.startswith("Nothing here ran") for text in page.words)


def test_report_shows_budgets_and_broken_ones(shipment: Shipment, calm: TargetResult) -> None:
    build, costs = shipment.build, calm.costs
    assert build is not None and costs is not None
    quantity = type(build.loop.latency_us)
    strict = replace(build, target=replace(build.target, max_stack_bytes=quantity.exact(8.0), max_share=quantity.exact(0.001)))
    share = costs.share_of(costs.bound.worst.cycles)
    assert share is not None
    both = (Broken("max_share", 0.001, share), Broken("max_stack_bytes", 8.0, float(costs.bound.stack_bytes)))
    measured = replace(costs, broken=both)
    broken = replace(shipment, build=strict, checks=replace(shipment.checks, target=replace(calm, costs=measured)))
    page = Page(write_report(broken))

    memory = page.tables["target-memory"]
    assert memory.headings[-2:] == ["budget of the build file", "holds"]
    assert [row[-1].split()[-1] for row in memory.rows] == ["NO", "yes", "yes"]
    assert "bytes of stack, max_stack_bytes allows 8" in page.text
    assert "max_share" in page.text and "Does not hold" in page.text
