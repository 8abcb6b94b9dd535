"""A new evidence document against a committed one: every figure that got worse, by name.

Takes two documents, gives sentences; an empty list means that nothing is worse.  What is better or merely different is not told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

Document = Mapping[str, Any]
# Two computations of the same figure may differ in the last bits of float64.
SAME = 1e-9

MORE_IS_WORSE = (
    "cycle_bound",
    "cycle_bound_ordinary",
    "cycle_bound_outer",
    "measured_worst_tick",
    "jitter_cycles",
    "stack_bytes",
    "flash_bytes",
    "ram_bytes",
    "share_of_period",
    "latency_us",
)
"""Figures of a target."""

RUNS = {
    "search": ((), ("ticks_per_kind",)),
    "replay": (("mismatches",), ("ticks",)),
    "firmware": (("differing_from_host", "lost_ticks"), ("ticks", "stands")),
}
"""What was executed on a target, each with the figures of which more and of which less is worse."""

PROPERTY_MORE_IS_WORSE = (
    "violations",
    "longest_return_ticks",
    "stuck",
    "undefined_places",
    "slowest_trip_ticks",
    "widest dead band, counts of the target",
    "ticks until a limit is let go",
)
PROPERTY_LESS_IS_WORSE = ("count", "paths felt", "odd signals", "optimisation levels", "flips", "sensor_faults")


def compare_evidence(old: Document, new: Document) -> list[str]:
    """What is worse in ``new``, one sentence each, with both figures."""
    return [
        *_holds(old, new),
        *_properties(_by_name(old, "properties"), _by_name(new, "properties")),
        *_proofs(_by_name(old, "proofs"), _by_name(new, "proofs")),
        *_defects(old.get("defects", {}), new.get("defects", {})),
        *_targets(_by_name(old, "targets"), _by_name(new, "targets")),
        *_signals(_by_name(old, "signals"), _by_name(new, "signals")),
        *_bounds(old.get("error_bounds", {}), new.get("error_bounds", {})),
        *(f"assumptions: a new one: {text}" for text in new.get("assumptions", []) if text not in old.get("assumptions", [])),
    ]


def _by_name(document: Document, key: str) -> dict[str, Document]:
    return {entry["name"]: entry for entry in document.get(key, [])}


def _number(value: Any) -> float | None:
    return None if value is None or isinstance(value, bool) or not isinstance(value, int | float) else float(value)


def _worse(what: str, old: Any, new: Any, *, more_is_worse: bool) -> Iterator[str]:
    """The sentence if a figure got worse or is no longer there."""
    before, after = _number(old), _number(new)
    if before is None:
        return
    if after is None:
        yield f"{what}: {old} before, not there now"
        return
    room = SAME * max(abs(before), abs(after))
    if (after > before + room) if more_is_worse else (after < before - room):
        yield f"{what}: {_shown(old)} before, {_shown(new)} now"


def _shown(value: Any) -> str:
    return f"{value:,}" if isinstance(value, int) else f"{value:.6g}"


def _holds(old: Document, new: Document) -> Iterator[str]:
    if old.get("holds") and not new.get("holds"):
        yield "holds: yes before, no now"


def _properties(old: Mapping[str, Document], new: Mapping[str, Document]) -> Iterator[str]:
    for name, before in old.items():
        after = new.get(name)
        if after is None:
            yield f"property {name}: tried before, not tried now"
            continue
        if before.get("holds") and not after.get("holds"):
            yield f"property {name}: holds before, broken now"
        for key in PROPERTY_MORE_IS_WORSE:
            yield from _worse(f"property {name}, {key}", before.get(key), after.get(key), more_is_worse=True)
        for key in PROPERTY_LESS_IS_WORSE:
            yield from _worse(f"property {name}, {key}", before.get(key), after.get(key), more_is_worse=False)
        yield from _flight_checks(name, before, after)


def _flight_checks(name: str, old: Document, new: Document) -> Iterator[str]:
    after = {check["name"]: check for check in new.get("checks", [])}
    for check in old.get("checks", []):
        what = f"property {name}, {check['name']}"
        if check["name"] not in after:
            yield f"{what}: flown before, not flown now"
        else:
            more = check.get("relation") == "at most"
            yield from _worse(what, check.get("reached"), after[check["name"]].get("reached"), more_is_worse=more)


def _proofs(old: Mapping[str, Document], new: Mapping[str, Document]) -> Iterator[str]:
    for name, before in old.items():
        after = new.get(name)
        if after is None:
            yield f"proof {name}: there before, not there now"
            continue
        open_before, open_after = (int(part["obligations"]) - int(part["proved"]) for part in (before, after))
        yield from _worse(f"proof {name}, open obligations", open_before, open_after, more_is_worse=True)


def _share(defects: Document) -> float | None:
    judged = int(defects.get("tried", 0)) - int(defects.get("equivalent", 0))
    return int(defects.get("killed", 0)) / judged if judged > 0 else None


def _defects(old: Document, new: Document) -> Iterator[str]:
    """Kill rates; nothing is said where no defects were planted, which is left to who asks for it."""
    if not new.get("tried"):
        return
    yield from _worse("defects, share killed", _share(old), _share(new), more_is_worse=False)
    rate = "rate_of_kinds_1_to_31"
    yield from _worse("defects, share killed of kinds 1 to 31", old.get(rate), new.get(rate), more_is_worse=False)
    yield from _worse("defects, tried", old.get("tried") or None, new.get("tried"), more_is_worse=False)
    yield from _worse("defects, survived", old.get("survived") if old.get("tried") else None, new.get("survived"), more_is_worse=True)
    after = {kind["number"]: kind for kind in new.get("kinds", [])}
    for kind in old.get("kinds", []):
        # What no longer occurs in the text cannot be planted; that is no loss.
        if kind["number"] in after:
            what = f"defects of kind {kind['number']}, {kind['title']}, survived"
            yield from _worse(what, kind["survived"], after[kind["number"]]["survived"], more_is_worse=True)


def _targets(old: Mapping[str, Document], new: Mapping[str, Document]) -> Iterator[str]:
    for name, before in old.items():
        after = new.get(name)
        if after is None:
            yield f"target {name}: there before, not there now"
            continue
        tools = [before.get("compiler"), after.get("compiler")]
        why = f" ({tools[0]} before, {tools[1]} now)" if None not in tools and tools[0] != tools[1] else ""
        for key in MORE_IS_WORSE:
            for text in _worse(f"target {name}, {key}", before.get(key), after.get(key), more_is_worse=True):
                yield text + why
        for run, (more, less) in RUNS.items():
            if before.get(run) is None:
                continue
            if after.get(run) is None:
                yield f"target {name}, {run}: done before, not done now"
                continue
            for key in (*more, *less):
                pair = [_count(entry[run].get(key)) for entry in (before, after)]
                yield from _worse(f"target {name}, {run}, {key}", *pair, more_is_worse=key in more)


def _count(value: Any) -> Any:
    """A truth value as a number that can be compared."""
    return int(value) if isinstance(value, bool) else value


def _signals(old: Mapping[str, Document], new: Mapping[str, Document]) -> Iterator[str]:
    for name, before in old.items():
        after = new.get(name)
        if after is None or before.get("error_one_tick") is None:
            continue
        # Magnitudes in the unit, not in counts: a finer format has more counts of a smaller error.
        sizes = [_magnitude(part.get("error_one_tick")) for part in (before, after)]
        yield from _worse(f"signal {name}, error after one tick", sizes[0], sizes[1], more_is_worse=True)


def _magnitude(bound: Any) -> float | None:
    return None if not isinstance(bound, Mapping) else max(abs(float(bound["low"])), abs(float(bound["high"])))


def _bounds(old: Document, new: Document) -> Iterator[str]:
    for kind in ("many_ticks", "closed_loop"):
        before, after = old.get(kind, {}), new.get(kind, {})
        for name, bound in before.items():
            what = f"error bound of {name}, {kind.replace('_', ' ')}"
            yield from _worse(what, _magnitude(bound), _magnitude(after.get(name)), more_is_worse=True)
    radius = "closed_loop_spectral_radius"
    yield from _worse("closed loop, spectral radius", old.get(radius), new.get(radius), more_is_worse=True)
