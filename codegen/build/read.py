"""A build file read, checked key by key, then checked for physical sense.

Takes a path or the text of a TOML file, gives a `Build` or one clear `BuildError`. Computes nothing for later
stages.
"""

from __future__ import annotations

from pathlib import Path

from codegen.build.schema import Build, BuildTables
from codegen.build.sense import find_faults
from codegen.errors import BuildError
from codegen.tomlfile import parse_document, raise_first, read_text, validate


def read_build(path: Path) -> Build:
    """Return the build that the file at `path` describes.

    Raises:
        BuildError: The file cannot be read, is not what the schema asks, or makes no physical sense.
    """
    return parse_build(read_text(path, BuildError), path.name)


def parse_build(text: str, file_name: str) -> Build:
    """Return the build that `text` describes; `file_name` (no folders) is kept and appears in messages.

    Raises:
        BuildError: The text is not what the schema asks, or makes no physical sense.
    """
    document = parse_document(text, file_name, BuildError)
    tables = validate(document, BuildTables, BuildError)
    build = Build(
        schema=tables.schema,
        name=tables.name,
        title=tables.title,
        body=tables.body,
        wheel=tables.wheel,
        drive=tables.drive,
        gyro=tables.sensors.gyro,
        accelerometer=tables.sensors.accelerometer,
        wheel_speed=tables.sensors.wheel_speed,
        loop=tables.loop,
        goals=tables.goals,
        target=tables.target,
        source_text=text,
        path_name=document.file_name,
    )
    raise_first(document, find_faults(build), BuildError)
    return build
