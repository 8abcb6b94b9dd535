"""Hand-written C under the gate: a real, subtle bug is found and its mended version passes; bad contracts are one clear error."""

from dataclasses import replace
from pathlib import Path

import pytest

from codegen.handwritten import Contract, HandwrittenCheck, check_handwritten, parse_contract, read_contract
from codegen.handwritten.contract import ContractError
from codegen.handwritten.gate import LAWS, subject_of
from codegen.handwritten.reference import load_reference, reference_law
from codegen.verify import check_properties

EXAMPLES = Path(__file__).parent / "examples" / "handwritten"
CONTRACT = EXAMPLES / "vent.toml"


@pytest.fixture(scope="module")
def contract() -> Contract:
    return read_contract(CONTRACT)


def judge(contract: Contract, source: str, header: str | None = None) -> HandwrittenCheck:
    texts = contract.sources()
    return check_handwritten(contract, {contract.header: header or texts[contract.header], contract.source: source})


def text_of(name: str) -> str:
    return (EXAMPLES / name).read_text(encoding="utf-8")


def test_mended_vent_passes_everything(contract: Contract) -> None:
    found = judge(contract, text_of("vent.c"))

    assert found.failures == ()
    assert [result.name for result in found.properties.results] == [
        "defined behaviour",
        "output limits",
        "output limits from any state",
        "start and isolation",
        "optimisation",
        "reference",
    ]
    assert found.faults is not None and found.faults.undefined == ()


def test_creeping_vent_is_found_by_its_reference_only(contract: Contract) -> None:
    """The bug takes minutes at a hundredth of a degree to show; the input that shows it is three numbers."""
    found = judge(contract, text_of("vent_creeping.c"))

    (broken,) = found.properties.broken
    assert broken.name == "reference"
    assert broken.failure is not None
    assert broken.failure.ticks > 300
    assert len({tuple(row) for row in broken.failure.runs[0].inputs.tolist()}) <= 3
    assert abs(int(broken.failure.runs[0].inputs[-1, 0] - broken.failure.runs[0].inputs[-1, 1])) <= 2


@pytest.mark.parametrize(
    ("old", "new", "law"),
    [
        pytest.param("(aim - last, -20, 20)", "(aim - last, -20, 25)", "reference", id="opens too fast"),
        pytest.param("    state->last = 0;\n", "", "start and isolation", id="init forgets a member"),
        pytest.param("held((error * 52480", "((error * 52480", "output limits", id="no limit"),
        pytest.param("error * 52480", "error * 5248000", "defined behaviour", id="product too large for 32 bits"),
    ],
)
def test_planted_bug_is_found(contract: Contract, old: str, new: str, law: str) -> None:
    text = text_of("vent.c").replace(old, new)
    if law == "output limits":
        text = text.replace(">> 16, 0, 1000);", ">> 16);").replace("held(aim - last, -20, 20)", "aim - last")

    assert contract.reference is not None
    laws = (*LAWS, reference_law(contract, load_reference(contract.reference, contract.function)))
    with subject_of(contract, {**contract.sources(), contract.source: text}) as subject:
        (result,) = check_properties(subject, laws=[one for one in laws if one.name == law]).broken
    failure = result.failure
    assert failure is not None
    if law == "defined behaviour":
        assert "5248000" in text.splitlines()[failure.line - 1]


def test_text_that_ends_its_process_is_a_verdict(contract: Contract) -> None:
    """Division by zero ends a process on this host, at a number that only the text names; the gate lives on and says so."""
    old = "outputs->opening = state->last;"
    text = text_of("vent.c").replace(old, "outputs->opening = (int16_t)(state->last / (inputs->air != 1234));")

    found = judge(contract, text)

    assert found.crashed
    assert any("the C ends the process it runs in" in failure for failure in found.failures)


def test_text_that_does_not_compile_is_an_error(contract: Contract) -> None:
    with pytest.raises(Exception, match="the compiler refused the text"):
        judge(contract, text_of("vent.c").replace("state->integral = 0;", "state->integral = ;"))


def test_time_is_kept_and_what_it_leaves_out_is_told(contract: Contract) -> None:
    found = check_handwritten(contract, contract.sources(), seconds=0.0)

    assert len(found.left_out) == 7
    assert found.properties.results == ()
    assert found.faults is None


def test_reference_that_fails_is_the_contracts_fault(contract: Contract, tmp_path: Path) -> None:
    (tmp_path / "broken.py").write_text("def step(memory, inputs):\n    return {'opening': inputs['wind']}\n", encoding="utf-8")

    with pytest.raises(ContractError, match=r"the reference fails: KeyError: 'wind'"):
        check_handwritten(replace(contract, reference=tmp_path / "broken.py"), contract.sources())


def test_laws_of_the_gate_need_no_integer_model() -> None:
    assert {law.name for law in LAWS} == {
        "defined behaviour",
        "output limits",
        "output limits from any state",
        "arming and trips",
        "start and isolation",
        "live gains",
        "optimisation",
    }


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        pytest.param('name = "vent"', 'nam = "vent"', "did you mean name?", id="misspelt key"),
        pytest.param("schema = 1", "schema = 2", "vent.toml, line 4", id="other schema"),
        pytest.param('ctype = "int32_t"', 'ctype = "float"', "float", id="unknown type"),
        pytest.param("max = 65536000", "max = 6553600000", "does not fit int32_t", id="range beyond the type"),
        pytest.param('name = "last"', 'name = "integral"', "integral stands twice", id="member twice"),
        pytest.param("tolerance = 0.0021\n", "", "no output has a tolerance", id="reference without tolerance"),
        pytest.param('[functions]\ninit = "vent_init"\nstep = "vent_step"\n', "", "the table is missing", id="no functions"),
        pytest.param("period_s = 1.0", "period_s = 0", "period_s", id="no period"),
        pytest.param("per_count = 0.01\n", "tolerance = 1.0\n", "an input has no tolerance", id="tolerance of an input"),
    ],
)
def test_bad_contract_is_one_clear_error(old: str, new: str, told: str) -> None:
    text = CONTRACT.read_text(encoding="utf-8")
    assert old in text

    with pytest.raises(ContractError) as caught:
        parse_contract(text.replace(old, new, 1), "vent.toml", EXAMPLES)

    assert told in str(caught.value)
    assert "to mend it:" in str(caught.value)
    assert str(caught.value).startswith("vent.toml")


def test_arrays_are_kept_element_by_element() -> None:
    text = CONTRACT.read_text(encoding="utf-8").replace('name = "last"\nctype = "int16_t"', 'name = "last"\nlength = 3\nctype = "int16_t"')

    ports = parse_contract(text, "vent.toml", EXAMPLES).shape.memory

    assert [port.name for port in ports] == ["integral", "last[0]", "last[1]", "last[2]"]
    assert {port.high for port in ports[1:]} == {1000}


def test_missing_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(ContractError, match="to mend it"):
        read_contract(tmp_path / "nowhere.toml")
    (tmp_path / "vent.toml").write_text(CONTRACT.read_text(encoding="utf-8"), encoding="utf-8")

    with pytest.raises(ContractError, match=r"vent\.h: this file cannot be read"):
        read_contract(tmp_path / "vent.toml").sources()
