"""Faults at run time in the compiled C: bits flipped in the state, sensors that stick, jump, go stale or wrap, ticks that are missed.

Takes a subject, gives a ``FaultCheck``.  Judged are the outputs' limits in every tick, how long the state stays outside its proven set,
the trips' times, and whether a controller that went through a fault and was disarmed and armed again (or, where there is nothing to arm,
was driven from end to end) behaves like one that never had it.  What the flips make undefined is found apart, in a build with checks.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.verify.law import earliest
from codegen.verify.limits import outside
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run, Watched, watch
from codegen.verify.watches import Watch, find_watches

Counts = NDArray[np.int64]
Generator = np.random.Generator
Progress = Callable[[float], None]

LANES = 1000
FLIP_WITHIN = 8
SETTLE_TICKS, AGAIN_TICKS = 800, 120
LIKE_COUNTS = 2
"""Commands that differ by no more than this many counts are alike: filters stop anywhere inside their rounding's dead band."""
SENSOR_KINDS = ("stuck", "jumping", "stale", "wrapped", "missed ticks")
PROBES_PER_BIT = 24


@dataclass(frozen=True)
class UpsetPlace:
    """A statement that C leaves undefined once a bit of a member has flipped.

    Attributes:
        member: Member of the state.
        bits: Bits of it that do so (least and greatest).
        kind: What happens.
        line: Line of the source.
    """

    member: str
    bits: tuple[int, int]
    kind: str
    line: int


@dataclass(frozen=True)
class TripTime:
    """Slowest trip seen of one watch, against the ticks it states."""

    reading: str
    stated_ticks: int
    slowest_ticks: int
    tried: int


@dataclass(frozen=True)
class FaultCheck:
    """What the campaign found.

    Attributes:
        flips: Bits flipped, one at a time.
        sensor_faults: Spells of faulty readings, by kind.
        ticks: Controller ticks run.
        outside: Outputs beyond their limits, in values.
        first: The first of them, or the first controller that stayed stuck.
        longest_return: Most ticks after a flip until the whole state was inside its proven set for good.
        never_returned: Controllers whose state was still outside when looked at last.
        cycles: Controllers that were still changed by their fault and were disarmed and armed again (or driven from end to end).
        stuck: Those that were not alike to healthy ones afterwards.
        trips: Times of the watches for readings that do not change.
        undefined: What C leaves undefined after a flip; reported, not judged, because it takes a flip to get there.
        seed: Seed of all draws.
        seconds: Time it took.
        left_out: What the time did not reach, in words, or "".
    """

    flips: int
    sensor_faults: dict[str, int]
    ticks: int
    outside: int
    first: Failure | None
    longest_return: int
    never_returned: int
    cycles: int
    stuck: int
    trips: tuple[TripTime, ...]
    undefined: tuple[UpsetPlace, ...]
    seed: int
    seconds: float
    left_out: str

    @property
    def late_trips(self) -> tuple[TripTime, ...]:
        """Watches that were slower than they state."""
        return tuple(trip for trip in self.trips if trip.slowest_ticks > trip.stated_ticks)

    @property
    def holds(self) -> bool:
        """Outputs in limits, states back in the proven set, nobody stuck, trips in time."""
        return not (self.outside or self.never_returned or self.stuck or self.late_trips)

    @property
    def failures(self) -> tuple[str, ...]:
        """What does not hold, one sentence each."""
        found = []
        shown = f"; first: {self.first.summary()}" if self.first is not None else ""
        if self.outside:
            found.append(f"faults: {self.outside} outputs beyond their limits{shown}")
        if self.stuck:
            found.append(f"faults: {self.stuck} controllers stay changed by a fault that is over{'' if self.outside else shown}")
        if self.never_returned:
            found.append(f"faults: {self.never_returned} states do not return to their ranges")
        late = [f"{trip.reading} stuck trips after {trip.slowest_ticks} ticks, {trip.stated_ticks} stated" for trip in self.late_trips]
        return (*found, *(f"faults: {text}" for text in late))


class _Campaign:
    """Counts of a running campaign."""

    def __init__(self, subject: Subject, rng: Generator) -> None:
        self.subject = subject
        self.rng = rng
        self.ticks = self.outside = self.never = self.cycles = self.stuck = self.longest = self.flips = 0
        self.first: Failure | None = None
        self.spells: dict[str, int] = {}
        self.slowest: dict[str, tuple[int, int]] = {}
        self.paths = [self._path(trace) for trace in subject.traces]
        self.watches: list[Watch] = find_watches(subject) if subject.input_of("arm") is not None else []

    def _path(self, trace: Counts) -> tuple[Counts, Counts]:
        """A recorded flight with the memory before each of its ticks."""
        host = self.subject.host()
        begin = host.start(1)
        first = begin[:, 0].copy()
        memory = host.run(begin, np.asarray(trace, dtype=np.int64)[:, :, None], trace_memory=True).memory
        assert memory is not None
        after = memory[:, :, 0]
        return np.asarray(trace, dtype=np.int64), np.concatenate([first[None, : after.shape[1]], after[:-1]])

    def scene(self, ticks: int, turn: int) -> tuple[Counts, Counts]:
        """(memory (members, lanes), inputs (ticks, inputs, lanes)) to put faults into: along flights, or anywhere."""
        subject, rng = self.subject, self.rng
        if self.paths and turn % 4:
            trace, memory = self.paths[turn % len(self.paths)]
            starts = rng.integers(0, max(1, len(trace) - ticks), LANES)
            rows = np.minimum(starts[None, :] + np.arange(ticks)[:, None], len(trace) - 1)
            return np.ascontiguousarray(memory[starts].T), np.ascontiguousarray(trace[rows].transpose(0, 2, 1))
        kinds = ("held", "edges", "white")
        return subject.legal_memory(rng, LANES), subject.draw(kinds[turn % len(kinds)], rng, ticks, LANES)

    def judge_outputs(self, inputs: Counts, begin: Counts, outputs: Counts, flips: Counts | None, what: str) -> None:
        """Count outputs beyond their limits and keep the first as a failure."""
        self.ticks += outputs.shape[0] * outputs.shape[2]
        ports = self.subject.shape.outputs
        lows, highs = (np.array([getattr(port, side) for port in ports], dtype=np.int64)[None, :, None] for side in ("low", "high"))
        broken = (outputs < lows) | (outputs > highs)
        self.outside += int(np.count_nonzero(broken))
        place = earliest(broken)
        if place is None or self.first is not None:
            return
        tick, column, lane = place
        port = ports[column]
        claim = f"output {port.name} stays inside [{port.low}, {port.high}] {what}"
        self.first = self._failure(claim, inputs[: tick + 1, :, lane], begin[:, lane], flips, lane, port.name, (port.low, port.high))

    def _failure(
        self, claim: str, inputs: Counts, memory: Counts, flips: Counts | None, lane: int, name: str, limits: tuple[int, int]
    ) -> Failure:
        subject = self.subject
        flip = None
        if flips is not None and int(flips[0, lane]) < len(inputs):
            flip = (int(flips[0, lane]), subject.shape.memory[int(flips[1, lane])].name, int(flips[2, lane]))
        runs = (Run(inputs.copy(), subject.named_memory(memory), None, flip),)
        watched = (Watched(name),)
        return Failure(claim, runs, watched, *limits, tuple(int(v) for v in watch(subject.host(), runs, watched)))

    # --- flips ------------------------------------------------------------------------------------------------------------

    def flip_batch(self, turn: int) -> None:
        """One flip in each of a batch of controllers, each compared with a twin that has none."""
        subject, rng, host = self.subject, self.rng, self.subject.host()
        ports = subject.shape.memory
        ticks = FLIP_WITHIN + subject.shape.slow_every + 4
        begin, inputs = self.scene(ticks, turn)
        weights = np.array([port.bits for port in ports], dtype=np.float64)
        flips = np.empty((3, LANES), dtype=np.int64)
        flips[0] = rng.integers(0, FLIP_WITHIN, LANES)
        # Half of them by member, half by bit: small members are hit as well as large ones.
        by_bit = rng.choice(len(ports), LANES, p=weights / weights.sum())
        flips[1] = np.where(rng.random(LANES) < 0.5, by_bit, rng.integers(0, len(ports), LANES))
        flips[2] = (rng.random(LANES) * weights[flips[1]]).astype(np.int64)
        hit, healthy = np.array(begin, order="C"), np.array(begin, order="C")
        trace = host.upset(hit, inputs, flips)
        host.run(healthy, inputs)
        self.flips += LANES
        self.judge_outputs(inputs, begin, trace.outputs, flips, "when a bit of the state flips")
        beyond = np.asarray(outside(subject, trace, state=True)[:, len(subject.shape.outputs) :].any(axis=1))
        last = np.where(beyond.any(axis=0), ticks - np.argmax(beyond[::-1], axis=0), flips[0])
        self.never += int(np.count_nonzero(beyond[-1]))
        self.longest = max(self.longest, int(np.max(last - flips[0])))
        self._cycle(hit, healthy, inputs[-1], turn)

    def _cycle(self, hit: Counts, healthy: Counts, readings: Counts, turn: int) -> None:
        """Controllers that a fault still shows in are disarmed, armed again and compared with healthy ones."""
        changed = np.flatnonzero((hit != healthy).any(axis=0))
        if not len(changed):
            return
        host, lanes = self.subject.host(), len(changed)
        self.cycles += lanes
        course = self._course(readings[:, changed], turn)
        pair = [host.run(memory, course) for memory in (hit[:, changed].copy(), self._in_step(hit, healthy)[:, changed].copy())]
        self.ticks += 2 * course.shape[0] * lanes
        ones, others = (trace.outputs[-AGAIN_TICKS:] for trace in pair)
        if self.subject.input_of("arm") is not None:
            unlike = (np.abs(ones - others) > LIKE_COUNTS).any(axis=(0, 1))
            for role in ("armed", "tripped"):
                for at in self.subject.roles(role):
                    unlike |= (ones[:, at] != others[:, at]).any(axis=0)
        else:
            # Memory that adds up for ever may differ for ever; stuck is what no longer moves where a healthy one does.
            moves = [(part != part[:1]).any(axis=0) for part in (ones, others)]
            unlike = (moves[1] & ~moves[0]).any(axis=0)
        self.stuck += int(np.count_nonzero(unlike))
        if unlike.any() and self.first is None:
            lane = int(np.argmax(unlike))
            self.first = self._stuck_failure(course[:, :, lane], hit[:, changed[lane]], ones[:, :, lane], others[:, :, lane])

    def _in_step(self, hit: Counts, healthy: Counts) -> Counts:
        """Healthy memories at the phase of those that were hit: a flipped counter moves the slow section in time, and that is all."""
        result = healthy.copy()
        for at, port in enumerate(self.subject.shape.memory):
            if port.role == "slow_count":
                result[at] = hit[at]
        return result

    def _stuck_failure(self, course: Counts, memory: Counts, ones: Counts, others: Counts) -> Failure:
        differing = np.argwhere(np.abs(ones - others) > 0)
        tick, column = (int(at) for at in (differing[0] if len(differing) else (0, 0)))
        port = self.subject.shape.outputs[column]
        wanted = int(others[tick, column])
        room = LIKE_COUNTS if port.role not in ("armed", "tripped") else 0
        end = len(course) - AGAIN_TICKS + tick + 1
        claim = f"output {port.name} is that of a healthy controller once disarmed and armed again after a fault"
        return self._failure(claim, course[:end], memory, None, 0, port.name, (wanted - room, wanted + room))

    def _course(self, readings: Counts, turn: int) -> Counts:
        """Inputs (ticks, inputs, lanes) after a fault: disarmed for a while, then as a flight begins; or from end to end."""
        subject = self.subject
        arm = subject.input_of("arm")
        lanes = readings.shape[1]
        if arm is None or not self.paths:
            ends = np.array([[port.low, port.high] for port in subject.shape.inputs], dtype=np.int64)
            swing = np.repeat(ends.T, AGAIN_TICKS // 2, axis=0)
            course = np.repeat(np.concatenate([swing, swing, swing])[:, :, None], lanes, axis=2)
            if arm is not None:
                course[: AGAIN_TICKS // 2, arm] = 0
            return course
        trace, _ = self.paths[turn % len(self.paths)]
        armed = int(np.argmax(trace[:, arm] != 0))
        waiting = np.resize(trace[: max(1, armed)], (SETTLE_TICKS, trace.shape[1]))
        waiting[:, arm] = 0
        begin = trace[armed : armed + AGAIN_TICKS]
        return np.ascontiguousarray(np.repeat(np.concatenate([waiting, begin])[:, :, None], lanes, axis=2))

    # --- sensors ----------------------------------------------------------------------------------------------------------

    def sensor_batch(self, turn: int) -> None:
        """A spell of faulty readings in each of a batch of controllers."""
        subject, rng, host = self.subject, self.rng, self.subject.host()
        kind = SENSOR_KINDS[turn % len(SENSOR_KINDS)]
        longest = max([watch_.ticks for watch_ in self.watches], default=20)
        ticks = FLIP_WITHIN + longest + subject.shape.slow_every + 6
        begin, inputs = self.scene(ticks, 1 + turn + turn // len(SENSOR_KINDS))
        spoilt = inputs.copy()
        numbers = [at for at, port in enumerate(subject.shape.inputs) if port.ctype != "bool"]
        fresh = subject.input_of("sensor_fresh")
        since = int(rng.integers(0, FLIP_WITHIN))
        chosen = rng.choice(np.array(numbers), LANES) if numbers else np.zeros(LANES, dtype=np.int64)
        for lane in range(LANES):
            at = int(chosen[lane])
            port = subject.shape.inputs[at]
            column = spoilt[since:, at, lane]
            match kind:
                case "stuck":
                    column[:] = column[0]
                case "jumping":
                    until = int(rng.integers(1, len(column) + 1))
                    column[:until] = rng.integers(port.low, port.high, until, endpoint=True)
                case "stale":
                    spoilt[since:, numbers, lane] = spoilt[since, numbers, lane]
                    if fresh is not None:
                        spoilt[since:, fresh, lane] = 0
                case "wrapped":
                    span = port.high - port.low + 1
                    column[:] = (column - port.low + span // 2) % span + port.low
                case _:
                    missed = int(rng.integers(1, 1 + longest))
                    spoilt[since:, :, lane] = spoilt[np.minimum(np.arange(since, ticks) + missed, ticks - 1), :, lane]
        self.spells[kind] = self.spells.get(kind, 0) + LANES
        hit, healthy = np.array(begin, order="C"), np.array(begin, order="C")
        trace = host.run(hit, spoilt, trace_memory=True)
        host.run(healthy, inputs)
        self.judge_outputs(spoilt, begin, trace.outputs, None, f"with a {kind} reading" if kind != "missed ticks" else "over missed ticks")
        beyond = outside(subject, trace, state=True)[:, len(subject.shape.outputs) :]
        self.never += int(np.count_nonzero(beyond[-1].any(axis=0)))
        if kind == "stuck" and self.watches:
            self._time_trips(spoilt, begin, trace.outputs, since, chosen)
        self._cycle(hit, healthy, inputs[-1], turn)

    def _time_trips(self, inputs: Counts, begin: Counts, outputs: Counts, since: int, chosen: Counts) -> None:
        """How long after a reading stopped changing an armed controller trips."""
        armed, tripped = (outputs[:, self.subject.roles(role)[0]] != 0 for role in ("armed", "tripped"))
        asked = inputs[:, self.subject.input_of("arm") or 0] != 0
        names = [port.name for port in self.subject.shape.inputs]
        for watch_ in self.watches:
            at = names.index(watch_.reading)
            mine = (chosen == at) & armed[since] & asked[since:].all(axis=0)
            tries = np.flatnonzero(mine)
            if not len(tries):
                continue
            fell = tripped[since:, tries]
            took = np.where(fell.any(axis=0), np.argmax(fell, axis=0), len(fell))
            slowest, count = self.slowest.get(watch_.reading, (0, 0))
            self.slowest[watch_.reading] = (max(slowest, int(took.max())), count + len(tries))

    def trip_times(self) -> tuple[TripTime, ...]:
        stated = {watch_.reading: watch_.ticks for watch_ in self.watches}
        return tuple(TripTime(name, stated[name], slowest, count) for name, (slowest, count) in self.slowest.items())


def find_undefined(subject: Subject, rng: Generator) -> tuple[UpsetPlace, ...]:
    """Statements that C leaves undefined after a flip, member by member and bit by bit, in a build with checks."""
    if not subject.shape.memory:
        return ()
    host = subject.host("-O1", sanitize=True)
    ticks = subject.shape.slow_every + 2
    found: dict[tuple[str, str, int], list[int]] = {}
    for at, port in enumerate(subject.shape.memory):
        for bit in range(port.bits):
            memory = subject.legal_memory(rng, PROBES_PER_BIT)
            # Small values flip to the ends of the type, which is where sums overflow.
            memory[at, ::2] = np.clip(rng.integers(-1, 1, PROBES_PER_BIT, endpoint=True), port.low, port.high)[::2]
            inputs = subject.draw("edges" if bit % 2 else "held", rng, ticks, PROBES_PER_BIT)
            flips = np.array([[0] * PROBES_PER_BIT, [at] * PROBES_PER_BIT, [bit] * PROBES_PER_BIT], dtype=np.int64)
            host.library.clear_sanitizer_reports()
            host.upset(memory, inputs, flips, trace_memory=False)
            for report in host.library.sanitizer_reports():
                if report.file == subject.source_name:
                    found.setdefault((port.name, report.kind, report.line), []).append(bit)
    host.library.clear_sanitizer_reports()
    return tuple(UpsetPlace(name, (min(bits), max(bits)), kind, line) for (name, kind, line), bits in found.items())


def check_faults(
    subject: Subject,
    *,
    flips: int = 20_000,
    sensor_faults: int = 5_000,
    seed: int = 1,
    seconds: float | None = None,
    progress: Progress | None = None,
) -> FaultCheck:
    """Try faults at run time.

    Args:
        subject: The controller.
        flips: Bit flips to try at least; none if it has no memory.
        sensor_faults: Spells of faulty readings to try at least.
        seed: Seed of all draws.
        seconds: Time after which no further batch is begun; None for no limit.
        progress: Called with the share done.

    Raises:
        CompileError: The text does not compile.
    """
    begun = time.perf_counter()
    campaign = _Campaign(subject, np.random.default_rng([seed, 5]))
    undefined = find_undefined(subject, np.random.default_rng([seed, 6]))
    wanted = {"flips": flips if subject.shape.memory else 0, "sensor faults": sensor_faults}
    done = {"flips": 0, "sensor faults": 0}
    while any(done[kind] < wanted[kind] for kind in wanted):
        if seconds is not None and time.perf_counter() - begun >= seconds:
            break
        # Both kinds advance at their own share, so that a short time sees both.
        share = {kind: done[kind] / wanted[kind] if wanted[kind] else 1.0 for kind in wanted}
        if share["flips"] <= share["sensor faults"]:
            campaign.flip_batch(done["flips"] // LANES)
            done["flips"] += LANES
        else:
            campaign.sensor_batch(done["sensor faults"] // LANES)
            done["sensor faults"] += LANES
        if progress is not None:
            progress(min(1.0, min(share.values())))
    short = [f"{wanted[kind] - done[kind]} {kind}" for kind in wanted if done[kind] < wanted[kind]]
    return FaultCheck(
        campaign.flips,
        campaign.spells,
        campaign.ticks,
        campaign.outside,
        campaign.first,
        campaign.longest,
        campaign.never,
        campaign.cycles,
        campaign.stuck,
        campaign.trip_times(),
        undefined,
        seed,
        time.perf_counter() - begun,
        " and ".join(short),
    )
