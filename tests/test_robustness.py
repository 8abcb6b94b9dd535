"""Fleets: how machines are drawn, that the flights are those of the emitted C, what is counted and what is said to matter."""

from __future__ import annotations

import functools
import importlib
import json
import math
import multiprocessing
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import spearmanr, truncnorm

from codegen.build import Quantity, build_text, parse_build, read_build
from codegen.cli import main
from codegen.design import design_controller
from codegen.errors import LoopwrightError
from codegen.flight import set_terms
from codegen.host.controller import HostController
from codegen.host.shape import shape_of
from codegen.pipeline.realise import Designed, realise
from codegen.plant import StepFunction, fly, model_plant
from codegen.robustness import (
    FleetOrder,
    Knowledge,
    Uncertain,
    cluster_executor,
    draw_machine,
    find_influences,
    fly_order,
    judge_fleet,
    list_uncertain,
)
from codegen.robustness.draw import is_possible
from codegen.robustness.fleet import flight_times, fly_alone
from codegen.robustness.verdict import share_of
from codegen.shipment import Realisation
from codegen.targets import read_target

EXAMPLES = Path(__file__).parent / "examples"
LANTERNS = ("calm", "heavy", "lively")


@functools.cache
def prepared(name: str) -> tuple[FleetOrder, Realisation]:
    """Order and emitted controller of a lantern."""
    build = read_build(EXAMPLES / f"lantern_{name}.toml")
    plant = model_plant(build)
    design = design_controller(build, plant)
    part = realise(Designed(build, plant, design).graph(), read_target(build.target.mcu), build.target.error_budget_counts.value)
    terms = set_terms(build, design)
    settling_s, between_s = flight_times(terms)
    order = FleetOrder(
        build,
        list_uncertain(build),
        1,
        shape_of(part.emission.name, part.fixed),
        part.emission.header,
        part.emission.source,
        0.4 * terms.poke_n_m_s,
        settling_s,
        between_s,
    )
    return order, part


# Draws


def test_a_machine_is_the_same_whatever_else_is_drawn() -> None:
    """Machine 7 of seed 3 depends on nothing but 7 and 3."""
    build = read_build(EXAMPLES / "lantern_heavy.toml")
    uncertain = list_uncertain(build)
    first = draw_machine(build, uncertain, 3, 7)
    for number in range(5):
        draw_machine(build, uncertain, 3, number)
    assert draw_machine(build, uncertain, 3, 7) == first
    assert draw_machine(build, uncertain, 4, 7) != first
    assert draw_machine(build, uncertain, 3, 8).shares != first.shares


@pytest.mark.parametrize("name", LANTERNS)
def test_intervals_of_the_build_file_are_kept_and_used_up(name: str) -> None:
    """Drawn numbers stay inside the file's intervals and come close to both ends; exact ones of other origin move, too."""
    build = read_build(EXAMPLES / f"lantern_{name}.toml")
    uncertain = list_uncertain(build)
    given = [each for each in uncertain if each.source == "build file"]
    drawn = [draw_machine(build, uncertain, 1, number).build for number in range(300)]
    assert {key for each in given for key in each.keys} >= {("body", "balance_offset_deg"), ("gyro", "bias_dps")}
    for each in given:
        table, key = each.keys[0]
        interval = getattr(getattr(build, table), key)
        values = [getattr(getattr(machine, table), key).value for machine in drawn]
        assert interval.low <= min(values) < interval.low + 0.05 * (interval.high - interval.low)
        assert interval.high >= max(values) > interval.high - 0.05 * (interval.high - interval.low)
    assert len({machine.body.mass_kg.value for machine in drawn}) == 300
    assert all(machine.body.mass_kg.low == machine.body.mass_kg.high for machine in drawn)


def test_default_spreads_have_the_stated_size() -> None:
    """Over many draws, sigma of the wheel inertia is 1.2 % and 8 %; supply and latency keep their ends."""
    build = read_build(EXAMPLES / "lantern_calm.toml")
    sigmas: dict[Knowledge, float] = {"measured": 0.012, "data-sheet": 0.08}
    for knowledge, sigma in sigmas.items():
        uncertain = list_uncertain(build, knowledge)
        drawn = [draw_machine(build, uncertain, 1, number).build for number in range(1000)]
        inertias = np.array([machine.wheel.inertia_kg_m2.value for machine in drawn]) / build.wheel.inertia_kg_m2.value
        # A normal law cut at three sigma has 0.987 of its sigma; 1000 draws know it within 7 %.
        assert np.std(inertias) == pytest.approx(0.987 * sigma, rel=0.07)
        assert np.abs(inertias - 1.0).max() <= 3.0 * sigma + 1e-12
        supplies = np.array([machine.drive.supply_v.value for machine in drawn]) / 11.1
        assert 0.85 <= supplies.min() < 0.853 < 1.047 < supplies.max() <= 1.05
        latencies = np.array([machine.loop.latency_us.value for machine in drawn])
        assert 1100.0 <= latencies.min() < 1120.0 < 3880.0 < latencies.max() <= 3900.0


def test_normal_draws_are_those_of_scipy() -> None:
    """The quantiles of the cut normal law are scipy's."""
    each = Uncertain("a", (("body", "a"),), "normal", 0.0, 0.01, "test")
    for share in (1e-6, 0.1, 0.5, 0.777, 1.0 - 1e-6):
        assert each.moved(2.0, share, 0.001) == pytest.approx(2.0 * (1.0 + 0.01 * truncnorm.ppf(share, -3.0, 3.0)), rel=1e-12)


def test_quantities_that_belong_together_move_together() -> None:
    """Coulomb friction and stiction share a factor; a stiction that the file leaves out stays Coulomb's."""
    text = (EXAMPLES / "lantern_calm.toml").read_text(encoding="utf-8")
    build = parse_build(text, "calm.toml")
    machine = draw_machine(build, list_uncertain(build), 1, 0).build
    assert machine.drive.stiction_n_m.value / machine.drive.coulomb_n_m.value == pytest.approx(1.5)
    spread = "coulomb_n_m = { value = 4.0e-4, low = 2.0e-4, high = 8.0e-4 }"
    plain = text.replace("coulomb_n_m = 4.0e-4", spread, 2).replace("pivot_" + spread, "pivot_coulomb_n_m = 1.0e-4")
    without = parse_build("\n".join(line for line in plain.splitlines() if not line.startswith("stiction")), "calm.toml")
    tied = [each for each in list_uncertain(without) if ("drive", "coulomb_n_m") in each.keys]
    machine = draw_machine(without, list_uncertain(without), 1, 0).build
    assert [each.source for each in tied] == ["build file"]
    assert machine.drive.stiction_n_m == machine.drive.coulomb_n_m != without.drive.coulomb_n_m
    apart = parse_build(plain, "calm.toml")
    drawn = [draw_machine(apart, list_uncertain(apart), 1, number).build.drive for number in range(200)]
    assert all(drive.stiction_n_m.value >= drive.coulomb_n_m.value for drive in drawn)


def test_impossible_bodies_are_not_flown() -> None:
    """Where half of the interval of the inertia lies below mass times height squared, only possible bodies come out."""
    build = read_build(EXAMPLES / "lantern_calm.toml")
    least = build.body.mass_kg.value * build.body.com_height_m.value**2
    wide = replace(build, body=replace(build.body, inertia_kg_m2=Quantity(1.2 * least, 0.5 * least, 1.5 * least)))
    drawn = [draw_machine(wide, list_uncertain(wide), 1, number).build for number in range(100)]
    assert all(is_possible(machine) for machine in drawn)
    none = replace(build, body=replace(build.body, inertia_kg_m2=Quantity(0.5 * least, 0.4 * least, 0.6 * least)))
    with pytest.raises(LoopwrightError, match=r"inertia_kg_m2"):
        draw_machine(none, list_uncertain(none), 1, 0)


def test_a_drawn_machine_reads_back_from_its_build_file() -> None:
    """The text written for a machine gives the very same numbers."""
    build = read_build(EXAMPLES / "lantern_lively.toml")
    machine = draw_machine(build, list_uncertain(build), 1, 5).build
    again = parse_build(build_text(machine, "Number 5", "Drawn.\nNot measured."), "five.toml")
    for table in ("body", "wheel", "drive", "gyro", "accelerometer", "wheel_speed", "loop", "goals", "target"):
        assert getattr(again, table) == getattr(machine, table)
    assert again.title == "Number 5"


# Flights


def test_outcomes_do_not_depend_on_who_flies() -> None:
    """One thread, two threads, another process and a borrowed executor give the same outcomes; so does a part of the fleet."""
    order, _ = prepared("calm")
    short = replace(order, settling_s=2.0, between_s=1.0)
    alone = fly_order(short, 45, jobs=1)
    told: list[float] = []
    assert fly_order(short, 45, jobs=2, watch=told.append) == alone
    assert told[-1] == 1.0
    assert told == sorted(told)
    assert fly_order(short, 7, jobs=2) == alone[:7]
    with ThreadPoolExecutor(3) as threads:
        assert fly_order(short, 45, executor=threads) == alone
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        assert fly_order(short, 45, executor=process) == alone
    assert [outcome.number for outcome in alone] == list(range(45))


@pytest.mark.parametrize("name", ["calm", "lively"])
def test_a_fleet_flies_what_the_emitted_c_flies_alone(name: str) -> None:
    """Compiled into the simulator or called through a pointer, controller and machine do the same to the last bit."""
    order, part = prepared(name)
    short = replace(order, settling_s=3.0, between_s=1.5)
    outcomes = fly_order(short, 4, jobs=1)
    for outcome in outcomes:
        machine, plant, scenario = fly_alone(short, outcome.number)
        with HostController(part.emission, part.fixed) as host:
            flight = fly(plant, StepFunction(*host.flight_step()), replace(scenario, statistics_from_s=short.poke_times_s[0]))
        rest = (flight.time_s >= 3.3) & (flight.time_s < short.poke_times_s[0])
        assert machine.shares == outcome.shares
        assert flight.tilt_max_rad == outcome.peak_rad
        assert flight.wheel_max_rad_s == outcome.wheel_max_rad_s
        assert math.sqrt(np.mean(flight.tilt_rad[rest] ** 2)) == pytest.approx(outcome.tilt_rms_rad, rel=1e-9)
        assert outcome.up


def test_a_poke_beyond_the_bound_fells_all_and_the_worst_fell_first() -> None:
    """No machine within a few per cent of the nominal one survives 1.3 times what full effort survives."""
    order, part = prepared("calm")
    short = replace(order, settling_s=3.0, poke_n_m_s=1.3 / 0.4 * order.poke_n_m_s)
    verdict = judge_fleet(short, fly_order(short, 30))
    assert verdict.stand.count == 30
    assert verdict.survive.count == 0
    assert verdict.peak_rad is None
    assert not verdict.holds
    assert verdict.worst.peak_rad == short.fall_tilt_rad
    _, plant, scenario = fly_alone(short, verdict.worst.number)
    with HostController(part.emission, part.fixed) as host:
        assert fly(plant, StepFunction(*host.flight_step()), scenario).fell_at_s == verdict.worst.fell_at_s


@pytest.mark.long
@pytest.mark.parametrize("name", LANTERNS)
def test_a_thousand_machines_per_lantern_stand_and_survive(name: str) -> None:
    """Of 1,000 machines drawn from measured intervals at least 99.5 % stand and survive a 40 % poke, with the emitted C."""
    order, _ = prepared(name)
    verdict = judge_fleet(order, fly_order(order, 1000))
    assert verdict.stand.value >= 0.995
    assert verdict.survive.value >= 0.995
    assert verdict.survive.low > 0.99


# Figures


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_confidence_intervals_are_the_published_ones(count: int, of: int, low: float, high: float) -> None:
    """R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998), Table I, row
    Clopper-Pearson (from memory)."""
    share = share_of(count, of)
    assert (share.low, share.high) == pytest.approx((low, high), abs=5e-5)


def test_all_of_a_thousand_prove_99_6_per_cent() -> None:
    """With no failure in n the lower end is (alpha/2)^(1/n), in closed form."""
    assert share_of(1000, 1000).low == pytest.approx(0.025 ** (1 / 1000), rel=1e-12)


def even(name: str, *, two_sided: bool = False) -> Uncertain:
    """Something that lies evenly between -1 and 1."""
    return Uncertain(name, (("body", name),), "even", -1.0, 1.0, "test", two_sided)


def test_influences_are_those_that_were_put_in() -> None:
    """Of an outcome 2 a - b + |c| (plus nothing of d) the squared coefficients divide as the variances do: 16 : 4 : 1."""
    shares = np.random.default_rng(1).random((4000, 4))
    a, b, c, _ = (2.0 * shares - 1.0).T
    found = find_influences((even("a"), even("b"), even("c", two_sided=True), even("d")), shares, 2.0 * a - b + np.abs(c))
    by_name = {influence.uncertain.name: influence for influence in found}
    assert [influence.uncertain.name for influence in found[:3]] == ["a", "b", "c"]
    assert by_name["a"].coefficient > 0.0 > by_name["b"].coefficient
    assert by_name["c"].coefficient > 0.0
    assert by_name["a"].share / by_name["b"].share == pytest.approx(4.0, rel=0.15)
    assert by_name["b"].share / by_name["c"].share == pytest.approx(4.0, rel=0.2)
    assert sum(influence.share for influence in found) == pytest.approx(1.0, abs=0.05)
    assert [by_name[name].is_sure for name in "abcd"] == [True, True, True, False]


def test_a_single_influence_is_spearmans_correlation() -> None:
    """With one cause the coefficient is the rank correlation as scipy has it."""
    rng = np.random.default_rng(2)
    shares = rng.random((500, 1))
    outcome = shares[:, 0] ** 3 + rng.normal(0.0, 0.2, 500)
    (found,) = find_influences((even("a"),), shares, outcome)
    assert found.coefficient == pytest.approx(float(spearmanr(shares[:, 0], outcome).statistic), rel=1e-12)


def test_chance_is_not_called_an_influence() -> None:
    """Of 20 things that do nothing, in ten fleets, at most a few of the 200 stand out (three standard errors: 0.3 %)."""
    rng = np.random.default_rng(3)
    uncertain = tuple(even(f"t{number}") for number in range(20))
    sure = sum(
        influence.is_sure for _ in range(10) for influence in find_influences(uncertain, rng.random((300, 20)), rng.random(300))
    )
    assert sure <= 4


def test_too_small_a_fleet_names_no_influence() -> None:
    """Fewer machines than three per unknown decide nothing."""
    assert find_influences((even("a"), even("b")), np.array([[0.1, 0.2], [0.3, 0.4]]), np.array([1.0, 2.0])) == ()


# Cluster


def test_the_cluster_package_missing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the package the error names it and how to install it."""

    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(LoopwrightError, match=r"loopwright\[cluster\]"), cluster_executor("tcp://nowhere:1"):
        pass


def test_a_cluster_gets_the_same_work(monkeypatch: pytest.MonkeyPatch) -> None:
    """The scheduler's address is handed on, its executor flies the fleet, and the client is closed afterwards."""
    said: list[str] = []

    class Client:
        def __init__(self, address: str, timeout: str) -> None:
            said.append(address)
            self.threads = ThreadPoolExecutor(2)

        def get_executor(self) -> ThreadPoolExecutor:
            return self.threads

        def close(self) -> None:
            self.threads.shutdown()
            said.append("closed")

    order, _ = prepared("calm")
    short = replace(order, settling_s=1.0, between_s=0.5)
    monkeypatch.setattr(importlib, "import_module", lambda name: SimpleNamespace(Client=Client))
    with cluster_executor("tcp://invented:8786") as executor:
        flown = fly_order(short, 25, executor=executor)
    assert said == ["tcp://invented:8786", "closed"]
    assert flown == fly_order(short, 25)


def test_a_cluster_that_does_not_answer_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """The address is in the message."""

    def refuse(address: str, timeout: str) -> None:
        raise OSError("timed out")

    monkeypatch.setattr(importlib, "import_module", lambda name: SimpleNamespace(Client=refuse))
    with pytest.raises(LoopwrightError, match="tcp://nowhere:1"), cluster_executor("tcp://nowhere:1"):
        pass


# Command line


def test_robust_judges_draws_and_sets_the_worst_apart(tmp_path: Path) -> None:
    """The command ends with 0, its JSON counts the machines, and the worst machine's file flies alone to the same tilt."""
    build, picture, worst = EXAMPLES / "lantern_calm.toml", tmp_path / "fleet.svg", tmp_path / "worst.toml"
    arguments = ["robust", str(build), "--machines", "40", "--json", "--picture", str(picture), "--worst", str(worst)]
    run = CliRunner().invoke(main, arguments)
    assert run.exit_code == 0, run.output
    found = json.loads(run.stdout)
    assert found["survive"] == {"count": 40, "of": 40, "share": 1.0, "low": pytest.approx(0.9119, abs=1e-4), "high": 1.0}
    assert picture.read_text(encoding="utf-8").startswith("<?xml")
    again = CliRunner().invoke(main, ["simulate", str(build), *found["worst"]["options"].split(), "--on", str(worst), "--json"])
    assert again.exit_code == 0, again.output
    largest = next(value for label, value in json.loads(again.stdout)["flight"].items() if "largest" in label and "tilt" in label)
    assert float(largest[0]) == pytest.approx(math.degrees(found["worst"]["peak_rad"]), rel=1e-2)


def test_robust_fails_when_too_few_survive(tmp_path: Path) -> None:
    """A poke share of 1.3 fells all: status 1, and the table says what was wanted."""
    run = CliRunner().invoke(main, ["robust", str(EXAMPLES / "lantern_calm.toml"), "--machines", "20", "--poke-share", "1.3"])
    assert run.exit_code == 1
    assert "0 of 20" in run.output
    assert "does not hold" in run.output


def test_a_machine_of_another_rate_is_refused(tmp_path: Path) -> None:
    """A controller made for 1 kHz cannot fly a machine whose file says 500 Hz."""
    other = tmp_path / "slow.toml"
    text = (EXAMPLES / "lantern_calm.toml").read_text(encoding="utf-8")
    other.write_text(text.replace("inner_hz = 1000", "inner_hz = 500"), encoding="utf-8")
    run = CliRunner().invoke(main, ["simulate", str(EXAMPLES / "lantern_calm.toml"), "--on", str(other)])
    assert run.exit_code == 2
    assert "inner_hz" in run.output
