"""The contract of a controller: what is claimed of its C text, as JSON beside it; read and checked field by field.

Takes JSON text, gives a frozen ``Contract``.  Its boxes and reset values are claims that the proof checks; only the ranges of
inputs are assumptions, and they are printed as such.  Whether the names stand in the text, with these types, is checked against
the text by ``match_members``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from codegen.proof.models import MODELS, DataModel, IntegerType
from codegen.proof.refusal import Refusal
from codegen.proof.text import NAME

SCHEMA = 1
OPERATIONS: Mapping[str, tuple[str, ...]] = {
    "sum": ("operands", "weights", "bias", "shift", "low", "high"),
    "compare": ("operands", "weights", "relation", "threshold"),
    "clamp": ("operand", "low", "high"),
    "product": ("left", "right", "shift", "low", "high"),
    "select": ("condition", "if_true", "if_false"),
    "logic": ("operands", "inverted", "any_of"),
    "table": ("operand", "weight", "bias", "shift", "position_bits", "knots"),
    "wrapped_difference": ("newer", "older", "bits"),
    "shorten": ("operand", "shift"),
}
RELATIONS = (">", ">=", "!=")
WIDEST = 1 << 128  # a limit that never acts may lie far beyond every type


@dataclass(frozen=True)
class Member:
    """A number in one of the structs: its range, and for memory and gains the value at the start."""

    name: str
    ctype: str
    low: int
    high: int
    reset: int | None


@dataclass(frozen=True)
class Equation:
    """One signal of the integer model: an operation and what it works on."""

    name: str
    operation: str
    fields: Mapping[str, Any]


@dataclass(frozen=True)
class IntegerModel:
    """The controller as equations over integers: the sections of a tick, memory, sums over the slow period, and what is shown."""

    slow_every: int
    slow_counter: str | None
    constants: Mapping[str, int]
    before: tuple[Equation, ...]
    slow: tuple[Equation, ...]
    after: tuple[Equation, ...]
    delays: tuple[tuple[str, str, bool], ...]
    sums: tuple[tuple[str, str, int, int], ...]
    outputs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Contract:
    """What is claimed of a text.

    Attributes:
        name: Stem of its files.
        init: Function that writes the start state.
        step: Function that advances one tick.
        set_gains: Function that sets live gains; None if there are none.
        hashes: SHA-256 of the files for which the claims were made.
        models: Data models under which they are claimed.
        inputs: Numbers read each tick, with the ranges that are assumed.
        outputs: Numbers written each tick, with the ranges that are claimed.
        state: Memory, with the boxes that are claimed; members of inner structs by dotted names.
        gains: Arguments of ``set_gains``; any value of their types.
        model: The integer model, or None for a text that has none.
    """

    name: str
    init: str
    step: str
    set_gains: str | None
    hashes: Mapping[str, str]
    models: tuple[str, ...]
    inputs: tuple[Member, ...]
    outputs: tuple[Member, ...]
    state: tuple[Member, ...]
    gains: tuple[Member, ...]
    model: IntegerModel | None


class _Reader:
    """One JSON object whose keys are all known and all read."""

    def __init__(self, data: Any, place: str, keys: tuple[str, ...]) -> None:
        self.place = place
        if not isinstance(data, dict):
            raise Refusal(place, "an object is wanted")
        missing, extra = sorted(set(keys) - set(data)), sorted(set(data) - set(keys))
        if missing or extra:
            raise Refusal(place, f"keys missing: {missing}, unknown: {extra}")
        self._data: dict[str, Any] = data

    def place_of(self, key: str) -> str:
        return f"{self.place}.{key}"

    def any(self, key: str) -> Any:
        return self._data[key]

    def integer(self, key: str, low: int = -WIDEST, high: int = WIDEST) -> int:
        return _integer(self._data[key], self.place_of(key), low, high)

    def optional(self, key: str) -> int | None:
        return None if self._data[key] is None else self.integer(key)

    def boolean(self, key: str) -> bool:
        value = self._data[key]
        if not isinstance(value, bool):
            raise Refusal(self.place_of(key), "true or false is wanted")
        return value

    def text(self, key: str) -> str:
        value = self._data[key]
        if not isinstance(value, str):
            raise Refusal(self.place_of(key), "a text is wanted")
        return value

    def name(self, key: str) -> str:
        return _name(self._data[key], self.place_of(key))

    def items(self, key: str) -> list[tuple[Any, str]]:
        value = self._data[key]
        if not isinstance(value, list):
            raise Refusal(self.place_of(key), "a list is wanted")
        return [(item, f"{self.place_of(key)}[{index}]") for index, item in enumerate(value)]


def _integer(value: Any, place: str, low: int = -WIDEST, high: int = WIDEST) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise Refusal(place, f"an integer in [{low}, {high}] is wanted")
    return value


def _name(value: Any, place: str) -> str:
    if not isinstance(value, str) or not all(NAME.fullmatch(part) for part in value.split(".")):
        raise Refusal(place, "a name is wanted")
    return value


def read_contract(text: str) -> Contract:
    """Parse and check a contract.

    Raises:
        Refusal: It is no JSON, a key is missing or unknown, or a value is not what it must be.
    """
    try:
        data = json.loads(text, parse_constant=_no_constant)
    except ValueError as error:
        raise Refusal("contract", f"no JSON: {error}") from error
    keys = "schema name functions text_sha256 models inputs outputs state gains model".split()
    top = _Reader(data, "contract", tuple(keys))
    if top.integer("schema") != SCHEMA:
        raise Refusal("contract.schema", f"this version reads schema {SCHEMA}")
    functions = _Reader(top.any("functions"), "contract.functions", ("init", "step", "set_gains"))
    hashes = top.any("text_sha256")
    if not isinstance(hashes, dict) or not all(isinstance(one, str) for one in hashes.values()):
        raise Refusal("contract.text_sha256", "an object of texts is wanted")
    models = tuple(_model_name(item, place) for item, place in top.items("models"))
    if not models or len(set(models)) != len(models):
        raise Refusal("contract.models", "at least one data model, each once")
    groups = {key: _members(top, key, key in ("state",)) for key in ("inputs", "outputs", "state", "gains")}
    set_gains = None if functions.any("set_gains") is None else functions.name("set_gains")
    if (set_gains is None) != (not groups["gains"]):
        raise Refusal("contract.functions.set_gains", "gains and the function that sets them belong together")
    contract = Contract(
        top.name("name"),
        functions.name("init"),
        functions.name("step"),
        set_gains,
        hashes,
        models,
        groups["inputs"],
        groups["outputs"],
        groups["state"],
        groups["gains"],
        None if top.any("model") is None else _read_model(top.any("model")),
    )
    if contract.model is not None:
        _check_model(contract, contract.model)
    return contract


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _model_name(value: Any, place: str) -> str:
    if value not in MODELS:
        raise Refusal(place, f"one of {', '.join(MODELS)} is wanted")
    return str(value)


def _members(top: _Reader, key: str, with_reset: bool) -> tuple[Member, ...]:
    result: list[Member] = []
    for item, place in top.items(key):
        row = _Reader(item, place, ("name", "ctype", "low", "high", *(("reset",) if with_reset else ())))
        ctype = row.text("ctype")
        kinds = [kind for model in MODELS.values() if (kind := _type(model, ctype)) is not None]
        if not kinds:
            raise Refusal(row.place_of("ctype"), f"{ctype} is no integer type")
        low, high = row.integer("low"), row.integer("high")
        if low > high or any(low < kind.low or high > kind.high for kind in kinds):
            raise Refusal(place, f"[{low}, {high}] does not lie in {ctype}")
        reset = row.integer("reset") if with_reset else None
        if reset is not None and not low <= reset <= high:
            raise Refusal(row.place_of("reset"), f"start value {reset} lies outside [{low}, {high}]")
        result.append(Member(row.name("name"), ctype, low, high, reset))
    if len({member.name for member in result}) != len(result):
        raise Refusal(top.place_of(key), "a name stands twice")
    return tuple(result)


def _type(model: DataModel, words: str) -> IntegerType | None:
    return model.named(words) or model.standard(tuple(words.split()))


def _read_model(data: Any) -> IntegerModel:
    keys = "slow_every slow_counter constants before slow after delays sums outputs".split()
    top = _Reader(data, "contract.model", tuple(keys))
    constants: dict[str, int] = {}
    for item, place in top.items("constants"):
        row = _Reader(item, place, ("name", "value"))
        constants[row.name("name")] = row.integer("value")
    delays = [
        (row.name("name"), row.name("source"), row.boolean("slow"))
        for item, place in top.items("delays")
        for row in [_Reader(item, place, ("name", "source", "slow"))]
    ]
    sums = [
        (row.name("name"), row.name("operand"), row.integer("low"), row.integer("high"))
        for item, place in top.items("sums")
        for row in [_Reader(item, place, ("name", "operand", "low", "high"))]
    ]
    outputs = [
        (row.name("name"), row.name("signal"))
        for item, place in top.items("outputs")
        for row in [_Reader(item, place, ("name", "signal"))]
    ]
    counter = None if top.any("slow_counter") is None else top.name("slow_counter")
    slow_every = top.integer("slow_every", 1, 1 << 32)
    if (counter is None) != (slow_every == 1):
        raise Refusal("contract.model.slow_counter", "a slow section has a counter, and only then")
    before, slow, after = (
        tuple(_equation(item, place) for item, place in top.items(part)) for part in ("before", "slow", "after")
    )
    return IntegerModel(slow_every, counter, constants, before, slow, after, tuple(delays), tuple(sums), tuple(outputs))


def _equation(item: Any, place: str) -> Equation:
    operation = str(item.get("op")) if isinstance(item, dict) else ""
    if operation not in OPERATIONS:
        raise Refusal(place, f"op must be one of {', '.join(OPERATIONS)}")
    row = _Reader(item, place, ("name", "op", *OPERATIONS[operation]))
    fields: dict[str, Any] = {}
    for key in OPERATIONS[operation]:
        match key:
            case "operands":
                fields[key] = tuple(_name(one, where) for one, where in row.items(key))
            case "weights" | "knots":
                fields[key] = tuple(_integer(one, where) for one, where in row.items(key))
            case "inverted":
                if not all(isinstance(one, bool) for one, _ in row.items(key)):
                    raise Refusal(row.place_of(key), "a list of true and false is wanted")
                fields[key] = tuple(one for one, _ in row.items(key))
            case "any_of":
                fields[key] = row.boolean(key)
            case "relation":
                if row.text(key) not in RELATIONS:
                    raise Refusal(row.place_of(key), f"one of {', '.join(RELATIONS)} is wanted")
                fields[key] = row.text(key)
            case "low" | "high":
                fields[key] = row.optional(key)
            case "shift" | "position_bits" | "bits":
                fields[key] = row.integer(key, 0, 63)
            case "bias" | "threshold" | "weight":
                fields[key] = row.integer(key)
            case _:
                fields[key] = row.name(key)
    for key in ("weights", "inverted"):
        if key in fields and len(fields[key]) != len(fields["operands"]):
            raise Refusal(row.place_of(key), "as many as operands are wanted")
    if len(fields.get("knots", (0, 0))) < 2 or fields.get("bits", 1) < 1:
        raise Refusal(place, "a table needs two knots, a counter one bit")
    if (fields.get("low") is None) != (fields.get("high") is None) or (
        fields.get("low") is not None and fields["low"] > fields["high"]
    ):
        raise Refusal(place, "limits must be two and in order, or none")
    return Equation(row.name("name"), operation, fields)


def _check_model(contract: Contract, model: IntegerModel) -> None:
    """Memory and outputs of the model are those of the contract; C has no struct without members, so a model may lack `unused`."""
    memory = {name for name, _, _ in model.delays} | {name for name, *_ in model.sums}
    memory |= {model.slow_counter} if model.slow_counter else set()
    live = {f"gains.{member.name}" for member in contract.gains}
    if (memory | live or {"unused"}) != {member.name for member in contract.state}:
        odd = sorted((memory | live) ^ {member.name for member in contract.state})
        raise Refusal("contract.model", f"memory of the model and of the contract differ in {', '.join(odd)}")
    if [name for name, _ in model.outputs] != [member.name for member in contract.outputs]:
        raise Refusal("contract.model.outputs", "outputs of the model and of the contract differ")


def match_members(members: tuple[Member, ...], found: Mapping[str, IntegerType], model: DataModel, what: str) -> None:
    """Check that a struct of the text has exactly the contract's members, each of its type.

    Raises:
        Refusal: It has not.
    """
    odd = sorted({member.name for member in members} ^ set(found))
    if odd:
        raise Refusal(f"contract.{what}", f"text and contract differ in {', '.join(odd)}")
    for member in members:
        wanted, kind = _type(model, member.ctype), found[member.name]
        if wanted is None or (wanted.bits, wanted.signed) != (kind.bits, kind.signed):
            raise Refusal(f"contract.{what}.{member.name}", f"the text has type {kind.name}, the contract {member.ctype}")
