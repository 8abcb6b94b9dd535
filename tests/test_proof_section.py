"""Linear memory that no clamp bounds: proved by its peak gain from the start, and only where that argument holds.

Oracle outside the project: scipy's impulse response of the same filter (scipy.signal.lfilter), summed in floating point.
"""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from scipy.signal import lfilter

from codegen.proof import ProofReport, prove

HEADER = """\
#ifndef NOTCH_H
#define NOTCH_H
#include <stdint.h>
typedef struct { int16_t x; } notch_inputs;
typedef struct { int16_t y; } notch_outputs;
typedef struct { int16_t x1; int16_t x2; int16_t y1; int16_t y2; } notch_state;
#endif
"""
# A notch at 0.08 of the sampling rate with a quality of 2.5, coefficients in 13 fraction bits, direct form 1.
SOURCE = """\
#include "notch.h"

void notch_init(notch_state *state)
{
    state->x1 = 0;
    state->x2 = 0;
    state->y1 = 0;
    state->y2 = 0;
}

void notch_step(notch_state *state, const notch_inputs *inputs, notch_outputs *outputs)
{
    const int32_t sum = (int32_t)inputs->x * INT32_C(7472) - (int32_t)state->x1 * INT32_C(13096) + (int32_t)state->x2 * INT32_C(7472)
        + (int32_t)state->y1 * INT32_C(13096) - (int32_t)state->y2 * INT32_C(6752);
    const int16_t y = (int16_t)((sum + INT32_C(4096)) >> 13);
    state->x2 = state->x1;
    state->x1 = inputs->x;
    state->y2 = state->y1;
    state->y1 = y;
    outputs->y = y;
}
"""


def _prove(level: int, box: int, source: str = SOURCE, reset: int = 0) -> ProofReport:
    def row(name: str, reach: int) -> dict[str, object]:
        return {"name": name, "ctype": "int16_t", "low": -reach, "high": reach}

    contract = {
        "schema": 1,
        "name": "notch",
        "functions": {"init": "notch_init", "step": "notch_step", "set_gains": None},
        "text_sha256": {},
        "models": ["LP64", "ILP32", "I16"],
        "inputs": [row("x", level)],
        "outputs": [row("y", box)],
        "state": [{**row(name, level if name[0] == "x" else box), "reset": reset} for name in ("x1", "x2", "y1", "y2")],
        "gains": [],
        "model": None,
    }
    return prove(source, HEADER, json.dumps(contract))


def test_notch_is_proved_by_its_peak_gain():
    report = _prove(14000, 29700)

    assert report.refused is None
    assert [proof.failed for proof in report.models] == [(), (), ()]
    assert any("peak gain" in finding.reason for finding in report.models[0].findings)
    assert any("no flipped bits" in text for text in report.assumptions)


def test_bound_is_close_to_the_sum_of_the_impulse_response():
    impulse = np.zeros(400)
    impulse[0] = 1.0
    denominator = [1.0, -13096 / 8192, 6752 / 8192]
    gain = np.abs(lfilter(np.array([7472, -13096, 7472]) / 8192, denominator, impulse)).sum()
    noise = np.abs(lfilter([1.0], denominator, impulse)).sum()
    expected = 14000 * gain + 0.5 * noise

    findings = _prove(14000, 29700).models[0].findings
    reason = next(f.reason for f in findings if "peak gain" in f.reason and f.kind == "output stays in its range")
    found = re.search(r"at most ([0-9.]+)", reason)

    assert found is not None
    # Six digits are printed; the bound stops its sum as soon as it is below the box.
    assert expected - 1.0 < float(found[1]) <= 29700
    assert not _prove(14000, int(expected) - 2).holds


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("state->y2 * INT32_C(6752)", "state->y2 * INT32_C(8200)"),
        ("state->y1 * INT32_C(13096)", "state->y1 * INT32_C(16096)"),
        ("state->y2 * INT32_C(6752)", "state->x2 * INT32_C(6752)"),
        ("state->x1 * INT32_C(13096)", "state->x1 * INT32_C(31096)"),
    ],
)
def test_filter_that_is_unstable_or_too_loud_is_not_proved(old, new):
    assert old in SOURCE

    report = _prove(14000, 29700, SOURCE.replace(old, new))

    assert report.refused is None
    assert not report.holds


def test_another_start_than_zero_is_not_covered():
    changed = SOURCE.replace("= 0;", "= 5;")

    assert not _prove(14000, 29700, changed, reset=5).holds


def test_memory_written_under_a_condition_is_no_linear_section():
    changed = SOURCE.replace("    state->y1 = y;\n", "    if (inputs->x > 0) {\n        state->y1 = y;\n    }\n")

    assert not _prove(14000, 29700, changed).holds
