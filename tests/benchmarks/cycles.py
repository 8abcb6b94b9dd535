"""Print the worst tick of the emitted fixed point beside that of the same controller written otherwise.

Run from the repository's folder: ``python -m tests.benchmarks.cycles [--target MCU]... [--lantern NAME] [--json] [--no-library]``.
A measurement, not a test.

Every version computes the same graph, which is checked first against the float64 reference, on recorded flights and in flight on
the simulated machine; then it is compiled by gcc for each target at -O2 and -Os and executed there under emulation over one fixed set of
inputs.  Cycles are measured, for all versions alike: counted by the simulator on AVR, elsewhere the executed instructions priced by the
target's cycle table (most cycles of each row, no wait states).  They are no bounds: soft float loops as its data want.

Versions: the emitted fixed point; single-precision float, written as a good programmer would (``dialects.Floating``); naive 64-bit
fixed point (``dialects.Wide``); a composition from a general-purpose DSP library (``library``, which says what was looked for); and
the limit that the operations of the data flow set (``limit``, a count).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass

import numpy as np

from codegen.errors import LoopwrightError
from codegen.target.build import Optimise, build_image
from codegen.target.image import Counts, TargetImage
from codegen.target.run import run_on_target
from codegen.target.seek import measure_ticks
from codegen.targets import Target, read_target
from tests.benchmarks.library import PACKAGE, SHIMS, Missing, fetch_library
from tests.benchmarks.limit import WHY, Limit, count_limit
from tests.benchmarks.versions import (
    FIXED,
    FLOAT,
    LIBRARY,
    Version,
    emitted,
    fixed_inputs,
    flown_differences,
    hand_written,
    largest_differences,
)
from tests.target_tools import TARGETS, lantern

LEVELS: tuple[Optimise, ...] = ("-O2", "-Os")
# Float over fixed at least, fixed over limit at most.
GOALS: Mapping[str, tuple[float, float]] = {
    "atmega328p": (5.0, 1.6),
    "cortex-m0plus": (20.0, 1.3),
    "cortex-m3": (16.0, 1.3),
    "cortex-m4": (18.0, 1.3),
    "cortex-m4f": (1.5, 1.3),
    "rv32imc": (26.0, 1.3),
}
CLOSED_LOOP_LIMIT = 0.02


@dataclass(frozen=True)
class Row:
    """One version on one target at one optimisation level.

    Attributes:
        target, version, optimise: Which.
        worst: Most cycles of a tick.
        mean: Cycles of a tick on average.
        flash_bytes: Code and constants, library helpers included.
        stack_bytes: Most stack seen.
        differing_ticks: Ticks on which the target's outputs are not those of the same C on the host.
    """

    target: str
    version: str
    optimise: str
    worst: int
    mean: float
    flash_bytes: int
    stack_bytes: int
    differing_ticks: int


@dataclass(frozen=True)
class Sameness:
    """How far a version is from float64.

    Attributes:
        version, target: Which; the hand-written versions are the same for all targets.
        counts: Largest difference of an output on recorded flights.
        closed_loop: Largest relative difference of a figure of the flights; see ``codegen.flight.reference.Comparison``.
    """

    version: str
    target: str
    counts: int
    closed_loop: float


def check_sameness(version: Version, lantern_name: str, target: str) -> Sameness:
    """Compare with float64 on the host."""
    with version.on_host() as host:
        counts = int(largest_differences(host, lantern_name, target).max())
        comparison = flown_differences(host, lantern(lantern_name))
    far = max(comparison.differences().values()) if comparison.all_up else float("inf")
    return Sameness(version.name, target, counts, far)


def build_version(version: Version, target: Target, optimise: Optimise) -> TargetImage:
    """The version's image, made by gcc."""
    shims = SHIMS if version.name == LIBRARY else {}
    # The assembly float of avr-libc is the fast one; elsewhere it comes with the compiler.
    libraries = ("-lm",) if target.chip.family == "avr" and version.name == FLOAT else ()
    sources = {**version.sources, **shims}
    return build_image(sources, version.shape, target, optimise=optimise, compiler="gcc", flags=version.flags, libraries=libraries)


def measure(version: Version, target: Target, optimise: Optimise, inputs: Counts) -> Row:
    """Build and execute."""
    image = build_version(version, target, optimise)
    done = run_on_target(image, inputs[:, :, None])
    with version.on_host() as host:
        here = host.run(host.start(1), inputs[:, :, None]).outputs
    cycles = done.cycles[:, 0] if done.cycles is not None else measure_ticks(image, inputs)
    return Row(
        target=target.name,
        version=version.name,
        optimise=optimise,
        worst=int(cycles.max()),
        mean=round(float(np.mean(cycles)), 1),
        flash_bytes=image.flash_bytes,
        stack_bytes=done.stack_bytes,
        differing_ticks=int((here != done.outputs).any(axis=(1, 2)).sum()),
    )


def best(rows: list[Row], version: str) -> int | None:
    """Worst tick of a version at the level that suits it best."""
    return min((row.worst for row in rows if row.version == version), default=None)


def print_headline(rows: list[Row], limit: Limit, say: Callable[[str], None]) -> None:
    """Ratios, goals, and what ratio the limit itself would have."""
    for what, figure, goal, met in verdicts(rows, limit, rows[0].target):
        say(f"  {what} {figure:.2f}, goal {goal}: {'met' if met else 'missed'}")
    floating = best(rows, FLOAT)
    if floating is not None:
        say(f"  float / limit {floating / limit.cycles:.2f}")


def verdicts(rows: list[Row], limit: Limit, target: str) -> list[tuple[str, float, str, bool]]:
    """(what, figure, goal, met)."""
    fixed, floating = best(rows, FIXED), best(rows, FLOAT)
    assert fixed is not None and floating is not None
    at_least, at_most = GOALS[target]
    return [
        ("float / fixed", floating / fixed, f">= {at_least:g}", floating / fixed >= at_least),
        ("fixed / limit", fixed / limit.cycles, f"<= {at_most:g}", fixed / limit.cycles <= at_most),
    ]


def print_target(rows: list[Row], limit: Limit, title: str, library: str, say: Callable[[str], None]) -> None:
    """The table of one target."""
    floating = {row.optimise: row.worst for row in rows if row.version == FLOAT}
    say(f"\n{title}")
    say(f"  {'':22} {'worst tick':>10} {'mean':>8} {'float/this':>10} {'flash':>6} {'stack':>6}")
    for row in rows:
        ratio = floating[row.optimise] / row.worst
        wrong = f"  differs from the host on {row.differing_ticks} ticks" if row.differing_ticks else ""
        name = f"{row.version} {row.optimise}"
        say(f"  {name:24} {row.worst:8d} {row.mean:8.1f} {ratio:10.2f} {row.flash_bytes:6d} {row.stack_bytes:6d}{wrong}")
    if not any(row.version == LIBRARY for row in rows):
        say(f"  {LIBRARY:24} not measured: {library}")
    say(f"  {'limit by operations':24} {limit.cycles:8d}")
    for name, (count, price, instructions) in limit.operations.items():
        say(f"      {count:3d} x {price:2d}  {name}: {instructions}")
    print_headline(rows, limit, say)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.cycles", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--target", action="append", choices=TARGETS, metavar="MCU", help="only this one; may be repeated")
    parser.add_argument("--lantern", default="calm", choices=("calm", "heavy", "lively"), help="which of the examples")
    parser.add_argument("--ticks", type=int, default=0, help="shorten the inputs to about so many ticks, for a quick look")
    parser.add_argument("--no-library", action="store_true", help="do not fetch and measure the composition from a library")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of tables")
    options = parser.parse_args()
    say: Callable[[str], None] = (lambda text: None) if options.json else print_at_once
    files, library = None, "left out"
    if not options.no_library:
        try:
            files, library = fetch_library()
        except Missing as missing:
            library = f"{missing}; looked for {PACKAGE} in the package index, and in Debian, where nothing suitable is packaged"
    graph = lantern(options.lantern).graph()
    others = hand_written(graph, files)
    names = tuple(options.target or TARGETS)
    say(f"{options.lantern} lantern; library: {library}")
    say("\ndifference from float64: outputs in counts on recorded flights, figures in flight")
    checked = [check_sameness(version, options.lantern, names[0]) for version in others]
    checked += [check_sameness(emitted(options.lantern, name), options.lantern, name) for name in names]
    for same in checked:
        where = f" ({same.target})" if same.version == FIXED else ""
        say(f"  {same.version + where:40} {same.counts:4d} {same.closed_loop:8.2%}")
    far = [same.version for same in checked if same.closed_loop > CLOSED_LOOP_LIMIT]
    if far:
        sys.exit(f"not the same controller: {', '.join(far)} is more than {CLOSED_LOOP_LIMIT:.0%} from float64 in flight")
    every: list[Row] = []
    results = []
    for name in names:
        target = read_target(name)
        inputs = fixed_inputs(options.lantern, name, options.ticks)
        versions = [emitted(options.lantern, name), *others]
        rows = [measure(version, target, level, inputs) for version in versions for level in LEVELS]
        limit = count_limit(graph, target)
        every += rows
        results.append({"target": name, "limit": asdict(limit), "verdicts": verdicts(rows, limit, name)})
        print_target(rows, limit, f"{name}: {target.title}; {len(inputs)} ticks", library, say)
    say("\noperations of the limit")
    for name, why in WHY.items():
        say(f"  {name}: {why}")
    if options.json:
        found = {"lantern": options.lantern, "library": library, "same": [asdict(same) for same in checked]}
        print(json.dumps({**found, "rows": [asdict(row) for row in every], "targets": results}, indent=2))


def print_at_once(text: str) -> None:
    """Print at once, so that a long measurement shows how far it is."""
    print(text, flush=True)


if __name__ == "__main__":
    try:
        main()
    except LoopwrightError as error:
        sys.exit(str(error))
