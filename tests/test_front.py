"""The front between calm and pokes: searched, priced against the LQG optimum, bent where effort stops to pay, and drawn."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.linalg import solve_discrete_lyapunov

from codegen.cli import main
from codegen.control.examine import Covariance
from codegen.control.front import FrontPoint, find_bend, find_front, free_numbers, with_numbers
from codegen.control.price import optimal_loop, set_price
from codegen.control.structures import design_structure, open_loop
from codegen.design.design import find_unknowns
from codegen.errors import DesignError
from codegen.plant import model_plant
from codegen.report.front_picture import FrontCurve, draw_front
from tests.flown import EXAMPLES, lantern_build


def test_cost_is_noise_plus_pokes() -> None:
    """The cost is linear in the rate of pokes: its slope is the energy of one poke's response, summed tick by tick."""
    build = lantern_build("calm")
    design = design_structure(build, model_plant(build))
    loop = open_loop(design)
    assert loop is not None
    closed = loop.closed()
    none, one = (set_price(design.plant, rate) for rate in (0.0, 1.0))
    slope = one.cost(closed) - none.cost(closed)
    watched = [closed.states.index(name) for name in ("tilt", "command_1", "wheel")]
    scales = np.array([one.tilt_rad, one.torque_n_m, one.wheel_rad_s])
    energies = []
    # A poke falls on any tick of the outer period with the same chance.
    for phase in range(0, closed.ticks, 8):
        state, energy = one.poke_rad_s * closed.poke, 0.0
        for tick in range(12_000):
            state = (closed.slow if (tick + phase + 1) % closed.ticks == 0 else closed.fast) @ state
            energy += float(np.sum((state[watched] / scales) ** 2))
        energies.append(energy * design.plant.period_s)
    assert slope == pytest.approx(np.mean(energies), rel=0.03)


def test_optimum_is_the_riccati_optimum() -> None:
    """The optimal loop's covariance solves its own Lyapunov equation, and no small change of its feedback costs less."""
    plant = model_plant(lantern_build("heavy"))
    price = set_price(plant, 1e-2)
    best = optimal_loop(plant, price)
    driven = best.fast_noise + price.pokes_rad2_s3 * price.period_s * np.outer(best.poke, best.poke)
    covariance = solve_discrete_lyapunov(best.fast, driven)
    at = best.states.index("tilt")
    assert best.covariance(1.0, price.pokes_rad2_s3, price.period_s).tilt == pytest.approx(covariance[at, at], rel=1e-6)
    least = price.cost(best)
    other = set_price(plant, 1e-2)
    for change in ({"torque_n_m": 1.5 * other.torque_n_m}, {"tilt_rad": 0.7 * other.tilt_rad}, {"wheel_rad_s": 2.0 * other.wheel_rad_s}):
        # The optimum of another price is a different controller: by this price it must cost more.
        assert price.cost(optimal_loop(plant, replace(other, **change))) > least


def test_price_counts_each_scale_as_one() -> None:
    """A loop at exactly the three scales costs three."""
    price = set_price(model_plant(lantern_build("calm")), 0.0)
    assert price.of(Covariance(price.tilt_rad**2, price.wheel_rad_s**2, price.torque_n_m**2, 0.0)) == pytest.approx(3.0)


def test_filter_time_is_limited_by_the_unknown_bias() -> None:
    """What a gyro bias makes of the filter time must be found by the trim: 1 deg/s allows twelve seconds, a measured one the longest."""
    build = lantern_build("calm")
    design = design_structure(build, model_plant(build))
    unknown = find_unknowns(build)
    (longest,) = (number.high for number in free_numbers(design, unknown) if number.name == "filter_time_s")
    assert longest == pytest.approx(12.0)
    (longest,) = (number.high for number in free_numbers(design, replace(unknown, bias_rad_s=0.0)) if number.name == "filter_time_s")
    assert longest == 30.0


@pytest.fixture(scope="module")
def front() -> tuple[FrontPoint, ...]:
    build = lantern_build("calm")
    design = design_structure(build, model_plant(build))
    return find_front(design, replace(find_unknowns(build), bias_rad_s=0.0), (1e-3, 1e-2, 1e-1))


def test_front_trades_calm_against_pokes(front: tuple[FrontPoint, ...]) -> None:
    """More pokes: more torque and smaller peaks; robust all along; within a tenth of the LQG optimum where pokes are realistic."""
    assert [point.pokes_hz for point in front] == [1e-3, 1e-2, 1e-1]
    torque = [point.torque_rms_percent for point in front]
    peaks = [point.poke_peak_deg for point in front]
    assert torque == sorted(torque)
    assert peaks == sorted(peaks, reverse=True)
    for point in front:
        assert point.peak_sensitivity < 1.45
        assert point.excess > 1.0
    assert front[1].excess < 1.10
    assert front[2].excess < 1.10
    assert find_bend(front) == 1


def test_front_beats_the_rule_at_its_own_rate(front: tuple[FrontPoint, ...]) -> None:
    """The rule's numbers cost more than the front's at the bend."""
    build = lantern_build("calm")
    design = design_structure(build, model_plant(build))
    loop = open_loop(with_numbers(design, {}))
    assert loop is not None
    price = set_price(design.plant, 1e-2)
    assert price.cost(loop.closed()) > 1.2 * front[1].cost


def test_structures_without_free_numbers_are_refused() -> None:
    """On-off has nothing to weigh."""
    build = lantern_build("calm")
    design = design_structure(build, model_plant(build), "on_off")
    with pytest.raises(DesignError, match="no free numbers"):
        find_front(design, find_unknowns(build))


def test_picture_marks_bend_goal_and_present_design() -> None:
    """The drawing names what it shows, and is the same bytes for the same data."""
    curve = FrontCurve((0.1, 0.2, 0.4), (0.003, 0.0035, 0.005), (0.6, 0.3, 0.27))
    arguments = ("calm against pokes", curve, curve, curve, 1, FrontCurve((0.5,), (0.005,), (0.2,)), 0.02)
    text = draw_front(*arguments)
    assert text == draw_front(*arguments)
    assert text.startswith("<?xml")
    assert text.count("<path") > 20


@pytest.mark.parametrize(
    ("options", "message"), [(["--structures", "--front"], "two questions"), (["--picture", "x.svg"], "belongs to --front")]
)
def test_contradictory_options_are_refused(options: list[str], message: str) -> None:
    """Usage errors end with status 2."""
    result = CliRunner().invoke(main, ["design", str(EXAMPLES / "lantern_calm.toml"), *options])
    assert result.exit_code == 2
    assert message in result.output


@pytest.mark.long
def test_commands_show_structures_and_front(tmp_path: Path) -> None:
    """Both tables as JSON, the picture written, and the [design] lines of the bend a build file that designs."""
    build = tmp_path / "calm.toml"
    text = (EXAMPLES / "lantern_calm.toml").read_text(encoding="utf-8")
    build.write_text(text + '\n[design]\nstructure = "friction_observer"\n', encoding="utf-8")
    shown = CliRunner().invoke(main, ["design", str(build), "--structures", "--json"])
    rows = {row["structure"]: row for row in json.loads(shown.stdout)["structures"]}
    assert shown.exit_code == 0
    assert [name for name, row in rows.items() if row["stands"]] == ["cascade", "momentum", "friction_observer", "lqg", "feedforward"]
    for row in rows.values():
        if row["stands"]:
            assert row["tilt_share"] > 0.95
            assert row["poke_share"] > 0.95
            assert row["tilt_rms_deg"] < 0.02
    picture = tmp_path / "front.svg"
    shown = CliRunner().invoke(main, ["design", str(build), "--front", "--picture", str(picture), "--json"])
    document = json.loads(shown.stdout)
    assert shown.exit_code == 0
    assert picture.read_text(encoding="utf-8").startswith("<?xml")
    build.write_text(text + "\n" + "\n".join(document["design"]) + "\n", encoding="utf-8")
    assert CliRunner().invoke(main, ["design", str(build), "--quiet"]).exit_code == 0
