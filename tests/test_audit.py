"""The command ``audit``: a row per target, budgets that bite, margins with the measured latency, refusals that say what to install."""

from __future__ import annotations

import json
import math
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from codegen.cli import main
from codegen.pipeline import Designed, design_build
from codegen.target.audit import HEADINGS
from tests.examples.greenhouse_vent import vent_controller
from tests.shipped_folder import barely_checked, write_shipment
from tests.target_tools import need_compiler, need_emulator

CALM = Path(__file__).parent / "examples" / "lantern_calm.toml"
CLOCK_HZ = 64e6


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["audit", *(str(argument) for argument in arguments)])


def document(*arguments: str | Path) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code in (0, 1), result.output
    parsed: dict[str, Any] = json.loads(result.output)
    return parsed


@pytest.fixture(scope="module")
def designed() -> Designed:
    return design_build(CALM)


@pytest.fixture(scope="module")
def lantern(designed: Designed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shipment(tmp_path_factory.mktemp("audit") / "out", barely_checked(designed.graph(), "cortex-m4", designed, CLOCK_HZ))


@pytest.fixture(scope="module")
def vent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Shipped for two targets; the text for the second was edited: it counts to three in every tick."""
    first, second = (barely_checked(vent_controller(), target) for target in ("rv32imc", "cortex-m0plus"))
    part = second.realisation
    step = "void vent_step(vent_state *state, const vent_inputs *inputs, vent_outputs *outputs)\n{\n"
    assert part.emission.source.count(step) == 1
    source = part.emission.source.replace(step, step + "    for (volatile int count = 0; count < 3; count++) {\n    }\n")
    edited = replace(second, realisation=replace(part, emission=replace(part.emission, source=source)))
    return write_shipment(tmp_path_factory.mktemp("audit") / "vent", first, edited)


@pytest.fixture
def copied(vent: Path, tmp_path: Path) -> Path:
    """The vent's folder, to be changed."""
    return Path(shutil.copytree(vent, tmp_path / "out"))


@pytest.fixture
def no_programs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    """No compiler on the path."""
    (tmp_path / "empty").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path / "empty"))
    yield


def with_budgets(lantern: Path, folder: Path, *lines: str) -> Path:
    """A copy of the lantern's folder with budgets in its build file."""
    shutil.copytree(lantern, folder)
    build = folder / "build.toml"
    text = build.read_text(encoding="utf-8")
    build.write_text(text.replace("[target]\n", "\n".join(["[target]", *lines, ""])), encoding="utf-8")
    return folder


def test_json_has_every_figure_and_they_agree(lantern: Path, designed: Designed) -> None:
    need_emulator("cortex-m4")
    found = document(lantern, "--target", "cortex-m4", "--tries", "60", "--path")

    (one,) = found["targets"]
    assert found["holds"] is True and found["broken"] == [] and one["holds"] is True and one["broken"] == []
    assert (one["target"], one["shipped"], one["clock_hz"], one["period_s"]) == ("cortex-m4", True, CLOCK_HZ, 1e-3)
    assert one["cycle_bound"] == one["cycle_bound_outer"] > one["cycle_bound_ordinary"] > one["jitter_cycles"] > 0
    assert 0 < one["measured_ordinary"] <= one["cycle_bound_ordinary"]
    assert one["measured_ordinary"] < one["measured_outer"] <= one["cycle_bound_outer"]
    assert one["share_of_period"] == pytest.approx(one["cycle_bound"] / (CLOCK_HZ * 1e-3))
    assert one["jitter_us"] == pytest.approx(one["jitter_cycles"] / 64)
    for key in ("stack_bytes", "flash_bytes", "ram_bytes"):
        assert one[key] > 0
    # 1300 us from sensor to command, 300 of them reckoned for computing.
    latency_s = 1e-3 + one["cycle_bound"] / CLOCK_HZ
    assert one["latency_us"] == pytest.approx(1e6 * latency_s)
    for key, seconds in (("designed", 1.3e-3), ("measured", latency_s)):
        margins = designed.margins_at(seconds)
        assert one["margins"]["phase margin, deg"][key] == pytest.approx(math.degrees(margins.phase_margin_rad))
        assert one["margins"]["peak sensitivity"][key] == pytest.approx(margins.peak_sensitivity)
    text = (lantern / "lantern_calm.c").read_text(encoding="utf-8").splitlines()
    assert sum(line["cycles"] for line in one["path"]) == one["cycle_bound"]
    assert all(text[line["line"] - 1].strip() == line["text"] for line in one["path"] if line["file"])


def test_every_shipped_target_has_its_row_and_its_own_text(vent: Path) -> None:
    both = document(vent, "--tries", "0")
    alone = document(vent / "cortex-m0plus", "--tries", "0")

    assert [one["target"] for one in both["targets"]] == ["rv32imc", "cortex-m0plus"]
    assert both["targets"][1] == alone["targets"][0]
    assert both["targets"][1]["measured_outer"] is None


def test_a_target_that_was_not_shipped_gets_its_text(vent: Path, copied: Path) -> None:
    """The edited text takes longer than the one that is emitted where there is none."""
    shutil.rmtree(copied / "cortex-m0plus")
    edited = document(vent, "--target", "cortex-m0plus", "--tries", "0")["targets"][0]
    emitted = document(copied, "--target", "cortex-m0plus", "--tries", "0")["targets"][0]

    assert edited["shipped"] and not emitted["shipped"]
    assert edited["cycle_bound"] > emitted["cycle_bound"] + 20


def test_table_path_and_notes_for_people(lantern: Path) -> None:
    need_emulator("cortex-m0plus")
    result = run(lantern, "--target", "cortex-m0plus", "--tries", "40", "--path")

    assert result.exit_code == 0
    for word in (*HEADINGS, "phase margin, deg", "with the measured latency", "lantern_calm.c:", "small multiplier"):
        assert word in result.output
    assert "clock of the build file, which names it for cortex-m4; yours: --clock cortex-m0plus HZ" in result.output
    assert "Traceback" not in result.output


def test_slow_multiplier_takes_longer(vent: Path) -> None:
    one = (vent, "--target", "cortex-m0plus", "--tries", "0")
    plain, small = (document(*one, "--variant", variant)["targets"][0] for variant in ("", "small multiplier"))

    assert small["variant"] == "small multiplier"
    assert small["cycle_bound"] >= plain["cycle_bound"] + 31


def test_broken_budgets_are_exit_status_1(lantern: Path, tmp_path: Path) -> None:
    folder = with_budgets(lantern, tmp_path / "out", "max_share = 0.001", "max_stack_bytes = 8", "max_flash_bytes = 100")
    result = run(folder, "--tries", "0")

    assert result.exit_code == 1
    assert "does not hold: cortex-m4: the worst tick takes" in result.output
    for said in ("max_share allows 0.1%", "bytes of stack, max_stack_bytes allows 8", "bytes of flash, max_flash_bytes allows 100"):
        assert said in result.output


def test_kept_budgets_are_exit_status_0(lantern: Path, tmp_path: Path) -> None:
    folder = with_budgets(lantern, tmp_path / "out", "max_share = 0.5", "max_stack_bytes = 1000", "max_flash_bytes = 100000")

    assert run(folder, "--tries", "0").exit_code == 0
    # The same budget at a hundredth of the clock.
    slow = document(folder, "--tries", "0", "--clock", "cortex-m4", "0.64e6")
    assert [broken["key"] for broken in slow["targets"][0]["broken"]] == ["max_share"]
    assert slow["holds"] is False


def test_a_graph_alone_has_no_margins_and_needs_its_clock_named(vent: Path) -> None:
    silent, named = (
        document(vent, "--target", "rv32imc", "--tries", "0", *more)["targets"][0] for more in ((), ("--clock", "rv32imc", "1e6"))
    )

    assert (silent["clock_hz"], silent["share_of_period"], silent["latency_us"]) == (None, None, None)
    assert "--clock rv32imc HZ" in silent["clock_note"]
    assert named["share_of_period"] == pytest.approx(named["cycle_bound"] / 1e6)
    assert named["margins"] == silent["margins"] == {}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--target", "cortex-m44"], 'did you mean "cortex-m4"?'),
        (["--clock", "cortex-m44", "1e6"], 'did you mean "cortex-m4"?'),
        (["--clock", "cortex-m4", "16"], "16 MHz is 16e6"),
        (["--target", "atmega328p", "--clock", "atmega328p", "64e6"], "more than 20000000 Hz"),
        (["--variant", "huge multiplier"], '"small multiplier" of cortex-m0plus'),
    ],
)
def test_wrong_requests_are_exit_status_2(vent: Path, arguments: list[str], said: str) -> None:
    result = run(vent, "--tries", "0", *arguments)

    assert result.exit_code == 2
    assert said in result.output
    assert "to mend it:" in result.output


def test_what_is_no_shipment_is_refused(tmp_path: Path, copied: Path) -> None:
    assert run(tmp_path).exit_code == 2
    shutil.copy(copied / "evidence.json", copied / "cortex-m0plus" / "evidence.json")
    mixed = run(copied)
    assert mixed.exit_code == 2
    assert "this folder holds the text for rv32imc" in mixed.output


def test_missing_compiler_is_refused_with_a_remedy(vent: Path, no_programs: None) -> None:
    """The pip-installed compiler lacks a runtime library for AVR, so nothing else is left."""
    result = run(vent, "--target", "atmega328p")

    assert result.exit_code == 2
    assert "there is no program avr-gcc" in result.output
    assert "to mend it: install avr-gcc" in result.output
    assert "Traceback" not in result.output


def test_pip_installed_compiler_is_enough(vent: Path, no_programs: None) -> None:
    found = document(vent, "--tries", "0")

    assert found["targets"][0]["compiler"].startswith("zig ")


def test_missing_emulator_is_refused_unless_nothing_is_to_run(vent: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "unicorn", None)
    result = run(vent, "--target", "cortex-m4")

    assert result.exit_code == 2
    assert "to mend it: `pip install unicorn`" in result.output
    assert run(vent, "--target", "cortex-m4", "--tries", "0").exit_code == 0


def test_the_simulator_of_the_avr_counts_for_itself(vent: Path) -> None:
    need_compiler("atmega328p")
    need_emulator("atmega328p")
    one = document(vent, "--target", "atmega328p", "--tries", "600")["targets"][0]

    assert one["measured_outer"] == one["measured_ordinary"] <= one["cycle_bound"] <= 1.1 * one["measured_outer"]
