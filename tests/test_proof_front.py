"""The front end fails closed: texts outside the subset are refused with the reason, wrong ones are not proved."""

from __future__ import annotations

import json

import pytest

from codegen.proof import prove
from tests.proof_base import CONTRACT, HEADER, SOURCE, contract_with, prove_lamp
from tests.proof_corpus import FAILED, REFUSED, Bad


def _edited(bad: Bad) -> tuple[str, str]:
    text = HEADER if bad.header else SOURCE
    assert bad.old in text, "the edit must hit"
    changed = text.replace(bad.old, bad.new, 1)
    return (SOURCE, changed) if bad.header else (changed, HEADER)


def test_the_lamp_itself_is_proved():
    report = prove_lamp()

    assert report.refused is None
    assert [(proof.model, proof.failed) for proof in report.models] == [("LP64", ()), ("ILP32", ()), ("I16", ())]
    assert report.holds
    assert all(len(proof.findings) > 35 for proof in report.models)


def test_the_corpus_is_large_enough():
    assert len(REFUSED) + len(FAILED) >= 60
    assert len({bad.name for bad in (*REFUSED, *FAILED)}) == len(REFUSED) + len(FAILED)
    assert all(bad.reason for bad in (*REFUSED, *FAILED))


@pytest.mark.parametrize("bad", REFUSED, ids=lambda bad: bad.name)
def test_text_outside_the_subset_is_refused_with_its_reason(bad):
    report = prove_lamp(*_edited(bad))

    assert report.refused is not None
    assert not report.holds
    assert bad.reason in report.refused.reason
    assert report.models == ()


@pytest.mark.parametrize("bad", FAILED, ids=lambda bad: bad.name)
def test_wrong_text_is_not_proved(bad):
    report = prove_lamp(*_edited(bad))

    assert report.refused is None
    assert not report.holds
    failed = [finding for proof in report.models for finding in proof.failed]
    assert any(bad.reason in finding.kind for finding in failed)
    assert all(finding.place.startswith(("lamp.c:", "the text")) for finding in failed)


def test_refusals_name_file_and_line():
    changed = SOURCE.replace("    if (!inputs->on) {", "    while (!inputs->on) {")
    line = changed[: changed.index("while")].count("\n") + 1

    report = prove_lamp(changed)

    assert report.refused is not None
    assert report.refused.place == f"lamp.c:{line}"


def test_failed_obligation_names_the_line_of_the_text_after_header_and_comments():
    changed = SOURCE.replace("error * (int32_t)state->gains.gain", "error * 100000000")
    line = changed[: changed.index("error * 100000000")].count("\n") + 1

    failed = prove_lamp(changed).models[0].failed

    assert failed[0].place == f"lamp.c:{line}"
    assert "100000000" in failed[0].text


@pytest.mark.parametrize(
    ("path", "value", "reason"),
    [
        ("schema", 2, "schema"),
        ("models", ["LP64", "LP65"], "one of"),
        ("models", [], "at least one"),
        ("functions.step", "lamp step", "a name is wanted"),
        ("functions.step", "lamp_stop", "neither an entry nor called"),
        ("functions.set_gains", None, "belong together"),
        ("inputs.0.low", -32769, "does not lie in int16_t"),
        ("inputs.0.low", 1.5, "an integer"),
        ("inputs.0.low", True, "an integer"),
        ("inputs.0.ctype", "float", "no integer type"),
        ("inputs.0.ctype", "int32_t", "the text has type int16_t"),
        ("inputs.0.name", "lever", "differ in level, lever"),
        ("inputs.0", {"name": "level"}, "keys missing"),
        ("state.0.reset", 256001, "lies outside"),
        ("state.0.low", 300000, "does not lie"),
        ("state.1.name", "sum", "stands twice"),
        ("outputs", {}, "a list is wanted"),
        ("model", {}, "keys missing"),
    ],
)
def test_contract_fields_are_checked(path, value, reason):
    report = prove_lamp(contract=contract_with(path, value))

    assert report.refused is not None
    assert reason in str(report.refused)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": NaN}', json.dumps({**CONTRACT, "spare": 1})])
def test_broken_contracts_are_refused(text):
    assert prove_lamp(contract=text).refused is not None


def test_narrower_box_than_the_text_keeps_is_not_inductive():
    report = prove_lamp(contract=contract_with("state.0.high", 255999))

    failed = report.models[0].failed
    assert [finding.kind for finding in failed] == ["memory stays in its box"]
    assert failed[0].witness is not None
    assert failed[0].witness.value == 256000


def test_input_ranges_are_printed_as_assumptions():
    report = prove_lamp(contract=contract_with("inputs.0.high", 100))

    assert "level lies in [-32768, 100]" in report.assumptions
    assert report.holds


def test_constant_named_like_the_letters_of_a_number_leaves_numbers_alone():
    """Read carelessly, 15u would become 15 -5: another program than the compiler's."""
    changed = SOURCE.replace('#include "lamp.h"\n', '#include "lamp.h"\n#define u -5\n')

    report = prove_lamp(changed)

    assert report.holds
    assert [f.text for f in report.models[0].findings] == [f.text for f in prove_lamp().models[0].findings]


def test_edited_text_is_told_from_the_emitted_one():
    assert not prove_lamp().as_emitted


def test_an_unexpected_exception_is_never_a_proof():
    deep = "(" * 3000 + "shown" + ")" * 3000

    report = prove_lamp(SOURCE.replace("(int16_t)shown", f"(int16_t){deep}"))

    assert report.refused is not None


def test_an_exception_inside_the_prover_refuses(monkeypatch):
    def broken(*_: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr("codegen.proof.verdict.fits", broken)

    report = prove_lamp()

    assert report.refused is not None
    assert "planted" in report.refused.reason


def test_unknown_data_model_is_refused():
    assert prove(SOURCE, HEADER, json.dumps(CONTRACT), models=("LP32",)).refused is not None
