"""What a campaign of planted defects found: the kill table, the survivors, the rates.

Takes judged mutants, gives a frozen ``DefectReport`` and its form in the evidence file.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from codegen.defects.catalogue import WORST_KINDS
from codegen.defects.judge import Judged


@dataclass(frozen=True)
class KindRow:
    """One kind in one controller.

    Attributes:
        number: Number in the catalogue.
        title: What is wrong, in words.
        sites: Places at which the controller can have it.
        generated: Mutants judged.
        killed_by: Mutants killed, method by method.
        killed: Mutants killed by any method.
        equivalent: Mutants shown to be the same controller.
        absent: Why there is no mutant, "" if there is one.
    """

    number: int
    title: str
    sites: int
    generated: int
    killed_by: Mapping[str, int]
    killed: int
    equivalent: int
    absent: str = ""

    @property
    def survived(self) -> int:
        """Mutants neither killed nor shown to be the same controller."""
        return self.generated - self.killed - self.equivalent


@dataclass(frozen=True)
class Survivor:
    """A miss: its place, its text, and what it would take to kill it."""

    kind: int
    title: str
    line: int
    where: str
    change: str
    wanted: str


@dataclass(frozen=True)
class DefectReport:
    """How strong the gate is for one controller.

    Attributes:
        controller: Its name.
        methods: Names of the methods, in the order in which they judged.
        kinds: All kinds of the catalogue.
        survivors: The misses.
        seconds: Time it took.
        seed: Seed of the sample and of all draws.
    """

    controller: str
    methods: tuple[str, ...]
    kinds: tuple[KindRow, ...]
    survivors: tuple[Survivor, ...]
    seconds: float
    seed: int

    @property
    def tried(self) -> int:
        """Mutants judged."""
        return sum(row.generated for row in self.kinds)

    @property
    def killed(self) -> int:
        """Mutants killed by any method."""
        return sum(row.killed for row in self.kinds)

    @property
    def equivalent(self) -> int:
        """Mutants shown to be the same controller."""
        return sum(row.equivalent for row in self.kinds)

    def killed_by(self, method: str) -> int:
        """Mutants that one method kills."""
        return sum(row.killed_by.get(method, 0) for row in self.kinds)

    def rate(self, numbers: Collection[int] | None = None) -> float:
        """Share of the mutants, those shown to be equivalent left out, that any method kills; of some kinds, or of all."""
        rows = [row for row in self.kinds if numbers is None or row.number in numbers]
        different = sum(row.generated - row.equivalent for row in rows)
        return sum(row.killed for row in rows) / different if different else 1.0

    def evidence(self) -> dict[str, Any]:
        """Its form in the evidence file."""
        return {
            "tried": self.tried,
            "killed": self.killed,
            "equivalent": self.equivalent,
            "survived": len(self.survivors),
            "rate": self.rate(),
            "rate_of_kinds_1_to_31": self.rate(WORST_KINDS),
            "seed": self.seed,
            "killed_by": {method: self.killed_by(method) for method in self.methods},
            "kinds": [
                {
                    "number": row.number,
                    "title": row.title,
                    "sites": row.sites,
                    "tried": row.generated,
                    "killed": row.killed,
                    "equivalent": row.equivalent,
                    "survived": row.survived,
                    "killed_by": dict(row.killed_by),
                }
                for row in self.kinds
                if row.generated
            ],
            "absent": [{"number": row.number, "title": row.title, "reason": row.absent} for row in self.kinds if not row.generated],
            "survivors": [vars(survivor) for survivor in self.survivors],
        }


def survivor_of(judged: Judged) -> Survivor:
    """A miss in words."""
    mutant = judged.mutant
    wanted = "the equality proof, or readings and memory that no draw reached"
    return Survivor(mutant.kind, mutant.title, mutant.line, mutant.where, mutant.change, wanted)
