"""Broken logs: each gets one clear error that names file, line and remedy, or is mended and says so."""

from __future__ import annotations

import functools
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from codegen.bench import Experiment, measure_log, parse_log, read_log
from codegen.errors import BenchError
from tests.bench_runs import csv_text, lantern, nominal, rest_columns, scale_columns, spin_columns, square_columns, swing_columns

PLACES = {"time_s": 4}


@functools.cache
def sound(kind: str) -> str:
    """A sound log of this kind, some thousand rows at most."""
    truth, rng = nominal("calm"), np.random.default_rng(4)
    if kind == "swing":
        columns = swing_columns(truth, rng, seconds=10.4, period_s=0.004)
    elif kind == "square":
        columns = {name: values[::4] for name, values in square_columns(truth, 4, seconds=8.0).items()}
    elif kind == "spin":
        columns = {name: values[::8] for name, values in spin_columns(truth, 4).items()}
    elif kind == "rest":
        columns = {name: values[::4] for name, values in rest_columns(truth, 4, seconds=20.0).items()}
    else:
        columns = scale_columns(truth, rng)
    header = [f"# kind = {kind}", *(["# wheel = taped"] if kind == "swing" else [])]
    return csv_text(columns, header, PLACES)


def measured(content: str | bytes, name: str = "log.csv") -> Experiment:
    data = content.encode("utf-8") if isinstance(content, str) else content
    return measure_log(parse_log(data, name), lantern("calm"))


def lines(kind: str, change: Callable[[list[str]], list[str]]) -> str:
    """The sound log of a kind, its list of lines changed."""
    return "\n".join(change(sound(kind).splitlines())) + "\n"


def cells(kind: str, column: str, change: Callable[[float], float], first: int = 0, end: int | None = None) -> str:
    """The sound log of a kind with one column changed in some rows."""
    text = sound(kind).splitlines()
    start = next(i for i, line in enumerate(text) if not line.startswith("#"))
    place = text[start].split(",").index(column)
    rows = text[start + 1 :]
    for row in range(len(rows))[first:end]:
        parts = rows[row].split(",")
        parts[place] = f"{change(float(parts[place])):.6g}"
        rows[row] = ",".join(parts)
    return "\n".join([*text[: start + 1], *rows]) + "\n"


def renamed(kind: str, **names: str) -> str:
    text = sound(kind)
    for old, new in names.items():
        text = text.replace(old, new, 1)
    return text


def resampled(kind: str, times: int) -> str:
    """Every row repeated, with its own time stamp."""
    text = sound(kind).splitlines()
    start = next(i for i, line in enumerate(text) if not line.startswith("#"))
    rows = [line.split(",") for line in text[start + 1 :]]
    step = (float(rows[1][0]) - float(rows[0][0])) / times
    longer = [[f"{float(row[0]) + k * step:.5f}", *row[1:]] for row in rows for k in range(times)]
    return "\n".join([*text[: start + 1], *(",".join(row) for row in longer)]) + "\n"


@dataclass(frozen=True)
class Broken:
    """A broken log.

    Attributes:
        name: What is broken.
        content: The log.
        line: Line that the message must name; 0 where the message is about the log as a whole.
        says: Pieces of the message.
    """

    name: str
    content: Callable[[], str | bytes]
    line: int
    says: tuple[str, ...]


REFUSED = (
    Broken("empty", lambda: "", 1, ("the log is empty", "column names")),
    Broken("comments only", lambda: "# kind = swing\n# nothing\n", 2, ("comments only",)),
    Broken("no rows", lambda: "time_s,gyro_dps\n", 1, ("no rows",)),
    Broken("binary", lambda: b"time_s,gyro_dps\n0.0,\x00\x01\x02\n", 2, ("binary", "one row of numbers per line")),
    Broken("UTF-16", lambda: "time_s,gyro_dps\n0,1\n".encode("utf-16"), 1, ("UTF-16", "UTF-8")),
    Broken("Latin-1", lambda: "# Wärme\ntime_s,gyro_dps\n".encode("latin-1"), 1, ("0xe4", "UTF-8")),
    Broken("one column", lambda: "time_s\n0.0\n", 1, ("one column only",)),
    Broken("separated by blanks", lambda: sound("swing").replace(",", "  "), 3, ("not separated by commas", "commas")),
    Broken("separated by bars", lambda: sound("swing").replace(",", "|"), 3, ("not separated by commas",)),
    Broken(
        "decimal commas between commas",
        lambda: lines("swing", lambda t: [*t[:3], *(line.replace(".", ",") for line in t[3:])]),
        4,
        ("3 cells for 2 columns", "decimal commas need semicolons"),
    ),
    Broken("no names", lambda: lines("swing", lambda t: [t[0], *t[3:]]), 2, ("no line of column names", "# columns = ")),
    Broken("unit missing", lambda: renamed("swing", gyro_counts="gyro"), 3, ("column gyro", "does not say its unit", "gyro_dps")),
    Broken("name misspelt", lambda: renamed("swing", gyro_counts="gyro_count"), 3, ("column gyro_count", "did you mean gyro_counts?")),
    Broken("no name understood", lambda: "a,b\n1,2\n", 1, ("no column name is understood (a, b)", "gyro_dps")),
    Broken("quantity twice", lambda: renamed("square", wheel_counts="gyro_dps"), 2, ("two columns hold the same quantity", "gyro_dps")),
    Broken("key misspelt", lambda: "# weel = taped\n" + sound("swing"), 1, ("weel", "unknown key", "did you mean wheel?")),
    Broken("key twice", lambda: "# kind = swing\n" + sound("swing"), 2, ("given twice (first in line 1)",)),
    Broken("kind unknown", lambda: renamed("swing", swing="swings"), 1, ('"swings" is not known', "did you mean swing?")),
    Broken("wheel unknown", lambda: renamed("swing", taped="tied"), 2, ('"tied" is not known here',)),
    Broken(
        "bad number declared",
        lambda: "# scale_resolution_g = one\n" + sound("scale"),
        1,
        ('"one" is not a positive number', "scale_resolution_g"),
    ),
    Broken(
        "columns do not fit",
        lambda: "# columns = time_s, gyro_dps, -\n" + sound("swing"),
        1,
        ("3 columns are declared, the first row has 2",),
    ),
    Broken("reversed column absent", lambda: "# reverse = wheel_counts\n" + sound("swing"), 1, ("there is no column wheel_counts",)),
    Broken("missing column", lambda: renamed("square", gyro_counts="unused"), 2, ("needs the gyro", "gyro_dps")),
    Broken("no time", lambda: renamed("swing", time_s="count"), 3, ("no column of time", "time_ms")),
    Broken("cut off", lambda: sound("swing").rsplit(",", 1)[0], 2603, ("1 of 2 columns", "cut off", "delete the line")),
    Broken("short row", lambda: lines("swing", lambda t: [*t[:9], t[9].split(",")[0], *t[10:]]), 10, ("1 cell for 2 columns",)),
    Broken("a word", lambda: lines("swing", lambda t: [*t[:9], "0.0240,none", *t[10:]]), 10, ('"none" is not a number', "cell 2")),
    Broken("thousands", lambda: lines("swing", lambda t: [*t[:9], "0.0240,1 234", *t[10:]]), 10, ('"1 234" is not a number',)),
    Broken("infinite", lambda: lines("swing", lambda t: [*t[:9], "0.0240,inf", *t[10:]]), 10, ("not a finite number", "cell 2")),
    Broken("time runs back", lambda: lines("swing", lambda t: [*t[:500], *t[100:]]), 501, ("time runs back", "one run per log")),
    Broken(
        "coarse stamps",
        lambda: cells("swing", "time_s", lambda t: math.floor(t * 50) / 50),
        5,
        ("have the time stamp of the row before", "more digits"),
    ),
    Broken("too few rows", lambda: lines("swing", lambda t: t[:30]), 3, ("only 27 rows can be used",)),
    Broken("mostly NaN", lambda: cells("swing", "gyro_counts", lambda x: math.nan, 0, 1742), 4, ("67 % of the readings are missing",)),
    Broken("milliseconds as seconds", lambda: cells("swing", "time_s", lambda t: 1e3 * t), 4, ("unit of the time column",)),
    Broken("counts as deg/s", lambda: renamed("swing", gyro_counts="gyro_dps"), 4, ("unit", "which no pendulum swings")),
    Broken(
        "deg/s written, rad/s meant",
        lambda: cells("swing", "gyro_counts", lambda x: x / 65.536 / 57.3).replace("gyro_counts", "gyro_dps"),
        4,
        ("57.3 times", "column gyro_dps"),
    ),
    Broken("no swing", lambda: cells("swing", "gyro_counts", lambda x: 5.0), 4, ("no swing can be seen", "--guide")),
    Broken(
        "noise for a swing",
        lambda: sound("rest").replace("rest", "swing").replace("accel_tangential_counts", "accel_radial_counts"),
        3,
        ("swing",),
    ),
    Broken("few swings", lambda: lines("swing", lambda t: t[:603]), 4, ("swings only", "better 30")),
    Broken(
        "not left alone",
        lambda: lines(
            "swing", lambda t: [*t[:1000], *(f"{line.split(',')[0]},{9000 * ((k // 70) % 2)}" for k, line in enumerate(t[1000:]))]
        ),
        4,
        ("no swing of a body that hangs and is left alone",),
    ),
    Broken(
        "clipped",
        lambda: cells("swing", "gyro_counts", lambda x: max(-2000.0, min(2000.0, x))).replace("gyro_counts", "gyro_dps"),
        0,
        ("% of the readings are at the end of the sensor's range",),
    ),
    Broken("too many counts", lambda: cells("swing", "gyro_counts", lambda x: 20 * x), 0, ("does not fit into the sensor's 16 bits",)),
    Broken(
        "wheel clipped", lambda: cells("square", "wheel_counts", lambda x: 32767.0, 300, 310), 303, ("end of the range", "less current")
    ),
    Broken("gyro reversed", lambda: cells("square", "gyro_counts", lambda x: -x), 3, ("opposite senses", "# reverse = gyro_counts")),
    Broken("wheel reversed", lambda: cells("square", "wheel_counts", lambda x: -x), 3, ("opposite senses", "# reverse = gyro_counts or")),
    Broken(
        "command reversed",
        lambda: cells("square", "command_counts", lambda x: -x),
        3,
        ("positive command_counts makes the wheel turn the negative way",),
    ),
    Broken("command reversed in a spin-up", lambda: cells("spin", "command_counts", lambda x: -x), 3, ("# reverse = command_counts",)),
    Broken("wheel does not turn", lambda: cells("spin", "wheel_counts", lambda x: 0.0), 3, ("turned at 0 rad/s at most",)),
    Broken(
        "gyro in the wrong unit",
        lambda: cells("square", "gyro_counts", lambda x: x / 57.3),
        3,
        ("by the build file it is", "a factor of 57.3"),
    ),
    Broken("another body's wheel", lambda: cells("square", "wheel_counts", lambda x: abs(x)), 3, ("check",)),
    Broken(
        "moving at rest",
        lambda: sound("swing").replace("kind = swing", "kind = rest").replace("# wheel = taped\n", "#\n"),
        4,
        ("the body moved",),
    ),
    Broken("short rest", lambda: lines("rest", lambda t: t[:2000]), 2, ("better 60 s",)),
    Broken("rounded rest", lambda: cells("rest", "gyro_counts", lambda x: round(x / 1000) * 1000), 3, ("steps hide the noise",)),
    Broken("scale in kg as g", lambda: cells("scale", "scale_g", lambda x: x / 1000), 8, ("of its steps only", "column's unit")),
    Broken("lever in mm as m", lambda: renamed("scale", lever_mm="lever_m"), 0, ("beyond a small machine", "lever_m")),
    Broken("negative scale", lambda: cells("scale", "scale_g", lambda x: -x, 1, 2), 4, ("not positive",)),
    Broken("one reading off", lambda: cells("scale", "scale_g", lambda x: 1.1 * x, 2, 3), 5, ("reading 3 gives", "sigma apart")),
    Broken("kind that the columns do not fit", lambda: sound("scale").replace("kind = scale", "kind = rest"), 2, ("no column of time",)),
)


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: case.name)
def test_broken_log_gets_one_error(case: Broken) -> None:
    """A BenchError that names the file, the line, what is wrong and how to mend it."""
    with pytest.raises(BenchError) as caught:
        measured(case.content())
    message = caught.value.message()
    assert caught.value.where.startswith("log.csv"), message
    if case.line:
        assert f"{caught.value.where},".startswith(f"log.csv, line {case.line},"), message
    for piece in case.says:
        assert piece in message
    assert caught.value.what
    assert caught.value.remedy
    assert caught.value.exit_status == 2
    assert message.replace("\n  to mend it: ", "", 1).isprintable()


@dataclass(frozen=True)
class Mended:
    """A log that is read all the same.

    Attributes:
        name: What is odd.
        content: The log.
        note: Piece of a note that must be given.
        key: Ratio that must come out as from the sound log.
        tolerance: By how much it may differ, as a share.
    """

    name: str
    content: Callable[[], str | bytes]
    note: str
    key: str = "locked"
    tolerance: float = 1e-4


def with_gap(kind: str) -> str:
    return lines(kind, lambda t: [*t[:1000], *t[1100:]])


MENDED = (
    Mended("byte order mark", lambda: b"\xef\xbb\xbf" + sound("swing").encode(), "byte order mark", tolerance=0.0),
    Mended("semicolons", lambda: sound("swing").replace(",", ";"), "separated by semicolons", tolerance=0.0),
    Mended("tabs", lambda: sound("swing").replace(",", "\t"), "separated by tabs", tolerance=0.0),
    Mended("Windows line ends", lambda: sound("swing").replace("\n", "\r\n"), "", tolerance=0.0),
    Mended(
        "semicolons and decimal commas",
        lambda: sound("swing").replace(",", ";").replace(".", ","),
        "decimal commas are read",
        tolerance=0.0,
    ),
    Mended(
        "blank lines",
        lambda: lines("swing", lambda t: [*t[:900], "", "# a bird sang", *t[900:]]),
        "2 blank or comment lines",
        tolerance=0.0,
    ),
    Mended("empty cells", lambda: lines("swing", lambda t: [*t[:900], "3.5880,", *t[901:]]), "1 empty cell taken as missing"),
    Mended("NaN", lambda: cells("swing", "gyro_counts", lambda x: math.nan, 500, 540), "40 readings of gyro_counts missing"),
    Mended("time stamps missing", lambda: lines("swing", lambda t: [*t[:900], ",100", *t[901:]]), "1 row without a time stamp"),
    Mended("repeated stamps", lambda: lines("swing", lambda t: [*t[:900], t[899], t[899], *t[900:]]), "2 rows with a repeated time stamp"),
    Mended("gap in a swing", lambda: with_gap("swing"), "1 gap in time, the longest 0.404 s"),
    Mended("gap in a hanging run", lambda: with_gap("square"), "beside the longest stretch without a gap left out", "wheel", 5e-3),
    Mended("clipped gyro", lambda: cells("swing", "gyro_counts", lambda x: 32767.0, 400, 420), "20 clipped readings of gyro_counts"),
    Mended(
        "flat tops",
        lambda: cells("swing", "gyro_counts", lambda x: min(x, 5000.0) / 65.536).replace("gyro_counts", "gyro_dps"),
        "clipped readings of gyro_dps",
    ),
    Mended("written three times", lambda: resampled("swing", 3), "every reading stands in 3 rows", tolerance=1e-6),
    Mended(
        "extra column",
        lambda: lines("swing", lambda t: [*t[:2], *(f"{line},{'mood' if k == 0 else 1}" for k, line in enumerate(t[2:]))]),
        "left out, their names are not understood: mood",
        tolerance=0.0,
    ),
    Mended(
        "names declared", lambda: "# columns = time_s, gyro_counts\n" + renamed("swing", time_s="t", gyro_counts="wz"), "", tolerance=0.0
    ),
    Mended(
        "sign declared",
        lambda: "# reverse = gyro_counts\n" + cells("square", "gyro_counts", lambda x: -x),
        "the sign of gyro_counts is turned",
        "wheel",
        0.0,
    ),
    Mended("milliseconds", lambda: cells("swing", "time_s", lambda t: 1e3 * t).replace("time_s", "time_ms"), "", tolerance=1e-6),
    Mended(
        "radians",
        lambda: cells("swing", "gyro_counts", lambda x: x / 65.536 / 57.29578).replace("gyro_counts", "gyro_rad_s"),
        "",
        tolerance=1e-5,
    ),
    Mended("kind not declared", lambda: sound("swing").replace("# kind = swing\n", ""), "taken for a log of kind swing", tolerance=0.0),
)


@pytest.mark.parametrize("case", MENDED, ids=lambda case: case.name)
def test_odd_log_is_mended_and_says_so(case: Mended) -> None:
    """The number comes out as from the sound log, and a note says what was done."""
    found = measured(case.content())
    expected = measured(sound("square" if case.key == "wheel" else "swing"))
    assert found.ratios[case.key].value == pytest.approx(expected.ratios[case.key].value, rel=case.tolerance, abs=0)
    assert any(case.note in note for note in (*found.notes, "")), found.notes


@pytest.mark.parametrize("kind", ["swing", "square", "spin", "rest", "scale"])
def test_kind_is_recognised(kind: str) -> None:
    """Each sound log is taken for what it is, and that is said."""
    found = measured(sound(kind).replace(f"# kind = {kind}\n", ""))
    assert found.kind == kind
    assert found.notes[0].startswith(f"taken for a log of kind {kind}: ")


def test_resampled_rest_is_thinned_to_its_readings() -> None:
    """Straight lines between readings would halve the noise; they are found and left out."""
    text = sound("rest").splitlines()
    rows = np.array([[float(cell) for cell in line.split(",")] for line in text[2:]])
    count = 4 * (len(rows) - 1) + 1
    dense = np.column_stack([np.interp(np.arange(count) / 4, np.arange(len(rows)), column) for column in rows.T])
    content = "\n".join([*text[:2], *(f"{t:.4f},{g:.4f},{a:.4f}" for t, g, a in dense)]) + "\n"
    found, expected = measured(content), measured(sound("rest"))
    assert any("3 of 4 rows lie on straight lines" in note for note in found.notes)
    assert found.ratios["gyro_noise"].value == pytest.approx(expected.ratios["gyro_noise"].value, rel=2e-3)


def test_a_folder_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    """Neither is a log."""
    for path, words in ((tmp_path, "a folder"), (tmp_path / "none.csv", "no such file")):
        with pytest.raises(BenchError, match=words):
            read_log(path)


def test_a_million_rows_are_read_in_seconds(tmp_path: Path) -> None:
    """1e6 rows of four columns; the figure asserted is ten times what it takes on two idle cores."""
    rows = "\n".join(f"{k * 1e-4:.4f},{k % 977},{k % 31},{k % 7}" for k in range(1_000_000))
    path = tmp_path / "long.csv"
    path.write_text(f"time_s,gyro_counts,wheel_counts,command_counts\n{rows}\n", encoding="utf-8")
    begun = time.process_time()
    log = read_log(path)
    took = time.process_time() - begun
    assert len(log.lines) == 1_000_000
    assert log.columns["gyro"].values[976] == 976
    assert int(log.lines[-1]) == 1_000_001
    assert took < 15.0
