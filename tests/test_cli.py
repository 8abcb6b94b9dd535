"""The command line: exit status, whole outputs or none, one clear error, tables and JSON."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from codegen.cli import main
from tests.bad_input.corpus import Case, cases

EXAMPLES = Path(__file__).parent / "examples"
CALM = EXAMPLES / "lantern_calm.toml"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_bad_build_file_is_one_error_and_writes_nothing(case: Case, tmp_path: Path):
    place = tmp_path / "broken.toml"
    place.write_bytes(case.content)

    result = run("ship", place, "-o", tmp_path / "out")

    assert result.exit_code == 2
    assert result.output.startswith("error: broken.toml")
    assert "to mend it:" in result.output
    assert "Traceback" not in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["broken.toml"]


@pytest.mark.parametrize("command", ["design", "simulate", "ship", "verify", "audit"])
def test_missing_file_is_exit_status_2(command: str, tmp_path: Path):
    more: list[str | Path] = ["-o", tmp_path / "out"] if command == "ship" else []

    result = run(command, tmp_path / "nowhere.toml", *more)

    assert result.exit_code == 2
    assert "to mend it:" in result.output
    assert list(tmp_path.iterdir()) == []


def test_unknown_target_names_the_nearest(tmp_path: Path):
    result = run("ship", CALM, "-o", tmp_path / "out", "--target", "cortex-m44")

    assert result.exit_code == 2
    assert 'did you mean "cortex-m4"?' in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("arguments", [["ship"], ["frobnicate"], ["simulate", "x.toml", "--hours", "-1"], ["design"]])
def test_usage_errors_are_exit_status_2(arguments: list[str]):
    result = run(*arguments)

    assert result.exit_code == 2
    assert "Usage:" in result.output


@pytest.mark.parametrize("command", ["new", "design", "simulate", "ship", "verify", "audit"])
def test_every_command_has_help_quiet_and_json(command: str):
    result = run(command, "--help")

    assert result.exit_code == 0
    assert {"--help", "--quiet", "--json"} <= set(re.findall(r"--[a-z]+", result.output))


def test_new_writes_a_build_file_that_designs(tmp_path: Path):
    assert run("new", tmp_path / "mine").exit_code == 0
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["lantern.toml"]

    assert run("design", tmp_path / "mine" / "lantern.toml", "--quiet").exit_code == 0
    again = run("new", tmp_path / "mine")
    assert again.exit_code == 2
    assert "there is a build file already" in again.output


def test_starter_is_the_calm_lantern_by_another_name():
    starter = (EXAMPLES.parent.parent / "c_templates" / "starter.toml").read_text(encoding="utf-8")
    calm = CALM.read_text(encoding="utf-8")

    assert re.sub(r'name = "\w+"\s*', "", starter) == re.sub(r'name = "\w+"\s*', "", calm)


def test_design_shows_tables_and_json():
    shown = run("design", CALM)
    document = json.loads(run("design", CALM, "--json").output)

    assert shown.exit_code == 0
    for word in ("recoverable tilt", "P gain on tilt", "nominal", "Why"):
        assert word in shown.output
    assert document["name"] == "lantern_calm"
    assert all(goal["holds"] for goal in document["goals"])


def test_missed_goal_is_exit_status_1_with_a_remedy(tmp_path: Path):
    text = CALM.read_text(encoding="utf-8")
    wish = re.sub(r"poke_n_m_s = [0-9.]+", "poke_n_m_s = 0.0049", text)
    assert wish != text
    (tmp_path / "wish.toml").write_text(wish, encoding="utf-8")

    result = run("design", tmp_path / "wish.toml")

    assert result.exit_code == 1
    assert "missed: goals.poke_n_m_s:" in result.output


def test_simulate_flies_the_emitted_c_and_draws(tmp_path: Path):
    picture = tmp_path / "flight.svg"

    result = run("simulate", CALM, "--emitted", "--hours", "0.01", "--poke", "20", "0.002", "--picture", picture, "--json")

    assert result.exit_code == 0
    assert json.loads(result.output)["stands"] is True
    assert picture.read_text(encoding="utf-8").startswith("<?xml")


def test_simulate_says_when_the_machine_falls():
    result = run("simulate", CALM, "--emitted", "--hours", "0.005", "--poke", "5", "0.02")

    assert result.exit_code == 1
    assert "no, fell at" in result.output


def test_quiet_says_nothing():
    assert run("design", CALM, "--quiet").output == ""
