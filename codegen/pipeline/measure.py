"""From bench logs to a build file with measured numbers, and a picture of every experiment."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from codegen.bench import Measurement, adjust, measure_log, put_parameters, read_log
from codegen.build import Build, parse_build, read_build
from codegen.errors import BenchError, BuildError
from codegen.pipeline.progress import Progress
from codegen.pipeline.write import write_files
from codegen.report.bench_picture import draw_experiment


@dataclass(frozen=True)
class Measured:
    """What a bench came to.

    Attributes:
        measurement: The numbers.
        build: The build with them in place.
        pictures: Files with the pictures, one per log, in the order of the logs.
    """

    measurement: Measurement
    build: Build
    pictures: tuple[Path, ...]


def measure(logs: Sequence[Path], build_path: Path, kind: str | None, progress: Progress) -> Measured:
    """Measure the logs, put the numbers into the build file, and write that and the pictures beside it, all or nothing.

    Raises:
        LoopwrightError: A log, the build file, or the two together cannot be used; nothing is written then.
    """
    build = read_build(build_path)
    experiments = []
    for number, path in enumerate(logs):
        with progress.during(f"measuring {path.name}", 0.9 * number / len(logs)):
            experiments.append(measure_log(read_log(path), build, kind))
    measurement = adjust(experiments, build)
    text = put_parameters(build.source_text, measurement.parameters)
    measured = _check(text, build, measurement)
    names = _picture_names(build_path, logs)
    with progress.during("drawing", 0.9):
        files = {name: draw_experiment(experiment) for name, experiment in zip(names, measurement.experiments, strict=True)}
    # The build file comes last: if a picture cannot be put in place, it is as it was.
    write_files(build_path.parent, {**files, build_path.name: text})
    return Measured(measurement, measured, tuple(build_path.parent / name for name in names))


def _check(text: str, before: Build, measurement: Measurement) -> Build:
    """The build that the new text holds; everything that was not measured has to be as before."""
    changed = {(parameter.table, parameter.key) for parameter in measurement.parameters}
    if _flat(tomllib.loads(text), changed) != _flat(tomllib.loads(before.source_text), changed):
        raise BuildError("the file's layout cannot be kept", before.path_name, "write each measured key as one plain line, key = number")
    try:
        return parse_build(text, before.path_name)
    except BuildError as error:
        raise BenchError(
            f"the measured numbers do not go together with the rest of the build file: {error.what}", error.where, error.remedy
        ) from error


def _flat(table: Mapping[str, object], without: set[tuple[str, str]], path: str = "") -> dict[tuple[str, str], object]:
    """Every value by (table, key), measured keys left out."""
    found: dict[tuple[str, str], object] = {}
    for key, value in table.items():
        if (path, key) in without:
            continue
        if isinstance(value, dict):
            found |= _flat(value, without, f"{path}.{key}" if path else key)
        else:
            found[(path, key)] = value
    return found


def _picture_names(build_path: Path, logs: Sequence[Path]) -> list[str]:
    names: list[str] = []
    for path in logs:
        stem = f"{build_path.stem}.{path.stem}"
        name, number = f"{stem}.svg", 2
        while name in names:
            name, number = f"{stem}-{number}.svg", number + 1
        names.append(name)
    return names
