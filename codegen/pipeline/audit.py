"""What a shipped controller costs on microcontrollers: its own, or any other that is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from codegen.errors import BoundError, LoopwrightError
from codegen.pipeline.on_target import TRIES, choose_clock, measure_costs, worst_lines
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_machine, realise
from codegen.pipeline.ship import BUILD_COPY
from codegen.shipment import Clock
from codegen.shipped import ShippedFolder, read_shipped
from codegen.target.audit import AuditReport
from codegen.target.build import CompilerKind, Optimise, build_emission
from codegen.target.cycles import variants_of
from codegen.target.firmware import OPTIMISE
from codegen.target.lines import PathLine
from codegen.targets import known_targets, read_target


@dataclass(frozen=True)
class AuditedTarget:
    """A controller on one target.

    Attributes:
        report: What it costs.
        clock: Clock of the core, and how it is known.
        path: The longest path in the order of execution, as lines of the C text.
        shipped: Whether this text lies in the folder; otherwise it was emitted for the audit.
        other_variants: Variants of the core that the cycle table also knows.
    """

    report: AuditReport
    clock: Clock
    path: tuple[PathLine, ...]
    shipped: bool
    other_variants: tuple[str, ...]


def audit_shipment(
    folder: Path,
    targets: tuple[str, ...] = (),
    progress: Progress | None = None,
    *,
    clocks: Mapping[str, float] | None = None,
    variant: str = "",
    optimise: Optimise = OPTIMISE,
    compiler: CompilerKind | None = None,
    tries: int = TRIES,
    seed: int = 1,
) -> tuple[AuditedTarget, ...]:
    """Audit the controller that lies in a shipped folder.

    Args:
        folder: What ``ship`` wrote.
        targets: Names of the targets; those that were shipped if there is none.
        progress: Told how far it is.
        clocks: Hz by name of target, where it is not that of the shipment.
        variant: Variant of the core, for those targets that have it.
        optimise: Optimisation flag; the firmware's unless another is named.
        compiler: Which compiler; None takes the first that is installed.
        tries: Ticks executed in search of an expensive one, for each kind of tick; 0 needs no emulator.
        seed: Of that search.

    Raises:
        LoopwrightError: The folder is no shipment, a target is unknown, a compiler or emulator is missing, no bound can be proved, or a
            tick took more than its bound.
    """
    progress = progress or Progress()
    shipped = _shipped_folders(folder)
    first = next(iter(shipped.values()))
    chosen = tuple(dict.fromkeys(targets)) or tuple(shipped)
    described = [read_target(name) for name in chosen]
    if variant and not any(variant in variants_of(target) for target in described):
        known = ", ".join(f'"{name}" of {target}' for target in known_targets() for name in variants_of(read_target(target)))
        raise BoundError(f'no target here has a variant "{variant}"', ", ".join(chosen), f"known are: {known}")
    with progress.during("designing", 0.0):
        designed = design_machine(folder / BUILD_COPY) if (folder / BUILD_COPY).is_file() else None
    build = designed.build if designed is not None else None
    audited = []
    for place, target in enumerate(described):
        with progress.during(f"auditing {target.name}", 0.1 + 0.9 * place / len(described)):
            there = shipped.get(target.name)
            if there is not None:
                fixed, emission, rate = there.fixed(), there.emission, there.evidence.clock_hz
            else:
                part = realise(first.graph, target, first.evidence.error_budget_counts, designed.plant if designed is not None else None)
                fixed, emission, rate = part.fixed, part.emission, None
            # A clock that was named for shipping holds as long as no other is named.
            named = clocks or {}
            clock = choose_clock(target, build, named)
            if target.name not in named and rate is not None and rate != clock.hz:
                clock = Clock(rate, "clock of the shipment")
            image = build_emission(emission, fixed, target, optimise=optimise, compiler=compiler)
            variants = variants_of(target)
            report = measure_costs(
                image, clock, designed, tries=tries, seed=seed, variant=variant if variant in variants else ""
            )
            others = tuple(name for name in variants if name != report.bound.variant)
            audited.append(AuditedTarget(report, clock, worst_lines(image, report, emission), there is not None, others))
    progress.stage("done", 1.0)
    return tuple(audited)


def _shipped_folders(folder: Path) -> dict[str, ShippedFolder]:
    """The shipment in a folder and those for further targets inside it, by name of target, the first one first."""
    first = read_shipped(folder)
    found = {first.evidence.target: first}
    for name in known_targets():
        if (folder / name / "evidence.json").is_file():
            inner = read_shipped(folder / name)
            if inner.evidence.target != name:
                what = f"this folder holds the text for {inner.evidence.target}"
                raise LoopwrightError(what, str(folder / name), "ship the build file again")
            found.setdefault(name, inner)
    return found
