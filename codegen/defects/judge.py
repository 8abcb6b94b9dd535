"""Judging: every mutant by every method, each by itself.

Takes mutants and methods, gives verdicts.  A method is anything that turns mutants into verdicts; those here compile, run against the
integer model, watch for undefined behaviour, hold results against float64 and its bound, and watch output limits.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from codegen.defects.batch import batch_text
from codegen.defects.exercises import Exercise
from codegen.defects.planting import Mutant
from codegen.defects.reading import Program
from codegen.defects.small_int import cut_to_16_bits
from codegen.errors import CompileError
from codegen.host.shape import Shape
from codegen.native.compile import find_compiler
from codegen.native.tool import WARNING_FLAGS

WARNINGS = ("-std=c99", *WARNING_FLAGS)
BATCH = 24
WORKERS = 2
BATCH_SECONDS = 240.0
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Verdict:
    """What one method says of one mutant.

    Attributes:
        killed: Whether the method tells it from a sound controller.
        why: The first thing it found, "" if nothing.
    """

    killed: bool
    why: str = ""


ALIVE = Verdict(False)
Verdicts = dict[str, Verdict]


class Method(Protocol):
    """A way of judging.

    Attributes:
        names: Names of the verdicts that it gives.
    """

    names: tuple[str, ...]

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        """Verdicts of each mutant, every name of the method present."""


class CompileMethod:
    """Does it compile, and without a warning?

    Args:
        name: File stem of the controller.
    """

    names: tuple[str, ...] = ("compiler",)

    def __init__(self, name: str) -> None:
        self.name = name

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        """One compiler call for all, each in a folder of its own.

        Raises:
            CompileError: There is no compiler.
        """
        compiler = find_compiler()
        with tempfile.TemporaryDirectory(prefix="loopwright_defects_") as folder:
            files = []
            for number, mutant in enumerate(mutants):
                place = Path(folder) / str(number)
                place.mkdir()
                (place / f"{self.name}.h").write_text(mutant.header, encoding="utf-8")
                (place / f"{self.name}.c").write_text(mutant.source, encoding="utf-8")
                files.append(f"{number}/{self.name}.c")
            said: dict[int, str] = {}
            for first in range(0, len(files), BATCH):
                command = [*compiler.command, *WARNINGS, "-fsyntax-only", *files[first : first + BATCH]]
                done = subprocess.run(
                    command, cwd=folder, capture_output=True, text=True, errors="replace", timeout=BATCH_SECONDS, check=False
                )
                for line in done.stderr.splitlines():
                    if found := re.match(r"(?:\./)?(\d+)/[^:]*:(\d+)(?::\d+)?: (?:fatal )?(warning|error): (.*)", line):
                        said.setdefault(int(found.group(1)), f"line {found.group(2)}: {found.group(3)}: {found.group(4)}")
                if done.returncode and not any(place in said for place in range(first, first + BATCH)):
                    raise CompileError(f"the compiler stopped without naming a place: {done.stderr[:200]}", compiler.version)
        return [{"compiler": Verdict(place in said, said.get(place, ""))} for place in range(len(mutants))]


class RunMethod:
    """Compiled and run: against the integer model, under undefined-behaviour checks, against float64, within output limits.

    Args:
        shape: Outer shape of the controller.
        exercises: Inputs and right answers.
        workers: Batches at a time.
    """

    names: tuple[str, ...] = ("bits", "undefined behaviour", "error bound", "output limits")

    def __init__(self, shape: Shape, exercises: Sequence[Exercise], *, workers: int = WORKERS) -> None:
        self.shape, self.exercises, self.workers = shape, tuple(exercises), workers

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        """Batches of mutants, each batch in a process of its own."""
        with tempfile.TemporaryDirectory(prefix="loopwright_defects_") as name:
            folder = Path(name)
            for place, exercise in enumerate(self.exercises):
                for array in ("memory", "inputs", "gains", "low", *(() if exercise.exact else ("high",))):
                    numbers = getattr(exercise, array)
                    if numbers is not None:
                        np.save(folder / f"{place}_{array}.npy", np.ascontiguousarray(numbers))
            batches = [list(mutants[first : first + BATCH]) for first in range(0, len(mutants), BATCH)]
            with ThreadPoolExecutor(self.workers) as pool:
                results = list(pool.map(lambda numbered: self._batch(folder, *numbered), enumerate(batches)))
        return [verdicts for batch in results for verdicts in batch]

    def _batch(self, folder: Path, number: int, mutants: list[Mutant]) -> list[Verdicts]:
        done: list[Verdicts] = []
        while len(done) < len(mutants):
            done += self._run(folder / f"batch_{number}_{len(done)}", folder, mutants[len(done) :])
        return done

    def _run(self, place: Path, exercises: Path, mutants: Sequence[Mutant]) -> list[Verdicts]:
        """Verdicts of the mutants up to and including the first that takes its process down.

        Raises:
            CompileError: The batch does not compile.
        """
        place.mkdir()
        (place / "batch.c").write_text(batch_text(mutants, self.shape), encoding="utf-8")
        job = {
            "exercises": str(exercises),
            "about": [{"exact": exercise.exact} for exercise in self.exercises],
            "count": len(mutants),
            "outputs": len(self.shape.outputs),
            "limits": [end for port in self.shape.outputs for end in (port.low, port.high)],
        }
        (place / "job.json").write_text(json.dumps(job), encoding="utf-8")
        command = [sys.executable, "-m", "codegen.defects.worker", str(place)]
        try:
            worker = subprocess.run(command, capture_output=True, text=True, timeout=BATCH_SECONDS, check=False)
            said, end, error = worker.stdout, f"exit status {worker.returncode}", worker.stderr
        except subprocess.TimeoutExpired as late:
            said, end, error = _decoded(late.stdout), f"no end within {BATCH_SECONDS:g} s", ""
        lines = [json.loads(line) for line in said.splitlines() if line.endswith("}")]
        answers = [line for line in lines if "which" in line]
        begun = [line for line in lines if "begun" in line]
        verdicts = [self._verdicts(answer) for answer in answers]
        if len(begun) > len(answers):
            crash = Verdict(True, f"takes the process down ({end})")
            verdicts.append({name: crash if name in ("bits", "undefined behaviour") else ALIVE for name in self.names})
        if not verdicts:
            raise CompileError(f"no mutant of a batch could be run: {error.strip()[-400:] or end}")
        return verdicts

    def _verdicts(self, answer: Mapping[str, Any]) -> Verdicts:
        values = [port.name for port in (*self.shape.outputs, *self.shape.memory)]
        verdicts = dict.fromkeys(self.names, ALIVE)
        for key, method in (("exact", "bits"), ("bound", "error bound")):
            if key in answer:
                place, count, tick, value, _, right, got = answer[key]
                said = f"{values[value]} is {got}, {right} is right" if key == "exact" else f"{values[value]} is {got}, least right {right}"
                verdicts[method] = Verdict(True, f"{said}, tick {tick} of '{self.exercises[place].name}' ({count} values)")
        if "limits" in answer:
            place, _, tick, output, _, got = answer["limits"]
            verdicts["output limits"] = Verdict(True, f"{values[output]} is {got}, tick {tick} of '{self.exercises[place].name}'")
        for kind, line, count in answer["undefined"]:
            verdicts["undefined behaviour"] = Verdict(True, f"line {line}: {kind}, {count} times")
        return verdicts


def _decoded(text: str | bytes | None) -> str:
    return text.decode("utf-8", "replace") if isinstance(text, bytes) else text or ""


class SmallIntMethod:
    """The same bits where ``int`` has 16 bits: only mutants in which such a machine would compute in 16 bits anew are run.

    Args:
        run: How to run.
        original: The unchanged controller.
    """

    names: tuple[str, ...] = ("16-bit int",)

    def __init__(self, run: RunMethod, original: Mutant) -> None:
        self.run = run
        self.usual = Counter(cut_to_16_bits(Program(original.source, original.header))[1])

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        """Cut, and run where the cut can matter."""
        chosen: list[tuple[int, Mutant]] = []
        for place, mutant in enumerate(mutants):
            text, cut = cut_to_16_bits(Program(mutant.source, mutant.header))
            if Counter(cut) - self.usual or mutant.kind == 0:
                chosen.append((place, replace(mutant, source=text)))
        verdicts: list[Verdicts] = [{"16-bit int": ALIVE} for _ in mutants]
        if chosen:
            for (place, _), found in zip(chosen, self.run.judge([mutant for _, mutant in chosen]), strict=True):
                verdicts[place] = {"16-bit int": found["bits"]}
        return verdicts


@dataclass(frozen=True)
class Judged:
    """A mutant with its verdicts, method by method."""

    mutant: Mutant
    verdicts: Mapping[str, Verdict]

    @property
    def killed(self) -> bool:
        """Whether any method tells it from a sound controller."""
        return any(verdict.killed for verdict in self.verdicts.values())


def judge_mutants(
    mutants: Sequence[Mutant], methods: Sequence[Method], late: Sequence[Method] = (), progress: Progress | None = None
) -> list[Judged]:
    """Every mutant by every method, and those still alive by the late ones; what does not compile at all is not run.

    A method named ``compiler`` comes first if it is there: mutants that it refuses for an error count as killed by it alone.
    """
    verdicts: list[Verdicts] = [{} for _ in mutants]
    for done, method in enumerate((*methods, *late)):
        places = [place for place, known in enumerate(verdicts) if not _refused(known)]
        if done >= len(methods):
            places = [place for place in places if not any(verdict.killed for verdict in verdicts[place].values())]
        for place, found in zip(places, method.judge([mutants[place] for place in places]), strict=True):
            verdicts[place] |= found
        if progress is not None:
            progress((done + 1) / (len(methods) + len(late)))
    return [Judged(mutant, found) for mutant, found in zip(mutants, verdicts, strict=True)]


def _refused(verdicts: Verdicts) -> bool:
    found = verdicts.get("compiler", ALIVE)
    return found.killed and ": error: " in found.why
