"""Properties and faults as entries of the evidence.

Takes the checks' results, gives JSON-ready entries; what may differ from run to run (times) stays out.
"""

from __future__ import annotations

from typing import Any

from codegen.verify.faults import FaultCheck
from codegen.verify.properties import PropertyCheck


def property_entries(suite: PropertyCheck | None, faults: FaultCheck | None) -> list[dict[str, Any]]:
    """One entry per property that was tried, and one for faults at run time."""
    entries: list[dict[str, Any]] = []
    if suite is not None:
        for result in suite.results:
            if not result.tried:
                continue
            entry: dict[str, Any] = {
                "name": result.name,
                "statement": result.statement,
                "holds": result.holds,
                "count": result.count,
                "violations": 0 if result.holds else 1,
                "seed": result.seed,
                **dict(result.figures),
            }
            if result.failure is not None:
                entry["first"] = result.failure.summary()
            entries.append(entry)
    if faults is not None:
        entries.append(_fault_entry(faults))
    return entries


def _fault_entry(faults: FaultCheck) -> dict[str, Any]:
    return {
        "name": "faults at run time",
        "statement": "flipped bits, faulty readings and missed ticks: outputs in limits, trips in time, nobody stuck",
        "holds": faults.holds,
        "count": faults.flips + sum(faults.sensor_faults.values()),
        "violations": faults.outside + faults.stuck + faults.never_returned + len(faults.late_trips),
        "seed": faults.seed,
        "flips": faults.flips,
        "sensor_faults": sum(faults.sensor_faults.values()),
        "by_kind": dict(faults.sensor_faults),
        "longest_return_ticks": faults.longest_return,
        "stuck": faults.stuck,
        "cycles": faults.cycles,
        "trips": [
            {"reading": trip.reading, "stated_ticks": trip.stated_ticks, "slowest_ticks": trip.slowest_ticks, "tried": trip.tried}
            for trip in faults.trips
        ],
        "undefined_places": len({(place.line, place.kind) for place in faults.undefined}),
        "undefined": [
            {"member": place.member, "bits": list(place.bits), "kind": place.kind, "line": place.line} for place in faults.undefined
        ],
    }
