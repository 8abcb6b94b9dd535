"""The report says everything a shipment holds, once, in a page that is whole by itself."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from math import inf, nan
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from codegen.bounds import bound_closed_loop, bound_many_ticks, bound_one_tick
from codegen.build import read_build
from codegen.control import ARMED_REGIME, surround_any, trace_controller
from codegen.defects import KINDS, DefectReport, KindRow, Survivor
from codegen.design import design_controller
from codegen.design.goals import Verdict
from codegen.emit import emit_controller
from codegen.emit.comments import CAUTIONS
from codegen.flight import FlightCheck, FlightVerdict, record_flights, set_terms
from codegen.flight.search import check_capacity
from codegen.flight.stand import check_rest
from codegen.formats import choose_formats
from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import low_pass
from codegen.host.controller import HostController
from codegen.native.compile import SanitizerReport
from codegen.plant import Scenario, StepFunction, fly_any, model_plant
from codegen.ranges import find_ranges
from codegen.report import draw_flight, write_report
from codegen.report.draw import thinned
from codegen.report.headline import POKE_CHECK, REST_CHECK
from codegen.report.wording import figure, fixed_point, whole
from codegen.shipment import Checks, Realisation, Shipment
from codegen.targets import read_target
from codegen.verify import check_bits, check_errors
from codegen.verify.bits import Difference
from tests.pages import Page

EXAMPLES = Path(__file__).parent / "examples"
SVG = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"


def _realise(graph: Graph, target: str, regime: Mapping[str, bool], signals: tuple[str, ...]) -> Realisation:
    ranges = find_ranges(graph)
    fixed = choose_formats(ranges, read_target(target))
    one_tick, margins = bound_one_tick(fixed)
    many, reason = bound_many_ticks(fixed, regime, signals)
    emission = emit_controller(fixed, {name: bound.counts for name, bound in one_tick.items()})
    return Realisation(ranges, read_target(target), 3.0, fixed, emission, one_tick, margins, many, reason, None)


def _valve(title: str = "Valve, a small filter (invented)") -> Graph:
    graph = GraphBuilder("valve", 0.01, title=title)
    level = graph.input("level", "int16_t", 0.001, "m", note="water level & its <mean>")
    smooth = low_pass(graph, "calm_level", level, 0.5, "m")
    high = graph.compare("too_high", [(1.0, smooth)], ">", 1.5, note="more than 1.5 m")
    opened = graph.weighted_sum("opening", [(0.4, smooth)], limits=(0.0, 1.0), resolution=0.01)
    graph.output("opening", opened, "int16_t")
    graph.output("alarm", high, "bool")
    return graph.finish()


def _ship_graph(graph: Graph) -> Shipment:
    part = _realise(graph, "cortex-m4", {}, ("calm_level", "opening"))
    checks = Checks(check_bits(part.emission, part.fixed, 1), check_errors(part.fixed, part.one_tick, part.margins), None, ())
    return Shipment(graph, part, checks, None, None, {"compiler": "of <this> machine"}, {"stage": 0.25})


@pytest.fixture(scope="session")
def valve() -> Shipment:
    return _ship_graph(_valve())


@pytest.fixture(scope="session")
def valve_page(valve: Shipment) -> Page:
    return Page(write_report(valve))


@pytest.fixture(scope="session")
def lantern() -> Shipment:
    build = read_build(EXAMPLES / "lantern_calm.toml")
    plant = model_plant(build)
    design = design_controller(build, plant)
    graph = trace_controller(design, build.name, build.title)
    part = _realise(graph, "cortex-m4", ARMED_REGIME, ("tilt", "drive_command"))
    part = replace(part, loop=bound_closed_loop(part.fixed, ARMED_REGIME, surround_any(plant), "command_wanted"))
    terms = set_terms(build, design)
    with HostController(part.emission, part.fixed) as host:

        def make_step() -> StepFunction:
            return StepFunction(*host.flight_step())

        verdict = FlightVerdict(
            "quick",
            (
                *check_rest(plant, terms, make_step, 5.0),
                *check_capacity(plant, terms, make_step),
                FlightCheck("integer against float64: tilt RMS", 2.0, 0.3, "%", "at most"),
            ),
            900.0,
        )
        recordings = record_flights(plant, terms, host)
    checks = Checks(check_bits(part.emission, part.fixed, 1), check_errors(part.fixed, part.one_tick, part.margins), verdict, recordings)
    return Shipment(graph, part, checks, build, design, {"numpy": np.__version__}, {"designing": 1.0, "flying": 2.0})


@pytest.fixture(scope="session")
def lantern_html(lantern: Shipment) -> str:
    return write_report(lantern)


@pytest.fixture(scope="session")
def lantern_page(lantern_html: str) -> Page:
    return Page(lantern_html)


@pytest.fixture(scope="session")
def broken(lantern: Shipment) -> tuple[Shipment, Page]:
    """The same shipment with everything wrong that can be."""
    design, flight = lantern.design, lantern.checks.flight
    assert design is not None and flight is not None and lantern.realisation.loop is not None
    first = Difference("trim", 17, 4, -5, "edges", False, np.zeros((18, 6), dtype=np.int64))
    bits = replace(lantern.checks.bits, mismatches=3, first=first, sanitizer=(SanitizerReport("shift too far", "lantern.c", 41, 7, 2),))
    errors = replace(lantern.checks.errors, violations=2, first="tilt: error 1 outside [0, 0]")
    lost = FlightCheck("wheel comes back, from <both> sides", 2.0, nan, "s", "at most")
    goal = Verdict("goals.poke_n_m_s", 0.5, 0.004, "N m s", False, "raise drive.current_limit_a & drive.supply_v", "at least")
    margins = replace(design.margins, gain_margin_up=inf, delay_margin_s=inf)
    unstable = replace(design.margins, stable=False, peak_sensitivity=nan)
    shipment = replace(
        lantern,
        design=replace(design, margins=margins, corners=(("inertia x 9", unstable), *design.corners[1:]), verdicts=(goal,)),
        checks=replace(lantern.checks, bits=bits, errors=errors, flight=replace(flight, checks=(*flight.checks, lost))),
        realisation=replace(
            lantern.realisation,
            many_ticks={},
            many_ticks_reason="an integrator keeps <errors>",
            loop=replace(lantern.realisation.loop, spectral_radius=1.25, bounds={}),
        ),
    )
    return shipment, Page(write_report(shipment))


def test_the_lantern_page_is_whole_by_itself(lantern_html: str, lantern_page: Page) -> None:
    assert len(lantern_html.encode("utf-8")) < 3_000_000
    assert len(set(lantern_page.anchors)) == len(lantern_page.anchors)
    for link in lantern_page.links:
        assert link.startswith("data:image/svg+xml;base64,") or link.removeprefix("#") in lantern_page.anchors
    assert not lantern_page.kinds & {"script", "link", "iframe", "object"}
    assert "url(" not in lantern_html and "@import" not in lantern_html


def test_no_bare_program_words_leak(lantern_page: Page, valve_page: Page, broken: tuple[Shipment, Page]) -> None:
    for page in (lantern_page, valve_page, broken[1]):
        assert not re.findall(r"\b(?:nan|None|inf|True|False|object at)\b|[{}]|Fraction\(", page.text)


def test_every_signal_stands_once_in_one_table(lantern: Shipment, lantern_page: Page) -> None:
    nodes = lantern.realisation.fixed.graph.nodes
    numbers, truths = lantern_page.tables["signals"].names, lantern_page.tables["truths"].names
    assert sorted(numbers) == sorted(name for name, node in nodes.items() if not node.is_bool)
    assert sorted(truths) == sorted(name for name, node in nodes.items() if node.is_bool)


def test_a_signal_s_row_shows_its_format_range_and_bound(lantern: Shipment, lantern_page: Page) -> None:
    table, part = lantern_page.tables["signals"], lantern.realisation
    row = dict(zip(table.headings, table.rows[table.names.index("command_wanted")], strict=True))
    bound, stored = part.one_tick["command_wanted"], part.fixed.formats["command_wanted"]
    seen = next(each for each in lantern.checks.errors.signals if each.name == "command_wanted")
    assert row["format"] == stored.label
    assert row["proven range"] == "\u22121.2 … 1.2"
    assert row["error bound"] == figure(bound.magnitude)
    assert row["largest seen"] == figure(seen.seen)
    assert float(row["bound / seen"]) == pytest.approx(bound.magnitude / seen.seen, abs=5e-4)
    assert bound.contributors[0][0] in row["bound made of"]


def test_all_tables_are_rectangular(lantern_page: Page, broken: tuple[Shipment, Page]) -> None:
    for page in (lantern_page, broken[1]):
        for name, table in page.tables.items():
            assert table.rows, name
            assert {len(row) for row in table.rows} == {len(table.headings)}, name


def test_every_goal_check_gain_and_version_is_shown(lantern: Shipment, lantern_page: Page) -> None:
    design, flight = lantern.design, lantern.checks.flight
    assert design is not None and flight is not None
    assert len(lantern_page.tables["goals"].rows) == len(design.verdicts)
    shown = lantern_page.tables["flight-checks"].names + lantern_page.tables["reference-checks"].names
    assert shown == [check.name for check in flight.checks]
    for _, reason in design.reasons:
        assert reason in lantern_page.text
    assert lantern_page.tables["margins"].names == ["as built", *(label for label, _ in design.corners)]
    assert lantern_page.tables["versions"].rows == [["numpy", np.__version__]]
    assert lantern_page.tables["seconds"].names == ["designing", "flying"]


def test_the_top_of_the_page_has_verdict_figures_and_cautions(lantern: Shipment, lantern_page: Page) -> None:
    assert lantern.failures == ()
    assert "Everything that was checked holds" in lantern_page.text
    assert " ".join(" ".join(CAUTIONS).split()) in lantern_page.text
    assert "belongs to whoever emitted it" in lantern_page.text
    flight, design = lantern.checks.flight, lantern.design
    assert flight is not None and design is not None
    checks = {check.name: check for check in flight.checks}
    assert f"flown {figure(checks[REST_CHECK].reached)} deg" in lantern_page.text
    assert f"flown {figure(checks[POKE_CHECK].reached)}, goal 3" in lantern_page.text
    assert f"{whole(lantern.checks.bits.ticks)} ticks" in lantern_page.text
    # Recoverable tilt 12.74 deg and poke 0.0052 N m s of this invented machine: an independent simulator's figures.
    assert "12.7 deg" in lantern_page.text and re.search(r"\b5\.2\d mN m s", lantern_page.text)


def test_every_failure_is_listed_and_every_kind_of_trouble_shown(broken: tuple[Shipment, Page]) -> None:
    shipment, page = broken
    assert len(shipment.failures) == 5
    for failure in shipment.failures:
        assert " ".join(failure.split()) in page.text
    assert "Does not hold: 5 failures" in page.text
    assert page.tables["first-difference"].rows == [["trim", "17", "4", "\u22125", "edges", "random memory"]]
    assert page.tables["undefined"].rows == [["shift too far", "lantern.c:41:7", "2"]]
    assert page.tables["margins"].rows[0][5] == "no limit" and page.tables["margins"].rows[1][1].endswith("NO")
    lost = page.tables["flight-checks"].rows[-1]
    assert lost[2] == "never" and lost[3].endswith("NO")
    assert "what would help: raise drive.current_limit_a & drive.supply_v" in page.text
    assert "an integrator keeps <errors>" in page.text and "many-ticks" not in page.tables
    assert "1.25 of themselves" in page.text and "loop-bounds" not in page.tables


def test_a_controller_without_a_machine_gets_sentences_instead_of_sections(valve: Shipment, valve_page: Page) -> None:
    page = valve_page
    for gone in ("limits", "goals", "gains", "margins", "flight-checks", "loop-bounds"):
        assert gone not in page.tables
    for said in ("without a build file", "designed elsewhere", "nothing to fly", "no closed loop to bound"):
        assert said in page.text
    assert set(page.tables["signals"].names) | set(page.tables["truths"].names) == set(valve.realisation.fixed.graph.nodes)
    assert page.tables["added-limits"].names == ["calm_level"]
    whole_tick = page.tables["choices"].rows[-1]
    assert int(whole_tick[2]) == sum(one.cycles for one in valve.realisation.fixed.choices) > 0
    assert list(page.pictures) == ["bound-bars"]


def _campaign() -> DefectReport:
    kinds = (
        KindRow(1, KINDS[1].title, 5, 5, {"bits": 4, "16-bit int": 5}, 5, 0),
        KindRow(15, KINDS[15].title, 9, 8, {"bits": 6}, 6, 1),
        KindRow(26, KINDS[26].title, 0, 0, {}, 0, 0, "there is no table"),
    )
    missed = Survivor(15, KINDS[15].title, 42, "opening", "limit 1000 is <2000>", "readings that no draw reached")
    return DefectReport("valve", ("bits", "16-bit int"), kinds, (missed,), 7.5, 3)


def test_planted_defects_are_told_kind_by_kind(valve: Shipment, valve_page: Page) -> None:
    page = Page(write_report(replace(valve, checks=replace(valve.checks, defects=_campaign()))))
    assert "No defects were planted" in valve_page.text and "No defects were planted" not in page.text
    assert "13 mistakes of 2 kinds" in page.text and "11 were found; 1 turned out to be the same controller" in page.text
    assert "one was missed" in page.text and "the checks find 91.67\u202f%" in page.text and "1 kind of the catalogue" in page.text
    table = page.tables["defect-kinds"]
    assert table.names == ["1", "15"]
    assert table.rows[0][1:] == [KINDS[1].title, "5", "5", "\u2013", "\u2013", "bits 4, 16-bit int 5"]
    assert table.rows[1][1:] == [KINDS[15].title, "8", "6", "1", "1", "bits 6"]
    assert page.tables["defect-survivors"].rows == [
        [KINDS[15].title, "42", "opening: limit 1000 is <2000>", "readings that no draw reached"]
    ]
    assert "defect-methods" in page.pictures and "defect-methods" not in valve_page.pictures


def test_a_target_that_was_not_tried_is_said(valve_page: Page) -> None:
    assert "The microcontroller was not tried." in valve_page.text
    assert "Nothing here ran on the microcontroller, real or emulated" in valve_page.text


def test_titles_and_notes_are_escaped() -> None:
    title = 'A <b>"valve" & </title><script>x</script> of $5'
    html = write_report(_ship_graph(_valve(title)))
    page = Page(html)
    assert title in page.text and "water level & its <mean>" in page.text
    assert "script" not in page.kinds and "b" not in page.kinds


def test_same_shipment_same_bytes(valve: Shipment, lantern: Shipment, lantern_html: str) -> None:
    assert write_report(valve) == write_report(valve)
    assert write_report(lantern) == lantern_html


def test_times_stand_in_one_table_only(valve: Shipment) -> None:
    def without_times(shipment: Shipment) -> str:
        html = write_report(shipment)
        return re.sub(r'<table id="seconds".*?</table>', "", html, flags=re.DOTALL)

    bits = replace(valve.checks.bits, seconds=77.7)
    errors = replace(valve.checks.errors, seconds=66.6)
    later = replace(valve, seconds={"stage": 123.4, "other": 5.0}, checks=replace(valve.checks, bits=bits, errors=errors))
    assert write_report(later) != write_report(valve)
    assert without_times(later) == without_times(valve)


def test_pictures_are_drawings_that_need_nothing_else(lantern_page: Page) -> None:
    assert set(lantern_page.pictures) >= {"poke", "fall", "nyquist", "sensitivity", "bound-bars", "flight-learning", "flight-poke"}
    for name, text in lantern_page.pictures.items():
        root = ElementTree.fromstring(text)
        assert root.tag == f"{SVG}svg", name
        assert all(element.get(LINK, "#").startswith("#") for element in root.iter()), name
        assert root.findall(f".//{SVG}path"), name
        assert not root.findall(f".//{SVG}image") and "<dc:date>" not in text, name


def test_pictures_leave_no_style_behind(valve: Shipment) -> None:
    import matplotlib

    matplotlib.rcParams["lines.linewidth"] = 7.5
    try:
        html = write_report(valve)
        assert matplotlib.rcParams["lines.linewidth"] == 7.5
    finally:
        matplotlib.rcdefaults()
    assert write_report(valve) == html


def test_a_single_flight_is_drawn_with_any_title(lantern: Shipment) -> None:
    design = lantern.design
    assert design is not None
    with HostController(lantern.realisation.emission, lantern.realisation.fixed) as host:
        flight = fly_any(design.plant, StepFunction(*host.flight_step()), Scenario(1.0, hold_s=0.2, arm_s=0.2, record_every=1))
    text = draw_flight(flight, r"a <title> & with $\nonsense$")
    assert ElementTree.fromstring(text).tag == f"{SVG}svg"
    assert text == draw_flight(flight, r"a <title> & with $\nonsense$")


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=3000), st.integers(2, 200))
def test_thinning_keeps_ends_and_extremes(numbers: list[float], most: int) -> None:
    values = np.array(numbers)
    kept = thinned(values, most)
    assert np.all(np.diff(kept) > 0) and kept[0] == 0 and kept[-1] == len(values) - 1
    assert values[kept].min() == values.min() and values[kept].max() == values.max()
    assert len(kept) <= most + 2


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (12.7415, "12.7"),
        (-0.0052199, "\u22120.00522"),
        (0.99999, "1"),
        (400.0, "400"),
        (8280.0, "8280"),
        (17777.4, "17\u202f777"),
        (4548143.7, "4.55\u202f\u00d7\u202f10⁶"),
        (-5.07e-8, "\u22125.07\u202f\u00d7\u202f10⁻⁸"),
        (inf, "no limit"),
        (nan, "never"),
    ],
)
def test_figures_read_as_people_write_them(value: float, text: str) -> None:
    assert figure(value) == text


@given(st.floats(1e-12, 1e12), st.integers(1, 6))
def test_a_figure_is_its_number_to_the_digits_asked(value: float, digits: int) -> None:
    text = figure(value, digits).replace("\u202f", "")
    mantissa, _, power = text.partition("\u00d710")
    exponent = int(power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")) or "0")
    assert float(f"{mantissa}e{exponent}") == pytest.approx(value, rel=0.5001 * 10.0 ** (1 - digits))


def test_fixed_decimals_keep_their_zeros() -> None:
    assert fixed_point(1.2, 2) == "1.20" and fixed_point(-1.0, 1) == "\u22121.0" and fixed_point(inf, 2) == "no limit"


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb: W3C, "Web Content Accessibility Guidelines (WCAG) 2.2" (2023), definitions (from memory)."""
    parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(
    ("front", "back"),
    [
        ("ink", "paper"),
        ("ink", "ground"),
        ("ink", "care-ground"),
        ("soft", "paper"),
        ("soft", "ground"),
        ("accent", "paper"),
        ("accent", "ground"),
        ("good", "paper"),
        ("good", "good-ground"),
        ("bad", "paper"),
        ("bad", "bad-ground"),
    ],
)
def test_text_stands_out_from_its_ground(front: str, back: str, lantern_html: str) -> None:
    """WCAG 2.2, success criterion 1.4.3 (minimum contrast, level AA): 4.5 to 1 for text (from memory)."""
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", lantern_html))
    bright, dark = sorted((_luminance(colours[front]), _luminance(colours[back])), reverse=True)
    assert (bright + 0.05) / (dark + 0.05) >= 4.5
