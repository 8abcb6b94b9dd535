"""The whole chain: files whole or not at all, the same bytes twice, evidence by its schema, graphs without a plant, verification."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from codegen.errors import LoopwrightError
from codegen.evidence import evidence_schema, sha256
from codegen.pipeline import Progress, design_build, make_shipment, ship_graph, shipped_files, verify, write_files
from codegen.rules.integer import read_integer
from codegen.shipment import Shipment
from codegen.targets import read_target
from tests.examples.greenhouse_vent import vent_controller

EXAMPLES = Path(__file__).parent / "examples"
TICKS = 1_400_000


@pytest.fixture(scope="module")
def shipment() -> Shipment:
    designed = design_build(EXAMPLES / "lantern_calm.toml")
    return make_shipment(designed.graph(), read_target("atmega328p"), 3.0, Progress(), designed, ticks=TICKS)


@pytest.fixture(scope="module")
def files(shipment: Shipment) -> dict[str, str]:
    return shipped_files(shipment)


@pytest.fixture(scope="module")
def vent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("vent") / "out"
    shipped = ship_graph(vent_controller(), "atmega328p", folder, ticks=TICKS)
    assert shipped.failures == ()
    return folder


def test_lantern_holds(shipment: Shipment):
    assert shipment.failures == ()
    assert shipment.checks.bits.ticks >= TICKS
    assert {name for name, _ in shipment.checks.bits.by_class} == {"held", "edges", "white", "constant", "opposite", "flight"}


def test_bounds_are_tight(shipment: Shipment):
    """Bound over largest observation is at most 2 on every signal of the whole controller, one tick, adversarial inputs."""
    assert len(shipment.checks.errors.signals) > 20
    assert {seen.name: seen.ratio for seen in shipment.checks.errors.signals if not seen.ratio <= 2.0} == {}


def test_armed_regime_is_reached_by_the_draws(shipment: Shipment):
    assert dict(shipment.checks.bits.true_share)["armed"] > 0.05


def test_all_files_are_there(files: dict[str, str]):
    project = "Makefile README.md board.c board.h board_main.c board_start_avr.S board_trace.c board_trace.h link.ld memory.c".split()
    assert set(files) - {f"firmware/atmega328p/{name}" for name in project} == {
        "lantern_calm.c",
        "lantern_calm.h",
        "lantern_calm.graph.json",
        "lantern_calm.contract.json",
        "build.toml",
        "vectors.csv",
        "evidence.json",
        "report.html",
    }
    assert len(files) == 8 + len(project)


def test_evidence_meets_its_schema_and_the_contract(files: dict[str, str]):
    document = json.loads(files["evidence.json"])
    jsonschema.Draft202012Validator.check_schema(evidence_schema())
    jsonschema.validate(document, evidence_schema())

    assert document["files"]["lantern_calm.c"] == sha256(files["lantern_calm.c"])
    assert document["build_sha256"] == sha256(files["build.toml"])
    assert [port["quantity"] for port in document["inputs"]] == [
        "gyro_rate",
        "accel_tangential",
        "accel_radial",
        "wheel_speed",
        "arm",
        "sensor_fresh",
    ]
    assert [port["quantity"] for port in document["outputs"]] == ["drive_command", "armed", "tripped"]
    assert document["outputs"][0]["min"] == -512
    assert all(entry["contributors"] for entry in document["error_bounds"]["closed_loop"].values())
    assert {entry["name"] for entry in document["properties"]} >= {"bit-exact", "no undefined behaviour", "error bound", "flight"}
    (target,) = document["targets"]
    assert (target["name"], target["clock_hz"]) == ("atmega328p", 20e6)
    assert "which names it for cortex-m4, held to the most that atmega328p allows" in target["notes"][0]
    assert target["cycle_bound"] is None or target["cycle_bound"] == target["cycle_bound_outer"] > target["cycle_bound_ordinary"]
    assert document["defects"]["tried"] == 0
    assert "loopwright verify OUT --defects" in document["defects"]["note"]


def test_two_runs_differ_only_in_times(shipment: Shipment, files: dict[str, str]):
    designed = design_build(EXAMPLES / "lantern_calm.toml")
    again = shipped_files(make_shipment(designed.graph(), read_target("atmega328p"), 3.0, Progress(), designed, ticks=TICKS))
    first, second = json.loads(files["evidence.json"]), json.loads(again["evidence.json"])
    del first["times"], second["times"]

    assert second == first
    for name in files.keys() - {"evidence.json", "report.html"}:
        assert again[name] == files[name]


def test_emission_does_not_depend_on_the_hash_seed(files: dict[str, str]):
    program = (
        "from pathlib import Path; from codegen.pipeline import design_build, realise; from codegen.targets import read_target\n"
        "d = design_build(Path('tests/examples/lantern_calm.toml'))\n"
        "print(realise(d.graph(), read_target('atmega328p'), 3.0, d.plant).emission.source, end='')"
    )
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", program],
            cwd=EXAMPLES.parent.parent,
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout == files["lantern_calm.c"]


def test_vectors_are_what_the_integer_model_says(shipment: Shipment, files: dict[str, str]):
    lines = files["vectors.csv"].splitlines()
    head = lines[0].split(",")
    reading = read_integer(shipment.realisation.fixed)
    memory = reading.start()
    inputs = [node.name for node in shipment.graph.inputs]

    assert len(lines) > 1000
    assert any(line.split(",")[head.index("armed")] == "1" for line in lines)
    for line in lines[1:]:
        row = dict(zip(head, map(int, line.split(",")), strict=True))
        values = reading.tick(memory, {name: row[name] for name in inputs})
        for output in shipment.graph.outputs:
            assert int(values[output.signal]) == row[output.name]


def test_files_appear_whole_or_not_at_all(tmp_path: Path):
    blocked = tmp_path / "blocked"
    blocked.write_text("a file, not a folder", encoding="utf-8")

    with pytest.raises(LoopwrightError, match="cannot write here"):
        write_files(blocked / "out", {"a.txt": "x"})
    write_files(tmp_path / "new", {"a.txt": "1", "sub/b.txt": "2"})
    write_files(tmp_path / "new", {"a.txt": "3"})

    assert (tmp_path / "new" / "a.txt").read_text(encoding="utf-8") == "3"
    assert (tmp_path / "new" / "sub" / "b.txt").read_text(encoding="utf-8") == "2"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["blocked", "new"]


def test_vent_is_under_forty_lines_and_ships(vent: Path):
    text = (EXAMPLES / "greenhouse_vent.py").read_text(encoding="utf-8")

    assert len(text.splitlines()) < 45
    assert len([line for line in text.splitlines() if line.strip() and not line.startswith('"""')]) < 40
    assert {"vent.c", "vent.h", "evidence.json", "report.html"} <= {path.name for path in vent.iterdir()}
    assert not (vent / "firmware").exists()
    assert json.loads((vent / "evidence.json").read_text(encoding="utf-8"))["error_bounds"]["many_ticks_reason"]


def test_verify_accepts_what_was_shipped(vent: Path):
    assert verify(vent, None, Progress(), ticks=TICKS).failures == ()


@pytest.mark.parametrize(
    ("found", "planted"),
    [
        pytest.param(r"(clamp_16\(inputs->air_temperature, .*)8000\)", r"\g<1>8001)", id="limit off by one"),
        pytest.param(r"- \(int32_t\)", "+ (int32_t)", id="sign"),
        pytest.param(r"\(x \+ \(INT32_C\(1\) << \(n - 1\)\)\) >> n", "x >> n", id="rounding constant missing"),
    ],
)
def test_verify_finds_a_planted_fault(vent: Path, tmp_path: Path, found: str, planted: str):
    text = (vent / "vent.c").read_text(encoding="utf-8")
    changed, count = re.subn(found, planted, text, count=1)
    assert count == 1
    edited = tmp_path / "edited.c"
    edited.write_text(changed, encoding="utf-8")

    failures = verify(vent, edited, Progress(), ticks=TICKS).failures

    assert any("differs from the integer model" in failure for failure in failures)
    assert any(failure.startswith("proof") for failure in failures)


def test_verify_notices_a_changed_file(vent: Path, tmp_path: Path):
    folder = tmp_path / "copy"
    folder.mkdir()
    for path in vent.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "vent.c").write_text((folder / "vent.c").read_text(encoding="utf-8") + "/* */\n", encoding="utf-8")

    failures = verify(folder, None, Progress(), ticks=TICKS).failures

    assert any("is not the file that the evidence speaks of" in failure for failure in failures)
