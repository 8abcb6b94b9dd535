"""``--defects``: the kill table goes into evidence, report and the forms of CI; a shipment's files are renewed only for the better."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from codegen.cli import main
from codegen.defects import DefectReport, KindRow, Survivor
from codegen.pipeline import ship_graph
from tests.examples.greenhouse_vent import vent_controller
from tests.pages import Page

TICKS = 400_000
KIND = KindRow(15, "limits one binary place off", 9, 8, {"bits": 6}, 6, 1)
MISSED = Survivor(15, "limits one binary place off", 42, "opening", "limit 1000 is 2000", "readings that no draw reached")


def run(*arguments: str | Path | int) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def pretend(monkeypatch: pytest.MonkeyPatch, report: DefectReport) -> None:
    """The campaign, which takes its time, says this."""

    def planted(*_: Any, **__: Any) -> DefectReport:
        return report

    monkeypatch.setattr(sys.modules["codegen.pipeline.check"], "run_campaign", planted)


@pytest.fixture
def missing_one(monkeypatch: pytest.MonkeyPatch) -> None:
    pretend(monkeypatch, DefectReport("vent", ("bits",), (KIND,), (MISSED,), 7.5, 3))


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("planted") / "vent"
    ship_graph(vent_controller(), "cortex-m0plus", folder, ticks=TICKS, clock_hz=16e6)
    return folder


@pytest.fixture
def vent(shipped: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(shipped, tmp_path / "vent"))


def read(folder: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((folder / "evidence.json").read_text(encoding="utf-8"))
    return document


@pytest.mark.long
def test_real_campaign_goes_into_evidence_and_report(vent: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules["codegen.pipeline.check"], "PLACES_PER_KIND", 1)
    before = read(vent)
    result = run("verify", vent, "--defects", "--ticks", TICKS, "--json")

    assert result.exit_code == 0, result.output
    told, after = json.loads(result.output), read(vent)
    defects = after["defects"]
    assert told["renewed"] == ["evidence.json", "report.html"]
    assert told["defects"] == defects
    assert defects["tried"] > 25
    assert defects["tried"] == defects["killed"] + defects["equivalent"] + defects["survived"]
    assert defects["rate_of_kinds_1_to_31"] == 1.0
    assert defects["rate"] >= 0.95
    assert len(Page((vent / "report.html").read_text(encoding="utf-8")).tables["defect-kinds"].rows) == len(defects["kinds"])
    assert (before["defects"]["tried"], "tried" in before["defects"]["note"]) == (0, False)
    for document in (before, after):
        del document["defects"], document["times"]
    assert after == before


def test_survivors_are_warnings_and_worse_rates_are_named(vent: Path, missing_one: None, tmp_path: Path) -> None:
    baseline, sarif = tmp_path / "committed.json", tmp_path / "s.sarif"
    committed = read(vent)
    committed["defects"] = {"tried": 9, "killed": 9, "equivalent": 0, "survived": 0}
    baseline.write_text(json.dumps(committed), encoding="utf-8")
    result = run(
        "verify", vent, "--defects", "--ticks", TICKS, "--sarif", sarif, "--annotations", "--baseline", baseline, "--json"
    )

    told = json.loads(result.stdout)
    assert result.exit_code == 1
    assert told["failures"] == []
    assert told["worse"] == [
        "defects, share killed: 1 before, 0.857143 now",
        "defects, tried: 9 before, 8 now",
        "defects, survived: 0 before, 1 now",
    ]
    (found,) = json.loads(sarif.read_text(encoding="utf-8"))["runs"][0]["results"]
    assert (found["level"], found["ruleId"]) == ("warning", "loopwright/planted-defect-missed")
    assert found["locations"][0]["physicalLocation"]["region"]["startLine"] == 42
    assert "it would take readings that no draw reached" in found["message"]["text"]
    assert "line=42,title=planted defect missed" in result.stderr


def test_a_weaker_run_does_not_replace_the_evidence(vent: Path, missing_one: None) -> None:
    before = (vent / "evidence.json").read_bytes()
    result = run("verify", vent, "--defects", "--ticks", TICKS // 4)

    assert result.exit_code == 0
    assert "evidence and report stay as they are: worse than in evidence.json there: property bit-exact, count" in result.output
    assert "defects found" in result.output
    assert (vent / "evidence.json").read_bytes() == before


@pytest.mark.long
def test_an_edited_text_leaves_the_shipment_alone(vent: Path, missing_one: None, tmp_path: Path) -> None:
    before = (vent / "evidence.json").read_bytes()
    edited = tmp_path / "edited.c"
    edited.write_text((vent / "vent.c").read_text(encoding="utf-8") + "/* mine */\n", encoding="utf-8")
    result = run("verify", vent, "--source", edited, "--defects", "--ticks", TICKS)

    assert result.exit_code == 0
    assert "written anew" not in result.output
    assert (vent / "evidence.json").read_bytes() == before


def test_shipping_with_defects_says_so_at_once(missing_one: None, tmp_path: Path) -> None:
    shipped = ship_graph(vent_controller(), "cortex-m0plus", tmp_path / "new", ticks=TICKS, defects=True)

    assert shipped.failures == ()
    assert read(tmp_path / "new")["defects"]["survivors"] == [vars(MISSED)]
    page = Page((tmp_path / "new" / "report.html").read_text(encoding="utf-8"))
    assert page.tables["defect-survivors"].rows[0][1] == "42"


def test_hand_written_c_has_no_campaign() -> None:
    result = run("verify", Path(__file__).parent / "examples" / "handwritten" / "vent.toml", "--defects")

    assert result.exit_code == 2
    assert "defects are planted into emitted C only" in result.output
