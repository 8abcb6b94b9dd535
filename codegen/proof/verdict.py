"""The whole proof of one text: safety under each data model, equality with the integer model, and what is assumed.

Takes the C text, its header and its contract; gives a frozen ``ProofReport``.  Never says "proved" after anything unexpected: an
exception anywhere is a refusal.
"""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from importlib import metadata

from codegen.proof.contract import Contract, Member, match_members, read_contract
from codegen.proof.counterexample import Hunter, Witness
from codegen.proof.dag import Dag, Node
from codegen.proof.equality import Difference, compare
from codegen.proof.execute import Executor, box_obligations
from codegen.proof.front import Program, called_functions, read_program
from codegen.proof.model import build_model
from codegen.proof.models import MODELS, DataModel
from codegen.proof.operators import Obligation
from codegen.proof.refine import TableDag, fits
from codegen.proof.refusal import Refusal
from codegen.proof.section import PEAK_GAIN, Section

MOST_WITNESSES = 4
ASSUMPTIONS = (
    "a right shift of a negative number rounds towards minus infinity (the text checks it when it is compiled)",
    "negative numbers are in two's complement; integer types have the widths of the data model",
    "the compiler translates correctly",
    "state, inputs, outputs and gains do not overlap, and nothing else writes them during a call",
    "inputs lie in the ranges of the contract, memory was written by the init function",
)
ASSUMED_HISTORY = "memory bounded by its peak gain started at 0 and was written by these functions only (no flipped bits)"


@dataclass(frozen=True)
class Finding:
    """What became of one obligation.

    Attributes:
        kind: Which rule of C or of the contract asks for it.
        place: File and line.
        text: The expression.
        proved: Whether it always holds.
        reason: How it is known, or what stands against it.
        witness: Inputs and memory that break it, if some were found.
    """

    kind: str
    place: str
    text: str
    proved: bool
    reason: str
    witness: Witness | None = None


@dataclass(frozen=True)
class ModelProof:
    """The proof under one data model.

    Attributes:
        model: Name of the data model.
        findings: Every obligation, in the order of the text.
        pairs: Names that were to be shown equal to the integer model; empty without a model.
        differences: Those that were not.
        steps: Equalities that needed the solver.
        safety_seconds: Time for the obligations.
        equality_seconds: Time for the equality.
    """

    model: str
    findings: tuple[Finding, ...]
    pairs: tuple[str, ...]
    differences: tuple[Difference, ...]
    steps: int
    safety_seconds: float
    equality_seconds: float

    @property
    def failed(self) -> tuple[Finding, ...]:
        """Obligations that are not proved."""
        return tuple(finding for finding in self.findings if not finding.proved)

    @property
    def safe(self) -> bool:
        """Whether every obligation is proved."""
        return not self.failed

    @property
    def equal(self) -> bool:
        """Whether the text equals the integer model."""
        return bool(self.pairs) and not self.differences


@dataclass(frozen=True)
class ProofReport:
    """What the proof says of a text.

    Attributes:
        refused: Why the text or its contract is not judged at all; None if it is.
        models: The proof under each data model.
        as_emitted: Whether the texts are those for which the contract was written.
        has_model: Whether the contract has an integer model to be equal to.
        assumptions: What is taken for granted.
        tools: Name and version of what took part.
        seconds: Time for all of it.
    """

    refused: Refusal | None
    models: tuple[ModelProof, ...]
    as_emitted: bool
    has_model: bool
    assumptions: tuple[str, ...]
    tools: Mapping[str, str] = field(default_factory=dict)
    seconds: float = 0.0

    @property
    def holds(self) -> bool:
        """Whether the text is safe under every data model, and equal to its integer model where there is one."""
        if self.refused is not None or not self.models:
            return False
        return all(proof.safe and (proof.equal or not self.has_model) for proof in self.models)


def prove(text_c: str, text_h: str, contract_json: str, models: Sequence[str] | None = None) -> ProofReport:
    """Judge a text.

    Args:
        text_c: The source NAME.c.
        text_h: The header NAME.h.
        contract_json: The contract.
        models: Data models; None for those of the contract.
    """
    started = time.perf_counter()
    proofs: list[ModelProof] = []
    refused: Refusal | None = None
    as_emitted = has_model = False
    assumptions = list(ASSUMPTIONS)
    try:
        contract = read_contract(contract_json)
        has_model = contract.model is not None
        texts = {f"{contract.name}.c": text_c, f"{contract.name}.h": text_h}
        as_emitted = dict(contract.hashes) == {name: sha256(text.encode()).hexdigest() for name, text in texts.items()}
        assumptions += [f"{one.name} lies in [{one.low}, {one.high}]" for one in (*contract.inputs, *contract.gains)]
        program = read_program(text_c, f"{contract.name}.c", text_h, f"{contract.name}.h")
        entries = {"init": contract.init, "step": contract.step}
        assumptions += program.granted
        called_functions(program, entries | ({"set_gains": contract.set_gains} if contract.set_gains else {}))
        prover = Prover(program, contract)
        for name in models if models is not None else contract.models:
            if name not in MODELS:
                raise Refusal("data model", f"{name} is none of {', '.join(MODELS)}")
            proofs.append(prover.under(MODELS[name]))
        if any(finding.reason.startswith(PEAK_GAIN) for proof in proofs for finding in proof.findings):
            assumptions.append(ASSUMED_HISTORY)
    except Refusal as error:
        refused = error
    except Exception as error:  # whatever went wrong, nothing is proved
        refused = Refusal("the proof", f"stopped by {type(error).__name__}: {error}")
    if refused is not None:
        proofs = []
    return ProofReport(
        refused, tuple(proofs), as_emitted, has_model, tuple(assumptions), tool_versions(), time.perf_counter() - started
    )


def tool_versions() -> dict[str, str]:
    """Versions of what the proof rests on."""
    return {"python": platform.python_version()} | {name: metadata.version(name) for name in ("pycparser", "z3-solver")}


@dataclass(frozen=True)
class Run:
    """A text's symbolic execution under one data model.

    Attributes:
        start: Variables before the step.
        after: Values after the step.
        obligations: Everything asked, in order: start, step, setter.
        kept: Values after setting the gains; empty without gains.
    """

    start: Mapping[str, Node]
    after: Mapping[str, Node | None]
    obligations: tuple[Obligation, ...]
    kept: Mapping[str, Node | None]


def run_text(program: Program, contract: Contract, model: DataModel, dag: Dag) -> Run:
    """Run init, step and the setter of gains from every state and input that the contract allows.

    Raises:
        Refusal: The text lies outside the subset, or is not what the contract describes.
    """
    executor = Executor(program, model, dag)
    _match(program, contract, model, executor)
    boxes = [(f"state.{one.name}", one.low, one.high) for one in contract.state]
    inputs = {f"inputs.{one.name}": dag.var(f"inputs.{one.name}", one.low, one.high) for one in contract.inputs}
    state = {name: dag.var(name, low, high) for name, low, high in boxes}
    nothing: dict[str, Node | None] = {f"state.{one.name}": None for one in contract.state}
    initial = executor.call(contract.init, [("state.", False)], nothing)
    executor.obligations.extend(box_obligations("start value lies in its box", initial, boxes, executor.stores, dag))
    resets = [(f"state.{one.name}", one.reset, one.reset) for one in contract.state if one.reset is not None]
    executor.obligations.extend(box_obligations("start value is the contract's", initial, resets, executor.stores, dag))
    roles = [("state.", False), ("inputs.", True), ("outputs.", False)]
    after = executor.call(contract.step, roles, {**inputs, **state})
    executor.obligations.extend(box_obligations("memory stays in its box", after, boxes, executor.stores, dag))
    shown = [(f"outputs.{one.name}", one.low, one.high) for one in contract.outputs]
    executor.obligations.extend(box_obligations("output stays in its range", after, shown, executor.stores, dag))
    kept: dict[str, Node | None] = {}
    if contract.set_gains is not None:
        gains = {f"gains.{one.name}": dag.var(f"gains.{one.name}", one.low, one.high) for one in contract.gains}
        kept = executor.call(contract.set_gains, [("state.", False), ("gains.", True)], {**gains, **state})
        executor.obligations.extend(box_obligations("memory stays in its box", kept, boxes, executor.stores, dag))
    return Run({**inputs, **state}, after, tuple(executor.obligations), kept)


def _match(program: Program, contract: Contract, model: DataModel, executor: Executor) -> None:
    """The structs of the text have the contract's members, the same struct everywhere."""
    groups: dict[str, tuple[Member, ...]] = {
        "state": contract.state,
        "inputs": contract.inputs,
        "outputs": contract.outputs,
        "gains": contract.gains,
    }
    wanted = {contract.init: ("state",), contract.step: ("state", "inputs", "outputs")}
    if contract.set_gains is not None:
        wanted[contract.set_gains] = ("state", "gains")
    seen: dict[str, tuple[str, ...]] = {}
    for name, roles in wanted.items():
        function = program.functions.get(name)
        if function is None:
            raise Refusal("the text", f"there is no function {name}")
        if len(function.parameters) != len(roles):
            raise Refusal(function.place, f"{name} must take {len(roles)} pointers")
        for role, parameter in zip(roles, function.parameters, strict=True):
            if seen.setdefault(role, parameter.words) != parameter.words or len(parameter.words) != 1:
                raise Refusal(function.place, f"parameter {parameter.name} has another struct than elsewhere")
            match_members(groups[role], executor.members_of(parameter.words[0], function.place), model, role)


class Prover:
    """Judges one text under one data model after the other; what two models share is judged once."""

    def __init__(self, program: Program, contract: Contract) -> None:
        self._program = program
        self._contract = contract
        self._dag = TableDag()
        self._ways: dict[tuple[int, ...], str | None] = {}
        self._witnesses: dict[tuple[int, ...], Witness | None] = {}
        self._compared: dict[tuple[object, ...], tuple[tuple[Difference, ...], int]] = {}

    def under(self, model: DataModel) -> ModelProof:
        """Safety and equality under one data model.

        Raises:
            Refusal: The text lies outside the subset, or is not what the contract describes.
        """
        started = time.perf_counter()
        run = run_text(self._program, self._contract, model, self._dag)
        findings = self._findings(run)
        between = time.perf_counter()
        pairs: tuple[str, ...] = ()
        differences: tuple[Difference, ...] = ()
        steps = 0
        if self._contract.model is not None:
            tick = build_model(self._contract.model, self._dag, run.start)
            pairs = tuple(tick.after)
            differences, steps = self._compare(run.after, tick.after)
        return ModelProof(
            model.name, tuple(findings), pairs, differences, steps, between - started, time.perf_counter() - between
        )

    def _findings(self, run: Run) -> list[Finding]:
        reset = {f"state.{one.name}": one.reset for one in self._contract.state if one.reset is not None}
        ways = [self._way(one) for one in run.obligations]
        section = Section(self._dag, run.start, run.after, reset, run.kept) if None in ways else None
        hunter = Hunter(run.start, run.after, reset)
        findings: list[Finding] = []
        failures = 0
        for one, known in zip(run.obligations, ways, strict=True):
            way = known or (section.proves(one.node, one.low, one.high) if section else None)
            if way is not None:
                findings.append(Finding(one.kind, one.place, one.text, True, way))
                continue
            failures += 1
            witness = self._witness(one, hunter) if failures <= MOST_WITNESSES else None
            findings.append(Finding(one.kind, one.place, one.text, False, _against(one, witness), witness))
        return findings

    def _way(self, one: Obligation) -> str | None:
        key = (one.node.ident, one.low, one.high, *(condition.ident for condition in one.path))
        if key not in self._ways:
            self._ways[key] = fits(self._dag, one.node, (one.low, one.high), one.path)
        return self._ways[key]

    def _witness(self, one: Obligation, hunter: Hunter) -> Witness | None:
        key = (one.node.ident, one.low, one.high, *(condition.ident for condition in one.path))
        if key not in self._witnesses:
            self._witnesses[key] = hunter.find(one)
        return self._witnesses[key]

    def _compare(self, after: Mapping[str, Node | None], wanted: Mapping[str, Node]) -> tuple[tuple[Difference, ...], int]:
        got = {name: after.get(name) for name in wanted}
        key = tuple((name, node.ident if node else None, wanted[name].ident) for name, node in got.items())
        known = self._compared.get(key)
        if known is None:
            known = self._compared[key] = compare(self._dag, got, wanted)
        return known


def _against(one: Obligation, witness: Witness | None) -> str:
    """What stands against an obligation, in words."""
    if witness is not None:
        return f"value is {witness.value}, allowed is [{one.low}, {one.high}]; {witness.standing}"
    return f"value may lie in [{one.node.low}, {one.node.high}], allowed is [{one.low}, {one.high}]"
