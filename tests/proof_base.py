"""A small hand-written controller for the proof's tests (an invented lamp dimmer), its contract, and edits of both."""

from __future__ import annotations

import copy
import json
from typing import Any

from codegen.proof import ProofReport, prove

HEADER = """\
/* lamp.h - an invented dimmer */
#ifndef LAMP_H
#define LAMP_H

#include <stdbool.h>
#include <stdint.h>

#define LAMP_LIMIT 1000 /* counts */

typedef struct {
    int16_t level;
    uint16_t counter;
    bool on;
} lamp_inputs;

typedef struct {
    int16_t drive;
    bool active;
} lamp_outputs;

typedef struct {
    int16_t gain;
} lamp_gains;

typedef struct {
    int32_t sum;
    uint16_t counter_last;
    uint8_t ticks;
    lamp_gains gains;
} lamp_state;

void lamp_init(lamp_state *state);
void lamp_set_gains(lamp_state *state, const lamp_gains *gains);
void lamp_step(lamp_state *state, const lamp_inputs *inputs, lamp_outputs *outputs);

#endif
"""

SOURCE = """\
/* lamp.c - an invented dimmer */
#include "lamp.h"

typedef char lamp_needs_arithmetic_right_shift[((-1 >> 1) == -1) ? 1 : -1];

static const int32_t curve[5] = {0, 100, 300, 700, 1000};

static inline int32_t clamp_32(int32_t x, int32_t low, int32_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}

static inline int32_t bend(const int32_t *knots, int32_t position)
{
    const int32_t index = ((position >> 8) < 3) ? (position >> 8) : 3;
    const int32_t part = position - index * INT32_C(256);
    return knots[index] + (((knots[index + 1] - knots[index]) * part) >> 8);
}

void lamp_init(lamp_state *state)
{
    state->sum = 0;
    state->counter_last = 0u;
    state->ticks = 0u;
    state->gains.gain = 64;
}

void lamp_set_gains(lamp_state *state, const lamp_gains *gains)
{
    state->gains.gain = (int16_t)clamp_32((int32_t)gains->gain, INT32_C(1), INT32_C(200));
}

void lamp_step(lamp_state *state, const lamp_inputs *inputs, lamp_outputs *outputs)
{
    /* steps of the knob since the last tick */
    const uint16_t turned = (uint16_t)(inputs->counter - state->counter_last);
    const int32_t wanted = clamp_32((int32_t)inputs->level + (int32_t)(turned & 15u), 0, LAMP_LIMIT);
    const int32_t error = wanted - (state->sum >> 8);
    const int32_t sum = clamp_32(state->sum + error * (int32_t)state->gains.gain, 0, INT32_C(256000));
    int32_t shown = bend(curve, clamp_32(sum >> 8, 0, INT32_C(1024)));
    if (!inputs->on) {
        shown = 0;
    }
    if (state->ticks >= 9u) {
        state->ticks = 0u;
    } else {
        state->ticks++;
    }
    outputs->drive = (int16_t)shown;
    outputs->active = inputs->on && shown > 0;
    state->sum = sum;
    state->counter_last = inputs->counter;
}
"""

CONTRACT: dict[str, Any] = {
    "schema": 1,
    "name": "lamp",
    "functions": {"init": "lamp_init", "step": "lamp_step", "set_gains": "lamp_set_gains"},
    "text_sha256": {},
    "models": ["LP64", "ILP32", "I16"],
    "inputs": [
        {"name": "level", "ctype": "int16_t", "low": -32768, "high": 32767},
        {"name": "counter", "ctype": "uint16_t", "low": 0, "high": 65535},
        {"name": "on", "ctype": "bool", "low": 0, "high": 1},
    ],
    "outputs": [
        {"name": "drive", "ctype": "int16_t", "low": 0, "high": 1000},
        {"name": "active", "ctype": "bool", "low": 0, "high": 1},
    ],
    "state": [
        {"name": "sum", "ctype": "int32_t", "low": 0, "high": 256000, "reset": 0},
        {"name": "counter_last", "ctype": "uint16_t", "low": 0, "high": 65535, "reset": 0},
        {"name": "ticks", "ctype": "uint8_t", "low": 0, "high": 9, "reset": 0},
        {"name": "gains.gain", "ctype": "int16_t", "low": 1, "high": 200, "reset": 64},
    ],
    "gains": [{"name": "gain", "ctype": "int16_t", "low": -32768, "high": 32767}],
    "model": None,
}


def contract_with(path: str, value: object) -> str:
    """The contract with the value at a dotted path exchanged; list places by number."""
    changed = copy.deepcopy(CONTRACT)
    target: Any = changed
    *way, last = path.split(".")
    for key in way:
        target = target[int(key)] if isinstance(target, list) else target[key]
    target[int(last) if isinstance(target, list) else last] = value
    return json.dumps(changed)


def prove_lamp(source: str = SOURCE, header: str = HEADER, contract: str = json.dumps(CONTRACT)) -> ProofReport:
    """Judge a lamp."""
    return prove(source, header, contract)


def prove_expression(expression: str, types: str = "int16_t int16_t", result: str = "int64_t") -> dict[str, str]:
    """What stands against ``y = (result)(expression)`` of full-range inputs a, b, ... under each data model; empty where nothing does.

    Args:
        expression: In terms of a, b, ...
        types: Types of a, b, ...
        result: Type of y.
    """
    widths = {"bool": (0, 1)} | {
        f"{sign}int{bits}_t": (0, 2**bits - 1) if sign else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        for bits in (8, 16, 32, 64)
        for sign in ("", "u")
    }
    rows = [(name, ctype) for name, ctype in zip("abcd", types.split(), strict=False)]
    members = "".join(f" {ctype} {name};" for name, ctype in rows)
    header = (
        "#ifndef M_H\n#define M_H\n#include <stdbool.h>\n#include <stdint.h>\n"
        f"typedef struct {{{members} }} m_inputs;\ntypedef struct {{ {result} y; }} m_outputs;\n"
        "typedef struct { uint8_t unused; } m_state;\n#endif\n"
    )
    locals_ = "".join(f"    const {ctype} {name} = inputs->{name};\n" for name, ctype in rows)
    source = (
        '#include "m.h"\nvoid m_init(m_state *state)\n{\n    state->unused = 0u;\n}\n'
        "void m_step(m_state *state, const m_inputs *inputs, m_outputs *outputs)\n{\n    (void)state;\n"
        f"{locals_}    outputs->y = ({result})({expression});\n}}\n"
    )
    contract = {
        **CONTRACT,
        "name": "m",
        "functions": {"init": "m_init", "step": "m_step", "set_gains": None},
        "inputs": [{"name": name, "ctype": ctype, "low": widths[ctype][0], "high": widths[ctype][1]} for name, ctype in rows],
        "outputs": [{"name": "y", "ctype": result, "low": widths[result][0], "high": widths[result][1]}],
        "state": [{"name": "unused", "ctype": "uint8_t", "low": 0, "high": 255, "reset": 0}],
        "gains": [],
    }
    report = prove(source, header, json.dumps(contract))
    if report.refused is not None:
        return {"refused": report.refused.reason}
    return {proof.model: proof.failed[0].kind if proof.failed else "" for proof in report.models}
