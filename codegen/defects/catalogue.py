"""The catalogue of classic fixed-point defects, 62 kinds, and the planting of them in a controller's C text.

Takes header and source and, where it is known, the fixed graph; gives mutants, one defect each, and for every kind without one the
reason.  Kinds that no C text of a controller can have are listed with the place that looks after them.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from codegen.defects import limits, rounding, timing, words
from codegen.defects.planting import Kind, Mutant, Subject
from codegen.defects.reading import Program
from codegen.rules.fixed import FixedGraph

DECODING = "readings come in as typed counts; the driver that decodes bytes is not part of the controller"
ELSEWHERE = (
    Kind(31, "residue kept while clipped", None, "no residue is carried: integrators hold every bit of their update"),
    Kind(46, "time as a rounded fraction", None, "time is counted in ticks; the rounding of gains is part of the error bounds"),
    Kind(47, "sign of packed readings not extended", None, DECODING),
    Kind(48, "bytes exchanged", None, DECODING),
    Kind(49, "byte shifted into the sign", None, DECODING),
    Kind(60, "memory read half-written by an interrupt", None, "only step and init touch the memory; the header says who calls them"),
)
KINDS: Mapping[int, Kind] = {
    kind.number: kind
    for kind in sorted((*rounding.KINDS, *words.KINDS, *limits.KINDS, *timing.KINDS, *ELSEWHERE), key=lambda kind: kind.number)
}
PER_KIND = 8
WORST_KINDS = range(1, 32)


@dataclass(frozen=True)
class Planting:
    """Mutants of one controller.

    Attributes:
        original: The unchanged text, as a mutant of kind 0.
        mutants: One defect each, in the order of the catalogue.
        sites: Places found per kind, also those beyond the sample.
        absent: For every kind without a mutant, why.
    """

    original: Mutant
    mutants: tuple[Mutant, ...]
    sites: dict[int, int]
    absent: dict[int, str]


def plant_defects(
    source: str, header: str, fixed: FixedGraph | None = None, *, per_kind: int = PER_KIND, seed: int = 1
) -> Planting:
    """Plant every kind at up to ``per_kind`` places, drawn with ``seed`` where there are more.

    Args:
        source: Text of NAME.c.
        header: Text of NAME.h.
        fixed: The integers; without it a kind that needs formats is absent.
        per_kind: Places per kind, at least 1.
        seed: Seed of the draw.

    Raises:
        CheckFailed: The text is not of the emitted form.
    """
    subject = Subject(Program(source, header), fixed)
    mutants: list[Mutant] = []
    sites: dict[int, int] = {}
    absent: dict[int, str] = {}
    for number, kind in KINDS.items():
        made: dict[tuple[str, str], Mutant] = {}
        for site in kind.plant(subject) if kind.plant is not None else ():
            applied = subject.apply(site)
            if applied is not None:
                text, head, change = applied
                mutant = Mutant(number, 0, kind.title, site.line, site.where, change, text, head)
                made.setdefault((text, head), mutant)
        found = list(made.values())
        if not found:
            absent[number] = kind.absent
            continue
        sites[number] = len(found)
        kept = sorted(random.Random(f"{seed} {number}").sample(range(len(found)), min(per_kind, len(found))))
        mutants += [_numbered(found[place], at) for at, place in enumerate(kept, start=1)]
    return Planting(Mutant(0, 0, "unchanged", 0, "", "", source, header), tuple(mutants), sites, absent)


def _numbered(mutant: Mutant, number: int) -> Mutant:
    return Mutant(mutant.kind, number, mutant.title, mutant.line, mutant.where, mutant.change, mutant.source, mutant.header)
