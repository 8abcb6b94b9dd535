"""What was checked, how often, and what all of it rests on.

Takes the checks of a realisation, gives tables and sentences.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from codegen.design import Design
from codegen.proof import ProofReport
from codegen.report.parts import Column, Table, row, table
from codegen.report.wording import figure, percent, plural, whole
from codegen.shipment import Shipment
from codegen.verify import BitCheck, ErrorCheck
from codegen.verify.bits import CLASSES

CLASS_WORDS = {
    "held": "random levels, held for random times",
    "edges": "ends of the types, counts around zero and around every limit, held",
    "white": "new random values in every tick",
    "constant": "-1, 0 or 1 count for ever",
    "opposite": "jumps from one end of the type to the other",
    "flight": "recorded flights, one reading overwritten for a while",
}

MODEL_WORDS = {"LP64": "int 32, long 64 bits", "ILP32": "int 32, long 32 bits", "I16": "int 16, long 32 bits"}

_NUMBER_ASSUMPTIONS = (
    "Every input may take any value of its C type in every tick; nothing is assumed about what sensors do.",
    "The compiler shifts negative numbers to the right arithmetically; the emitted C asserts it at compile time and does not compile "
    "otherwise.",
    "The one-tick bound compares integers and float64 from the same memory and inputs, clamps included; where a comparison is nearer "
    "to its threshold than its margin, both may decide differently.",
    "The bounds over many ticks hold while no clamp acts and the truth values stay as they are. They compare with a float64 "
    "controller that has the gains as the integers realise them; what rounding the gains does by itself is in the one-tick bound.",
)
_MACHINE_ASSUMPTIONS = (
    "The closed-loop bounds add that the machine is the linear one about upright with its nominal numbers, and that it balances.",
    "Flights are simulated: a rigid body tilting about one axis, friction with stiction, cogging of one harmonic, white sensor noise "
    "with a constant bias, ideal steps of the supply. No structural resonance, no imbalance of the wheel, no wear, no slipping edge.",
)
_ROLLING_ASSUMPTIONS = (
    _MACHINE_ASSUMPTIONS[0],
    "Flights are simulated: a rigid body tilting about one axis and rolling straight on, Coulomb and viscous friction, white sensor noise "
    "with a constant bias or encoders without backlash, ideal steps of the supply. No structural resonance, no slope, no slipping wheel or "
    "belt, no steering, no wear.",
)
_NO_TARGET = (
    "Nothing here ran on the microcontroller, real or emulated: the C was compiled and run on this computer. Measure its time per tick and "
    "its stack before relying on the loop period."
)


@dataclass(frozen=True)
class AssurancePart:
    """The section's content."""

    proof_sentence: str
    proof_table: Table | None
    bit_sentence: str
    bit_classes: Table
    difference: Table | None
    undefined: Table | None
    truth_shares: str
    error_sentence: str
    assumptions: tuple[str, ...]


def describe_assurance(shipment: Shipment) -> AssurancePart:
    """Campaigns with their counts and seeds, and the assumptions."""
    bits = shipment.checks.bits
    machine = _MACHINE_ASSUMPTIONS if isinstance(shipment.design, Design) else () if shipment.design is None else _ROLLING_ASSUMPTIONS
    proof = shipment.checks.proof
    return AssurancePart(
        _proof_sentence(proof),
        _proof_table(proof),
        _bit_sentence(bits),
        _bit_classes(bits),
        _difference(bits),
        _undefined(bits),
        ", ".join(f"{name} in {percent(share, 2)}" for name, share in bits.true_share),
        _error_sentence(shipment.checks.errors),
        (*_NUMBER_ASSUMPTIONS, *machine, *_target_assumptions(shipment)),
    )


def _target_assumptions(shipment: Shipment) -> tuple[str, ...]:
    """What cycles and sizes rest on, and that no silicon was there."""
    result, target = shipment.checks.target, shipment.realisation.target
    if result is None or result.costs is None:
        return (_NO_TARGET,)
    sources = "; ".join(dict.fromkeys(fact.source for fact in target.cycles))
    recalled = sum(1 for fact in target.cycles if fact.standing != "seen")
    memory = f" ({recalled} of its {len(target.cycles)} rows from memory)" if recalled else ""
    ran = "the emulated core executed the same bits" if result.replay is not None else "not even an emulated core was there to execute it"
    counted = "The emulator counts no cycles: the instructions that it executed are priced by the table."
    if target.chip.emulator == "simavr":
        counted = "The simulator counts cycles itself and agrees with the table."
    states = target.chip.wait_states
    waits = "none" if not states else plural(states, "cycle")
    return (
        f"No silicon has run this C. It was compiled for {target.name}, and {ran}. {counted if result.tries else ''}".rstrip(),
        f"The cycle bound rests on the target's cycle table{memory}, from: {sources}.",
        f"Flash wait states: {waits}, an assumption unless the chip has none. At clocks where your chip's flash waits, run the controller "
        "from RAM or measure. Interrupts that come during a step, and caches, come on top of the bound.",
        f"The memory map is a stated one: {target.chip.source}.",
    )


def _proof_sentence(proof: ProofReport | None) -> str:
    if proof is None:
        return "Nothing was proved from the C text itself."
    if proof.refused is not None:
        return f"The C text is not proved: {proof.refused.place}: {proof.refused.reason}."
    return (
        "From the C text alone, knowing nothing of how it was made: every operation is shown to stay inside its type, memory and outputs "
        "inside their ranges, and every result to equal the integer model's, for all inputs, from every legal memory."
        if proof.holds
        else "From the C text alone not everything could be proved; what is missing stands among the failures above."
    )


def _proof_table(proof: ProofReport | None) -> Table | None:
    if proof is None or not proof.models:
        return None
    columns = (Column("data model"), Column("obligations", "number"), Column("proved", "number"), Column("results equal", "number"))
    rows = [
        row(
            MODEL_WORDS.get(one.model, one.model),
            whole(len(one.findings)),
            whole(len(one.findings) - len(one.failed)),
            f"{len(one.pairs) - len(one.differences)} of {len(one.pairs)}",
        )
        for one in proof.models
    ]
    return table("proof", "What the C text proves, by the widths that C leaves open.", columns, rows)


def _bit_sentence(bits: BitCheck) -> str:
    outcome = "no value differs" if bits.mismatches == 0 else f"{plural(bits.mismatches, 'value')} differ"
    undefined = "nothing that C leaves undefined was done" if not bits.sanitizer else "C that is undefined was run, see below"
    return (
        f"The emitted C, compiled with {bits.compiler} and its checks for undefined behaviour, against the integer model over "
        f"{plural(bits.ticks, 'tick')}: every output and every member of the memory after every tick. Result: {outcome}; {undefined}. "
        f"Runs start from a fresh controller and, in every second round through the kinds of inputs, from random legal memory. "
        f"Seed {bits.seed}."
    )


def _bit_classes(bits: BitCheck) -> Table:
    ticks = dict.fromkeys(CLASSES, 0) | dict(bits.by_class)
    rows = [row(name, CLASS_WORDS.get(name, ""), whole(count)) for name, count in ticks.items()]
    columns = (Column("inputs"), Column("what they are"), Column("ticks", "number"))
    return table("bit-classes", "What the compiled C was fed with.", columns, rows, prose=True)


def _difference(bits: BitCheck) -> Table | None:
    first = bits.first
    if first is None:
        return None
    start = "fresh controller" if first.from_start else "random memory"
    columns = (
        Column("signal"),
        Column("tick", "number"),
        Column("expected", "number"),
        Column("got", "number"),
        Column("inputs"),
        Column("start"),
    )
    cells = row(first.signal, whole(first.tick), whole(first.expected), whole(first.got), first.draw, start)
    return table("first-difference", "The first difference.", columns, [cells])


def _undefined(bits: BitCheck) -> Table | None:
    if not bits.sanitizer:
        return None
    rows = [row(report.kind, f"{report.file}:{report.line}:{report.column}", whole(report.count)) for report in bits.sanitizer]
    columns = (Column("undefined behaviour"), Column("where"), Column("times", "number"))
    return table("undefined", "What C leaves undefined and was done nevertheless.", columns, rows)


def _error_sentence(errors: ErrorCheck) -> str:
    outcome = "no bound was beaten"
    if errors.violations:
        outcome = f"{plural(errors.violations, 'observation')} beat a bound, first {errors.first}"
    loosest, least = errors.loosest, ""
    if loosest is not None and isfinite(loosest.ratio):
        least = f" The least tight bound is that of {loosest.name}, {figure(loosest.ratio, 4)} times the largest error found."
    elif loosest is not None:
        least = f" No error at all was found in {loosest.name}."
    return (
        f"The largest one-tick error of {plural(len(errors.signals), 'signal')} was searched for over {plural(errors.ticks, 'tick')}, by "
        f"random draws from all legal memories and inputs and by climbing on from the worst of them: {outcome}.{least} Seed {errors.seed}."
    )
