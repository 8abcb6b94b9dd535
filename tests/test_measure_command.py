"""The command ``measure``: example logs, whole outputs or none, exit status, JSON, guide and pictures."""

from __future__ import annotations

import json
import math
import shutil
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from codegen.build import read_build
from codegen.cli import main
from tests.bench_examples import FOLDER, example_logs, example_truth

EXAMPLES = Path(__file__).parent / "examples"
NAMES = ("rest", "scale", "spin", "square", "supply", "swing")
SVG = "{http://www.w3.org/2000/svg}"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["measure", *(str(argument) for argument in arguments)])


@pytest.fixture
def build(tmp_path: Path) -> Path:
    """A copy of the calm lantern's build file."""
    return Path(shutil.copy(EXAMPLES / "lantern_calm.toml", tmp_path / "mine.toml"))


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """All example logs measured once, as a user does it."""
    place = Path(shutil.copy(EXAMPLES / "lantern_calm.toml", tmp_path_factory.mktemp("bench") / "mine.toml"))
    return place, run(*(FOLDER / f"{name}.csv" for name in NAMES), "-o", place)


def test_example_logs_are_what_their_maker_makes() -> None:
    """Renew with ``python -m tests.bench_examples``; each says that it is invented and stays small."""
    for name, text in example_logs().items():
        held = (FOLDER / name).read_text(encoding="utf-8")
        for line, made in zip(held.splitlines(), text.splitlines(), strict=True):
            if line != made:  # another compiler or library may round a reading the other way
                cells, others = line.split(","), made.split(",")
                assert [float(cell) for cell in cells] == pytest.approx([float(cell) for cell in others], abs=2.0, rel=1e-3)
        assert held.startswith("# Invented data")
        assert len(held) < 200_000


def test_examples_measure_the_lantern_as_made(shown: tuple[Path, Result]) -> None:
    """The file afterwards holds the truth that the logs were made from, inside its intervals."""
    place, result = shown
    assert result.exit_code == 0, result.output
    build, true = read_build(place), example_truth().plant
    inertia = true.body_inertia_kg_m2 - build.wheel.mass_kg.value * build.wheel.axis_height_m.value**2
    for found, expected in (
        (build.wheel.inertia_kg_m2, true.wheel_inertia_kg_m2),
        (build.body.inertia_kg_m2, inertia),
        (build.drive.torque_constant_n_m_per_a, true.torque_constant),
        (build.drive.coulomb_n_m, true.wheel_coulomb_n_m),
        (build.body.pivot_coulomb_n_m, true.pivot_coulomb_n_m),
        (build.gyro.bias_dps, math.degrees(true.gyro.bias_rad_s)),
    ):
        assert found.low < expected < found.high


def test_user_text_stays(shown: tuple[Path, Result]) -> None:
    """Every line that was not measured is as it was."""
    place, _ = shown
    old = (EXAMPLES / "lantern_calm.toml").read_text(encoding="utf-8").splitlines()
    new = place.read_text(encoding="utf-8").splitlines()
    assert len(new) == len(old)
    changed = [key.split("=")[0].strip() for key, other in zip(old, new, strict=True) if key != other]
    assert set(changed) == {
        "com_height_m", "inertia_kg_m2", "pivot_damping_n_m_s", "pivot_coulomb_n_m", "torque_constant_n_m_per_a", "resistance_ohm",
        "viscous_n_m_s", "coulomb_n_m", "noise_dps_per_sqrt_hz", "bias_dps", "noise_ug_per_sqrt_hz",
    }  # fmt: skip
    assert all("#" in line for key, line in zip(old, new, strict=True) if "#" in key)


def test_tables_name_values_intervals_and_cautions(shown: tuple[Path, Result]) -> None:
    """Old and new values, what each rests on, what the file had otherwise, and the cautions."""
    place, result = shown
    for piece in (
        "Machine",
        "Written into the build file",
        "95 % interval",
        "What the build file said otherwise",
        "CAUTION",
        str(place.name),
    ):
        assert piece in result.output
    assert "wheel.inertia_kg_m2" in result.output
    assert "contradiction" not in result.output


def test_one_picture_per_log(shown: tuple[Path, Result]) -> None:
    """Beside the build file; well-formed, with paths for data, fit and residual."""
    place, _ = shown
    for name in NAMES:
        tree = ElementTree.parse(place.parent / f"mine.{name}.svg").getroot()
        assert tree.tag == f"{SVG}svg"
        groups = {element.get("id", "") for element in tree.iter(f"{SVG}g")}
        assert {"axes_1", "axes_2"} <= groups
        assert len([group for group in groups if group.startswith("line2d")]) > 4


def test_json_is_one_document(build: Path) -> None:
    """Machine-readable, the same numbers as in the file."""
    result = run(FOLDER / "scale.csv", FOLDER / "supply.csv", "-o", build, "--json")
    document = json.loads(result.output)
    assert result.exit_code == 0
    assert document["consistent"] is True
    assert [experiment["kind"] for experiment in document["experiments"]] == ["scale", "supply"]
    written = tomllib.loads(build.read_text(encoding="utf-8"))
    found = next(entry for entry in document["parameters"] if entry["key"] == "drive.resistance_ohm")
    assert written["drive"]["resistance_ohm"]["value"] == pytest.approx(found["value"], rel=1e-3)
    assert found["old"] == {"value": 5.0, "low": 5.0, "high": 5.0}
    assert found["rests_on"] == "supply.csv"


def test_broken_log_writes_nothing(build: Path) -> None:
    """One error, exit status 2, every file as it was."""
    before = build.read_bytes()
    broken = build.parent / "broken.csv"
    broken.write_text("time_s,gyro_dps\n0.0,abc\n0.1,1\n", encoding="utf-8")
    result = run(FOLDER / "scale.csv", broken, "-o", build)
    assert result.exit_code == 2
    assert result.output.startswith('error: broken.csv, line 2, cell 2: "abc" is not a number')
    assert build.read_bytes() == before
    assert sorted(path.name for path in build.parent.iterdir()) == ["broken.csv", "mine.toml"]


def test_contradiction_is_exit_status_1(build: Path) -> None:
    """A second scale reading 5 % off: written with an interval for both, and said."""
    text = (FOLDER / "scale.csv").read_text(encoding="utf-8").splitlines()
    rows = [f"{line.split(',')[0]},{float(line.split(',')[1]) * 1.05:.0f}" if line[0].isdigit() else line for line in text]
    other = build.parent / "heavier.csv"
    other.write_text("\n".join(rows) + "\n", encoding="utf-8")
    result = run(FOLDER / "scale.csv", other, "-o", build)
    assert result.exit_code == 1
    assert "contradiction: mass times height of the centre of mass" in result.output
    assert "sigma apart" in " ".join(result.output.split())
    height = read_build(build).body.com_height_m
    assert height.high / height.low > 1.04


def test_numbers_that_do_not_go_together_are_refused(build: Path) -> None:
    """A velocity constant in the file that contradicts the measured torque constant: the file's key is named, nothing is written."""
    text = build.read_text(encoding="utf-8").replace('command = "current"\n', 'command = "current"\nvelocity_constant_rpm_per_v = 212.2\n')
    build.write_text(text, encoding="utf-8")
    wrong = build.parent / "supply.csv"
    lines = (FOLDER / "supply.csv").read_text(encoding="utf-8").splitlines()
    rows = [",".join([f"{float(c[0]) * 1.3:.3f}", *c[1:]]) if (c := line.split(","))[0][:1].isdigit() else line for line in lines]
    wrong.write_text("\n".join(rows) + "\n", encoding="utf-8")
    before = build.read_bytes()
    result = run(wrong, "-o", build)
    assert result.exit_code == 2
    assert "the measured numbers do not go together" in result.output
    assert "torque_constant_n_m_per_a" in result.output
    assert build.read_bytes() == before


def test_kind_may_be_given_but_not_against_the_log(build: Path) -> None:
    """--kind decides where the log says nothing."""
    assert run(FOLDER / "scale.csv", "-o", build, "--kind", "scale").exit_code == 0
    result = run(FOLDER / "scale.csv", "-o", build, "--kind", "rest")
    assert result.exit_code == 2
    assert "the log declares kind = scale, the command says rest" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"), [(["-o", "x.toml"], "no log is given"), ([FOLDER / "scale.csv"], "no build file is given")]
)
def test_missing_arguments_are_exit_status_2(arguments: list[str | Path], words: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in result.output


def test_missing_build_file_is_named(tmp_path: Path) -> None:
    result = run(FOLDER / "scale.csv", "-o", tmp_path / "none.toml")
    assert result.exit_code == 2
    assert "none.toml: there is no such file" in result.output
    assert list(tmp_path.iterdir()) == []


def test_guide_needs_no_files_and_knows_the_machine(build: Path) -> None:
    """Printed without a log; with a build file its own lengths and currents."""
    alone, fitted = run("--guide"), run("--guide", "-o", build)
    assert alone.exit_code == fitted.exit_code == 0
    assert "Guard or cage the wheel" in alone.output
    assert "0.42 A" in fitted.output
    assert json.loads(run("--guide", "--json").output)["guide"].startswith("A spinning wheel")


def test_two_runs_give_the_same_files(build: Path) -> None:
    """Byte for byte: measuring again changes nothing."""
    run(FOLDER / "scale.csv", FOLDER / "supply.csv", "-o", build)
    first = {path.name: path.read_bytes() for path in build.parent.iterdir()}
    run(FOLDER / "scale.csv", FOLDER / "supply.csv", "-o", build)
    assert {path.name: path.read_bytes() for path in build.parent.iterdir()} == first
