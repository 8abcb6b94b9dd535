"""A second opinion on the lanterns' C: no alarm on what is shipped, and an alarm on every planted overflow.

Outside the project: Frama-C's value analysis (P. Cuoq et al., Frama-C: a software analysis perspective, SEFM 2012; from memory).
"""

from __future__ import annotations

import os

import pytest

from tests import second_opinion
from tests.proof_mutants import MUTANTS
from tests.test_proof_lanterns import lantern

pytestmark = [pytest.mark.long, pytest.mark.timeout(300)]

OVERFLOWING = (
    "shift one too short",
    "lower clamp of an input missing",
    "narrow accumulator",
    "clamp after the cast",
    "sum over the period narrowed",
    "product of full words",
    "limit of the integrator missing",
    "left shift of a negative number",
    "shift by the width",
)


@pytest.fixture(autouse=True)
def _tool() -> None:
    if not second_opinion.is_installed():
        assert os.environ.get("LOOPWRIGHT_ALL_TOOLS") != "1", "frama-c is missing although all tools are asked for"
        pytest.skip("frama-c is not installed")


@pytest.mark.parametrize("model", ["LP64", "ILP32", "I16"])
@pytest.mark.parametrize("target", ["atmega328p", "cortex-m4"])
@pytest.mark.parametrize("name", ["calm", "heavy", "lively"])
def test_second_opinion_raises_no_alarm_on_a_lantern(name, target, model):
    _, emission, contract = lantern(name, target)

    opinion = second_opinion.ask(emission.source, emission.header, contract, model)

    assert opinion.alarms == ()
    assert opinion.unproved == 0
    assert opinion.valid >= 17


@pytest.mark.parametrize("name", OVERFLOWING)
def test_second_opinion_alarms_on_a_planted_overflow(name):
    _, emission, contract = lantern("calm", "atmega328p")
    mutant = next(one for one in MUTANTS if one.name == name)

    opinion = second_opinion.ask(emission.source.replace(mutant.old, mutant.new, 1), emission.header, contract, "I16")

    assert opinion.alarms or opinion.unproved


@pytest.mark.parametrize("mutant", [one for one in MUTANTS if one.only_16_bit_int], ids=lambda one: one.name)
def test_promotion_defects_alarm_with_a_16_bit_int_only(mutant):
    _, emission, contract = lantern("calm", "atmega328p")
    source = emission.source.replace(mutant.old, mutant.new, 1)

    assert second_opinion.ask(source, emission.header, contract, "LP64").alarms == ()
    assert second_opinion.ask(source, emission.header, contract, "I16").alarms
