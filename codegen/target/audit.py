"""What a controller costs on its target, against the loop's period and the budgets of the build file.

Takes a linked image with clock and budgets, gives an ``AuditReport``: proven and measured cycles, share of the period, jitter, stack,
flash and RAM, which budgets are broken, and the margins that the computing time leaves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from codegen.errors import CheckFailed
from codegen.target.bound import TickBound, bound_tick
from codegen.target.image import TargetImage
from codegen.target.seek import seek_worst
from codegen.targets import Target

Rows = list[tuple[str, ...]]
MarginsAt = Callable[[float], Mapping[str, float]]
"""(latency in s from sensor reading to command) -> margins by name, such as {"phase": 0.6, "delay": 0.003}."""


@dataclass(frozen=True)
class Budgets:
    """What the controller may take; None where nothing is asked.

    Attributes:
        max_share: Of the loop period, 0 to 1.
        max_stack_bytes: Of stack.
        max_flash_bytes: Of program memory, library helpers included.
    """

    max_share: float | None = None
    max_stack_bytes: int | None = None
    max_flash_bytes: int | None = None


@dataclass(frozen=True)
class Broken:
    """A budget that is exceeded.

    Attributes:
        what: Key in the build file's target table.
        allowed: Its value.
        found: What the audit found.
    """

    what: str
    allowed: float
    found: float

    def message(self) -> str:
        """One sentence for people."""
        if self.what == "max_share":
            return f"the worst tick takes {self.found:.1%} of the loop period, max_share allows {self.allowed:.1%}"
        kind = self.what.removeprefix("max_").removesuffix("_bytes")
        return f"{self.found:.0f} bytes of {kind}, {self.what} allows {self.allowed:.0f}"


@dataclass(frozen=True)
class AuditReport:
    """Costs of one controller on one target.

    Attributes:
        target: What it was built for.
        compiler: Version line of the compiler.
        optimise: Optimisation flag.
        clock_hz: Clock of the core, None where none is known: then nothing is said in seconds.
        period_s: Period of the loop.
        bound: Proven cycles and stack.
        measured_ordinary, measured_slow: Most cycles of any executed tick, without and with the outer loop; None if none was executed.
        flash_bytes: Code and constants of the controller and of the library helpers that it calls.
        ram_bytes: One state struct, and constants that the core must keep in data memory.
        broken: Budgets that are exceeded.
        latency_s: From sensor reading to command with the proven computing time; None if the sensor's part was not given.
        margins: By name: as designed, and with that latency.
    """

    target: Target = field(repr=False)
    compiler: str
    optimise: str
    clock_hz: float | None
    period_s: float
    bound: TickBound
    measured_ordinary: int | None
    measured_slow: int | None
    flash_bytes: int
    ram_bytes: int
    broken: tuple[Broken, ...]
    latency_s: float | None = None
    margins: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def share(self) -> float | None:
        """Share of the loop period that the worst tick takes, by its proven bound; None without a clock."""
        return self.share_of(self.bound.worst.cycles)

    def share_of(self, cycles: int) -> float | None:
        """Share of the loop period that so many cycles take; None without a clock."""
        return None if self.clock_hz is None else cycles / (self.clock_hz * self.period_s)

    def seconds_of(self, cycles: int) -> float | None:
        """Time that so many cycles take; None without a clock."""
        return None if self.clock_hz is None else cycles / self.clock_hz

    @property
    def jitter_cycles(self) -> int:
        """Cycles by which the end of one tick's computation can differ from another's, at most."""
        return self.bound.worst.cycles - self.bound.fewest_cycles

    @property
    def holds(self) -> bool:
        """Whether no budget is broken."""
        return not self.broken


def audit(
    image: TargetImage,
    clock_hz: float | None,
    budgets: Budgets = Budgets(),
    *,
    variant: str = "",
    tries: int = 2000,
    seed: int = 1,
    sensor_latency_s: float | None = None,
    designed_latency_s: float | None = None,
    margins_at: MarginsAt | None = None,
) -> AuditReport:
    """Audit a controller on its target.

    Args:
        image: Built with debugging information.
        clock_hz: Clock of the core; None if it is not known, which leaves ``max_share`` and the latency unjudged.
        budgets: What it may take.
        variant: Variant of the core, see `codegen.target.cycles.variants_of`.
        tries: Ticks executed in search of an expensive one, for each kind of tick; 0 executes none and needs no emulator.
        seed: Of that search.
        sensor_latency_s: Latency of the loop without the computation; with it the audited latency is known.
        designed_latency_s: Latency that the design took for granted; the margins are compared with those there.
        margins_at: Recomputes the design's margins for a latency.

    Raises:
        BoundError: No bound can be proved.
        CompileError: The emulator is missing.
        CheckFailed: The emulated core faults, or a tick took more than its bound.
    """
    bound = bound_tick(image, variant)
    ordinary = slow = None
    if tries:
        if image.shape.slow_every > 1:
            ordinary = seek_worst(image, slow=False, tries=tries, seed=seed, variant=variant).cycles
        slow = seek_worst(image, slow=True, tries=tries, seed=seed, variant=variant).cycles
        ordinary = slow if ordinary is None else ordinary
        _compare(bound, ordinary, slow)
    share = None if clock_hz is None else bound.worst.cycles / (clock_hz * image.shape.period_s)
    found = (("max_share", share), ("max_stack_bytes", bound.stack_bytes), ("max_flash_bytes", image.flash_bytes))
    broken = []
    for what, value in found:
        allowed = getattr(budgets, what)
        if allowed is not None and value is not None and value > allowed:
            broken.append(Broken(what, float(allowed), float(value)))
    latency = None if sensor_latency_s is None or clock_hz is None else sensor_latency_s + bound.worst.cycles / clock_hz
    margins: dict[str, tuple[float, float]] = {}
    if margins_at and latency is not None and designed_latency_s is not None:
        now = margins_at(latency)
        margins = {name: (value, now[name]) for name, value in margins_at(designed_latency_s).items()}
    return AuditReport(
        target=image.target,
        compiler=image.compiler,
        optimise=image.optimise,
        clock_hz=clock_hz,
        period_s=image.shape.period_s,
        bound=bound,
        measured_ordinary=ordinary,
        measured_slow=slow,
        flash_bytes=image.flash_bytes,
        ram_bytes=image.ram_bytes,
        broken=tuple(broken),
        latency_s=latency,
        margins=margins,
    )


def _compare(bound: TickBound, ordinary: int, slow: int) -> None:
    """Refuse a bound that an executed tick beats: then the analysis or the cycle table is wrong."""
    for kind, measured, proven in (("ordinary", ordinary, bound.ordinary.cycles), ("outer-loop", slow, bound.slow.cycles)):
        if measured > proven:
            raise CheckFailed(
                f"an {kind} tick took {measured} cycles, more than its bound of {proven}",
                bound.target,
                "report it to the developers: the cycle table or the analysis is wrong",
            )


HEADINGS = (
    "target",
    "bound",
    "bound, outer",
    "measured",
    "measured, outer",
    "share",
    "jitter us",
    "stack B",
    "flash B",
    "RAM B",
    "broken",
)


def audit_rows(reports: list[AuditReport]) -> Rows:
    """One row per report under `HEADINGS`: cycles of the ordinary tick and of the one that runs the outer loop, share of the period."""
    rows: Rows = []
    for report in reports:
        bound = report.bound
        name = f"{bound.target}, {bound.variant}" if bound.variant else bound.target
        measured = ["-" if value is None else str(value) for value in (report.measured_ordinary, report.measured_slow)]
        share, jitter = report.share, report.seconds_of(report.jitter_cycles)
        rows.append(
            (
                name,
                str(bound.ordinary.cycles),
                str(bound.slow.cycles),
                *measured,
                "-" if share is None else f"{share:.2%}",
                "-" if jitter is None else f"{1e6 * jitter:.1f}",
                str(bound.stack_bytes),
                str(report.flash_bytes),
                str(report.ram_bytes),
                ", ".join(broken.what for broken in report.broken) or "none",
            )
        )
    return rows
