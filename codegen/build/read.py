"""A build file read, checked key by key, then checked for physical sense.

Takes a path or the text of a TOML file, gives the build of its kind of machine or one clear `BuildError`. Computes nothing for later
stages.
"""

from __future__ import annotations

from pathlib import Path

from codegen.build.rolling import CartBuild, CartTables, TrolleyBuild, TrolleyTables
from codegen.build.rolling_sense import find_cart_faults, find_trolley_faults
from codegen.build.schema import MACHINES, Build, BuildTables
from codegen.build.sense import find_faults
from codegen.errors import BuildError
from codegen.tomlfile import Document, parse_document, raise_first, read_text, validate

AnyBuild = Build | CartBuild | TrolleyBuild


def read_build(path: Path) -> Build:
    """Return the lantern's build that the file at `path` describes.

    Raises:
        BuildError: The file cannot be read, is not what the schema asks, makes no physical sense, or describes another kind of machine.
    """
    return parse_build(read_text(path, BuildError), path.name)


def parse_build(text: str, file_name: str) -> Build:
    """Return the lantern's build that `text` describes; `file_name` (no folders) is kept and appears in messages.

    Raises:
        BuildError: The text is not what the schema asks, makes no physical sense, or describes another kind of machine.
    """
    document = parse_document(text, file_name, BuildError)
    kind = document.values.get("machine", MACHINES[0])
    if kind in MACHINES[1:]:
        raise BuildError(
            f"this is a {kind}, and what was asked for knows bodies with a reaction wheel only",
            document.place(("machine",)),
            f'use a build file with machine = "{MACHINES[0]}"; design, simulate, ship and verify take every kind',
        )
    return _lantern(document)


def read_machine(path: Path) -> AnyBuild:
    """Return the build that the file at `path` describes, of whatever kind of machine.

    Raises:
        BuildError: The file cannot be read, is not what the schema asks, or makes no physical sense.
    """
    return parse_machine(read_text(path, BuildError), path.name)


def parse_machine(text: str, file_name: str) -> AnyBuild:
    """Return the build that `text` describes, of the kind that its key `machine` names (without it, a lantern's).

    Raises:
        BuildError: The text is not what the schema asks, or makes no physical sense.
    """
    document = parse_document(text, file_name, BuildError)
    match document.values.get("machine"):
        case "cart_pendulum":
            return _cart(document)
        case "trolley":
            return _trolley(document)
        case _:
            return _lantern(document)


def read_unjudged(path: Path) -> Build:
    """Return the lantern's build that the file at `path` describes, for another build's controller to fly.

    Whether a controller could be designed for it, and whether it could reach its goals, is not asked.

    Raises:
        BuildError: The file cannot be read or is not what the schema asks.
    """
    return _lantern_tables(parse_document(read_text(path, BuildError), path.name, BuildError))


def _lantern(document: Document) -> Build:
    build = _lantern_tables(document)
    raise_first(document, find_faults(build), BuildError)
    return build


def _lantern_tables(document: Document) -> Build:
    tables = validate(document, BuildTables, BuildError)
    return Build(
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
        source_text=document.text,
        path_name=document.file_name,
        design=tables.design,
    )


def _cart(document: Document) -> CartBuild:
    tables = validate(document, CartTables, BuildError)
    build = CartBuild(
        schema=tables.schema,
        machine=tables.machine,
        name=tables.name,
        title=tables.title,
        cart=tables.cart,
        pendulum=tables.pendulum,
        drive=tables.drive,
        position=tables.sensors.position,
        angle=tables.sensors.angle,
        loop=tables.loop,
        goals=tables.goals,
        target=tables.target,
        source_text=document.text,
        path_name=document.file_name,
    )
    raise_first(document, find_cart_faults(build), BuildError)
    return build


def _trolley(document: Document) -> TrolleyBuild:
    tables = validate(document, TrolleyTables, BuildError)
    build = TrolleyBuild(
        schema=tables.schema,
        machine=tables.machine,
        name=tables.name,
        title=tables.title,
        body=tables.body,
        wheels=tables.wheels,
        drive=tables.drive,
        gyro=tables.sensors.gyro,
        accelerometer=tables.sensors.accelerometer,
        wheel_speed=tables.sensors.wheel_speed,
        loop=tables.loop,
        goals=tables.goals,
        target=tables.target,
        source_text=document.text,
        path_name=document.file_name,
    )
    raise_first(document, find_trolley_faults(build), BuildError)
    return build
