"""Witnesses: what breaks an obligation is replayed in the sanitized compiled C, and says whether it starts from the start state."""

from __future__ import annotations

import json

import pytest

from codegen.proof import ProofReport, Witness
from codegen.proof.replay import Replayer
from tests.proof_base import CONTRACT, HEADER, SOURCE, contract_with, prove_lamp


def _witness(report: ProofReport, kind: str) -> tuple[str, Witness]:
    finding = next(one for one in report.models[0].failed if kind in one.kind)
    assert finding.witness is not None
    return finding.place, finding.witness


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [
        ("error * (int32_t)state->gains.gain", "error * (int32_t)state->gains.gain * 100000", "product fits"),
        ("wanted - (state->sum >> 8)", "wanted - INT32_C(2147483647) - (state->sum >> 8)", "difference fits"),
        ("error * (int32_t)state->gains.gain", "(error << 2)", "shifted left"),
        ("(state->sum >> 8);", "(state->sum >> (inputs->counter & 63u));", "shift count"),
        ("(state->sum >> 8);", "((-INT32_C(2147483647) - 1 + (int32_t)inputs->counter) / -1);", "quotient fits"),
    ],
)
def test_witness_shows_in_the_sanitized_c_at_the_same_line(old, new, kind):
    changed = SOURCE.replace(old, new, 1)
    place, witness = _witness(prove_lamp(changed), kind)

    with Replayer(changed, HEADER, json.dumps(CONTRACT)) as replayer:
        replay = replayer.witness(witness)

    assert replay.reports_at(place)


def test_trace_from_the_start_is_told_apart_and_reproduces():
    """The counter passes its limit only on the eleventh tick."""
    changed = SOURCE.replace("state->ticks >= 9u", "state->ticks >= 10u")
    _, witness = _witness(prove_lamp(changed), "memory stays in its box")

    with Replayer(changed, HEADER, json.dumps(CONTRACT)) as replayer:
        replay = replayer.witness(witness)

    assert witness.from_reset
    assert witness.standing == "a trace from the start"
    assert len(witness.ticks) == 10
    assert witness.memory["state.ticks"] == 0
    assert replay.after["state.ticks"] == witness.value == 10


def test_memory_that_only_lies_in_its_box_is_called_not_inductive():
    """The sum starts at 0 and never leaves [0, 256000]; claimed is more, and from there one step goes too far."""
    changed = SOURCE.replace("clamp_32(state->sum + error", "(state->sum >= 0 ? 0 : -300000) + clamp_32(state->sum + error")
    report = prove_lamp(changed, contract=contract_with("state.0.low", -256000))

    _, witness = _witness(report, "memory stays in its box")

    assert not witness.from_reset
    assert witness.memory["state.sum"] < 0
    assert witness.standing.startswith("not inductive")
    assert witness.value < -256000


def test_replay_of_the_right_text_reports_nothing_and_agrees_with_the_proof():
    report = prove_lamp()
    assert report.holds
    inputs = [{"inputs.level": 32767, "inputs.counter": 65535 - tick, "inputs.on": 1} for tick in range(300)]

    with Replayer(SOURCE, HEADER, json.dumps(CONTRACT)) as replayer:
        replay = replayer.run({}, inputs, from_reset=True)

    assert replay.reports == ()
    # The integrator settles at the limit of 1000 counts; the curve shows 700 + 300 * (1000 - 768) / 256 there, rounded down.
    assert replay.after["state.sum"] >> 8 == 1000
    assert replay.after["outputs.drive"] == 971
