"""Evidence: what was emitted, what is proven for it and what was checked, as JSON that a machine can compare.

Takes a ``Shipment``, gives the document.  Everything that may differ between two runs of the same input stands under ``times``.
The published schema is ``evidence.schema.json`` beside this module.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib import resources
from typing import Any

import jsonschema

from codegen.bounds import SignalBound
from codegen.errors import LoopwrightError
from codegen.proof import ProofReport
from codegen.rules.fixed import FixedGraph
from codegen.shipment import Checks, Realisation, Shipment
from codegen.target.audit import AuditReport
from codegen.verify import property_entries

SCHEMA_VERSION = 1
NO_DEFECTS = "none were planted; `loopwright ship BUILD.toml -o OUT --defects` or `loopwright verify OUT --defects` does it"
ASSUMPTIONS = (
    "right shifts of negative numbers are arithmetic (the emitted C refuses to compile otherwise)",
    "the compiler and the machine do what ISO C99 says",
    "inputs may take any value of their type on any tick; state, inputs and outputs do not overlap",
    "many-tick and closed-loop bounds hold while no clamp acts and compare with the gains as realised",
    "flights are simulated: one axis, rigid body, friction and noise as in the build file",
    "targets are emulated, no silicon has run the C: cycles are those of the target's cycle table, without interrupts",
)


def sha256(text: str) -> str:
    """Hash of a text as it is written to a file."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def gather_evidence(shipment: Shipment, files: dict[str, str]) -> dict[str, Any]:
    """The evidence document.

    Args:
        shipment: What was produced.
        files: Emitted files by name, whose hashes are recorded.
    """
    part, checks = shipment.realisation, shipment.checks
    build = shipment.build
    document: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "name": shipment.graph.name,
        "title": shipment.graph.title,
        "holds": not shipment.failures,
        "failures": list(shipment.failures),
        "versions": dict(shipment.versions),
        "build_sha256": sha256(build.source_text) if build is not None else None,
        "files": {name: sha256(text) for name, text in sorted(files.items())},
        "tick_period_s": shipment.graph.period_s,
        "slow_every": shipment.graph.slow_every,
        "error_budget_counts": part.error_budget_counts,
        "inputs": _inputs(part.fixed),
        "outputs": _outputs(part.fixed),
        "signals": _signals(part),
        "error_bounds": _error_bounds(part),
        "properties": _properties(shipment),
        "proofs": _proofs(part) + _text_proofs(checks.proof),
        "defects": _defects(checks),
        "targets": [_target(shipment)],
        "assumptions": list(dict.fromkeys([*ASSUMPTIONS, *(checks.proof.assumptions if checks.proof is not None else ())])),
        "times": {
            **{stage: round(seconds, 3) for stage, seconds in shipment.seconds.items()},
            "bit check": round(checks.bits.seconds, 3),
            "error search": round(checks.errors.seconds, 3),
            **({"emulated target": round(checks.target.seconds, 3)} if checks.target is not None else {}),
            **({"planted defects": round(checks.defects.seconds, 3)} if checks.defects is not None else {}),
        },
    }
    return document


def _inputs(fixed: FixedGraph) -> list[dict[str, Any]]:
    return [
        {
            "name": node.name,
            "quantity": node.quantity,
            "unit": node.unit,
            "ctype": node.ctype,
            "per_count": 1.0 if node.is_bool else node.per_count,
            "min": node.low,
            "max": node.high,
        }
        for node in fixed.graph.inputs
    ]


def _outputs(fixed: FixedGraph) -> list[dict[str, Any]]:
    result = []
    for output in fixed.graph.outputs:
        shown, proven = fixed.graph.nodes[output.signal], fixed.formats[output.signal]
        result.append(
            {
                "name": output.name,
                "quantity": output.quantity,
                "unit": shown.unit,
                "ctype": output.ctype,
                "per_count": 1.0 if shown.is_bool else float(proven.lsb),
                "min": proven.low,
                "max": proven.high,
            }
        )
    return result


def _bound(bound: SignalBound) -> dict[str, Any]:
    return {
        "low": bound.low,
        "high": bound.high,
        "counts": bound.counts,
        "contributors": [{"source": label, "magnitude": size} for label, size in bound.contributors],
    }


def _signals(part: Realisation) -> list[dict[str, Any]]:
    result = []
    for name, node in part.fixed.graph.nodes.items():
        proven = part.fixed.formats[name]
        entry: dict[str, Any] = {
            "name": name,
            "kind": type(node).__name__,
            "unit": node.unit,
            "ctype": proven.ctype,
            "format": "truth value" if node.is_bool else proven.label,
            "per_count": 1.0 if node.is_bool else float(proven.lsb),
            "range_counts": [proven.low, proven.high],
            "range": [0, 1] if node.is_bool else [proven.real_low, proven.real_high],
        }
        if name in part.one_tick:
            entry["error_one_tick"] = _bound(part.one_tick[name])
        result.append(entry)
    return result


def _error_bounds(part: Realisation) -> dict[str, Any]:
    return {
        "many_ticks": {name: _bound(bound) for name, bound in part.many_ticks.items()},
        "many_ticks_reason": part.many_ticks_reason,
        "closed_loop": {name: _bound(bound) for name, bound in part.loop.bounds.items()} if part.loop is not None else {},
        "closed_loop_spectral_radius": part.loop.spectral_radius if part.loop is not None else None,
        "decision_margins": {name: list(margin) for name, margin in part.margins.items()},
    }


def _properties(shipment: Shipment) -> list[dict[str, Any]]:
    bits, errors, flight = shipment.checks.bits, shipment.checks.errors, shipment.checks.flight
    loosest = errors.loosest
    result: list[dict[str, Any]] = [
        {
            "name": "bit-exact",
            "statement": "compiled C equals the integer model in every output and every member of its state",
            "holds": bits.mismatches == 0,
            "count": bits.ticks,
            "violations": bits.mismatches,
            "seed": bits.seed,
            "classes": dict(bits.by_class),
            "tool": bits.compiler,
        },
        {
            "name": "no undefined behaviour",
            "statement": "the undefined-behaviour checks stay silent over the same ticks",
            "holds": not bits.sanitizer,
            "count": bits.ticks,
            "violations": sum(report.count for report in bits.sanitizer),
            "seed": bits.seed,
            "tool": bits.compiler,
        },
        {
            "name": "error bound",
            "statement": "no one-tick error beats its bound, no decision differs beyond its margin",
            "holds": errors.holds,
            "count": errors.ticks,
            "violations": errors.violations,
            "seed": errors.seed,
            "loosest": None if loosest is None else {"signal": loosest.name, "bound_over_seen": _finite(loosest.ratio)},
        },
    ]
    result += property_entries(shipment.checks.suite, shipment.checks.faults)
    if flight is not None:
        result.append(
            {
                "name": "flight",
                "statement": "the emitted C stands, recovers, trips and agrees with float64 on the simulated machine",
                "holds": flight.holds,
                "count": len(flight.checks),
                "violations": len(flight.failures),
                "seed": 1,
                "level": flight.level,
                "checks": [
                    {
                        "name": check.name,
                        "wanted": check.wanted,
                        "reached": None if check.reached != check.reached else check.reached,
                        "unit": check.unit,
                        "relation": check.relation,
                        "holds": check.holds,
                    }
                    for check in flight.checks
                ],
            }
        )
    return result


def _proofs(part: Realisation) -> list[dict[str, Any]]:
    numbers = [name for name, node in part.fixed.graph.nodes.items() if not node.is_bool]
    return [
        {
            "name": "ranges",
            "statement": "every signal and accumulator stays inside its C type, for all inputs, for ever",
            "method": "exact integer intervals to a fixed point over memory; peak gains for linear sections",
            "subject": "integer model",
            "obligations": len(numbers),
            "proved": len(numbers),
        },
        {
            "name": "one-tick error",
            "statement": "integers and float64 from the same memory differ by no more than the bound",
            "method": "affine forms over exact rationals",
            "subject": "integer model",
            "obligations": len(part.one_tick),
            "proved": len(part.one_tick),
        },
    ]


def _text_proofs(report: ProofReport | None) -> list[dict[str, Any]]:
    """What is proven of the C text itself, per data model."""
    if report is None:
        return []
    result: list[dict[str, Any]] = []
    for proof in report.models:
        result.append(
            {
                "name": f"safety, {proof.model}",
                "statement": "no overflow, lossy conversion, bad shift or index; memory and outputs inside their ranges",
                "method": "symbolic execution; intervals and affine forms over exact rationals",
                "subject": "C text",
                "obligations": len(proof.findings),
                "proved": len(proof.findings) - len(proof.failed),
            }
        )
        result.append(
            {
                "name": f"equality, {proof.model}",
                "statement": "the C text computes what the integer model computes, for all inputs and all memory in its ranges",
                "method": "normal forms, then merging of nodes with integer solver queries under a resource limit",
                "subject": "C text",
                "obligations": len(proof.pairs),
                "proved": len(proof.pairs) - len(proof.differences),
            }
        )
    if report.refused is not None:
        result.append(
            {
                "name": "C text",
                "statement": f"refused: {report.refused.place}: {report.refused.reason}",
                "method": "front end that accepts a stated subset of C only",
                "subject": "C text",
                "obligations": 1,
                "proved": 0,
            }
        )
    return result


def _defects(checks: Checks) -> dict[str, Any]:
    if checks.defects is None:
        return {"tried": 0, "killed": 0, "equivalent": 0, "survived": 0, "note": NO_DEFECTS}
    return checks.defects.evidence()


def _target(shipment: Shipment) -> dict[str, Any]:
    """What the controller takes on its target; null where it could not be had, and then a note says why."""
    part, result = shipment.realisation, shipment.checks.target
    costs = result.costs if result is not None else None
    bound = costs.bound if costs is not None else None
    entry: dict[str, Any] = {
        "name": part.target.name,
        "title": part.target.title,
        "operand_bits": part.target.operand_bits,
        "accumulator_bits": part.target.accumulator_bits,
        "decisions": list(part.fixed.decisions),
        "choices": [asdict(choice) for choice in part.fixed.choices],
        "clock_hz": result.clock.hz if result is not None else None,
        "flash_wait_states": part.target.chip.wait_states,
        "compiler": costs.compiler if costs is not None else None,
        "optimise": costs.optimise if costs is not None else None,
        "cycle_bound": bound.worst.cycles if bound is not None else None,
        "cycle_bound_ordinary": bound.ordinary.cycles if bound is not None else None,
        "cycle_bound_outer": bound.slow.cycles if bound is not None else None,
        "measured_worst_tick": _measured(costs),
        "measured_ordinary": costs.measured_ordinary if costs is not None else None,
        "measured_outer": costs.measured_slow if costs is not None else None,
        "jitter_cycles": costs.jitter_cycles if costs is not None else None,
        "stack_bytes": bound.stack_bytes if bound is not None else None,
        "flash_bytes": costs.flash_bytes if costs is not None else None,
        "ram_bytes": costs.ram_bytes if costs is not None else None,
        "share_of_period": costs.share if costs is not None else None,
        "latency_us": None if costs is None or costs.latency_s is None else 1e6 * costs.latency_s,
        "margins": {} if costs is None else {name: [_finite(value) for value in pair] for name, pair in costs.margins.items()},
        "search": None,
        "replay": None,
        "firmware": None,
        "notes": ["the target was not tried"],
    }
    if result is None:
        return entry
    entry["notes"] = [note for note in (result.clock.note, *result.missing) if note]
    if costs is not None and result.tries:
        entry["search"] = {"ticks_per_kind": result.tries, "seed": result.seed}
    if result.replay is not None:
        replay = result.replay
        entry["replay"] = {
            "ticks": replay.ticks,
            "mismatches": replay.mismatches,
            "stack_seen_bytes": replay.stack_bytes,
            "seed": result.seed,
            "emulator": replay.emulator,
        }
    if result.flight is not None:
        flight = result.flight
        entry["firmware"] = {
            "simulated_s": flight.seconds,
            "ticks": flight.ticks,
            "pokes": flight.pokes,
            "stands": flight.stands,
            "differing_from_host": flight.differing,
            "lost_ticks": flight.lost_ticks,
            "busy_cycles": flight.busy_cycles,
        }
    return entry


def _measured(costs: AuditReport | None) -> int | None:
    seen = [] if costs is None else [value for value in (costs.measured_ordinary, costs.measured_slow) if value is not None]
    return max(seen, default=None)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def evidence_schema() -> dict[str, Any]:
    """The published JSON schema of the document."""
    text = resources.files("codegen").joinpath("evidence.schema.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    return document


def evidence_text(document: dict[str, Any]) -> str:
    """The document as it is written, after validation against its schema.

    Raises:
        jsonschema.ValidationError: The document does not match (a defect of this module).
    """
    jsonschema.validate(document, evidence_schema())
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


@dataclass(frozen=True)
class ShippedEvidence:
    """What a later check needs from an evidence file."""

    target: str
    error_budget_counts: float
    files: Mapping[str, str]
    clock_hz: float | None


def read_evidence(text: str, where: str) -> dict[str, Any]:
    """The document in an evidence file, checked against the schema.

    Raises:
        LoopwrightError: It is no evidence of this version.
    """
    try:
        document: dict[str, Any] = json.loads(text)
        jsonschema.validate(document, evidence_schema())
    except (ValueError, jsonschema.ValidationError) as error:
        reason = error.message if isinstance(error, jsonschema.ValidationError) else str(error)
        raise LoopwrightError(f"this is no evidence: {reason[:200]}", where, "ship the build file again") from None
    return document


def parse_evidence(text: str, where: str) -> ShippedEvidence:
    """What a later check needs from an evidence file.

    Raises:
        LoopwrightError: It is no evidence of this version.
    """
    document = read_evidence(text, where)
    target = document["targets"][0]
    return ShippedEvidence(target["name"], document["error_budget_counts"], document["files"], target.get("clock_hz"))
