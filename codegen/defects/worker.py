"""One batch of mutants, compiled and driven in a process of its own, so that a mutant that crashes or hangs takes no judge with it.

Run as a module with the folder of the job; writes one line of JSON per mutant begun and one per mutant done.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.native.compile import Library, compile_library

Counts = NDArray[np.int64]
DECLARATIONS = """
int64_t drive(int64_t which, const int64_t *shape, const int64_t *memory, const int64_t *inputs, const int64_t *gains,
    const int64_t *low, const int64_t *high, const int64_t *limits, int64_t *found);
"""
FOUND = 12


class _Exercise:
    """The arrays of one exercise, mapped from their files."""

    def __init__(self, folder: Path, place: int, about: dict[str, Any]) -> None:
        self.place, self.exact = place, bool(about["exact"])
        self.arrays: dict[str, Counts | None] = {}
        for name in ("memory", "inputs", "gains", "low", "high"):
            path = folder / f"{place}_{name}.npy"
            self.arrays[name] = np.load(path, mmap_mode="r") if path.is_file() else None
        if self.exact:
            self.arrays["high"] = self.arrays["low"]


def _pointer(library: Library, array: Counts | None) -> Any:
    return library.ffi.NULL if array is None else library.ffi.cast("int64_t *", array.ctypes.data)


def _drive(library: Library, which: int, exercises: list[_Exercise], job: dict[str, Any]) -> dict[str, Any]:
    """First wrong value per kind of exercise, first value outside limits, and what the undefined-behaviour checks report."""
    library.clear_sanitizer_reports()
    limits = np.array(job["limits"], dtype=np.int64)
    answer: dict[str, Any] = {"which": which}
    for exercise in exercises:
        inputs, low = exercise.arrays["inputs"], exercise.arrays["low"]
        assert inputs is not None and low is not None
        ticks, read, lanes = inputs.shape
        shape = np.array([lanes, ticks, read, job["outputs"], low.shape[1] - job["outputs"]], dtype=np.int64)
        found = np.zeros(FOUND, dtype=np.int64)
        pointers = [_pointer(library, exercise.arrays[name]) for name in ("memory", "inputs", "gains", "low", "high")]
        if library.lib.drive(which, _pointer(library, shape), *pointers, _pointer(library, limits), _pointer(library, found)):
            raise MemoryError("no memory for the controllers' states")
        method = "exact" if exercise.exact else "bound"
        if found[0] and method not in answer:
            answer[method] = [exercise.place, *(int(value) for value in found[:6])]
        if found[6] and "limits" not in answer:
            answer["limits"] = [exercise.place, *(int(value) for value in found[6:11])]
    reports = [report for report in library.sanitizer_reports() if not report.file.startswith("glue")]
    answer["undefined"] = [[report.kind, report.line, report.count] for report in reports[:1]]
    return answer


def main(folder: Path) -> None:
    """Compile the batch and drive its mutants from ``first`` on."""
    job = json.loads((folder / "job.json").read_text(encoding="utf-8"))
    exercises = [_Exercise(Path(job["exercises"]), place, about) for place, about in enumerate(job["about"])]
    text = (folder / "batch.c").read_text(encoding="utf-8")
    with compile_library(
        {"batch.c": text}, declarations=DECLARATIONS, optimise="-O1", sanitize=True, warnings_are_errors=False
    ) as library:
        for which in range(job["count"]):
            print(json.dumps({"begun": which}), flush=True)
            print(json.dumps(_drive(library, which, exercises, job)), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
