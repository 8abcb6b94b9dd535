"""A build written as a build file of its own.

Takes a `Build`, gives TOML text that reads back as the same numbers. Keeps no comments: it serves machines that were computed, not
files that people keep.
"""

from __future__ import annotations

import json
from dataclasses import fields

from codegen.build.quantity import Quantity
from codegen.build.schema import Build

_TABLES = (
    ("body", "body"),
    ("wheel", "wheel"),
    ("drive", "drive"),
    ("gyro", "sensors.gyro"),
    ("accelerometer", "sensors.accelerometer"),
    ("wheel_speed", "sensors.wheel_speed"),
    ("loop", "loop"),
    ("goals", "goals"),
    ("target", "target"),
    ("design", "design"),
)


def build_text(build: Build, title: str, remark: str) -> str:
    """TOML text of ``build`` under another title, with ``remark`` (lines without ``#``) above it."""
    lines = [*(f"# {line}" for line in remark.splitlines()), f"schema = {build.schema}", f"name = {_written(build.name)}"]
    lines.append(f"title = {_written(title)}")
    for attribute, table in _TABLES:
        part = getattr(build, attribute)
        given = [(field.name, getattr(part, field.name)) for field in fields(part)]
        lines += ["", f"[{table}]", *(f"{key} = {_written(value)}" for key, value in given if value is not None)]
    return "\n".join(lines) + "\n"


def _written(value: str | Quantity) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if value.low == value.high:
        return _number(value.value)
    return f"{{ value = {_number(value.value)}, low = {_number(value.low)}, high = {_number(value.high)} }}"


def _number(value: float) -> str:
    """Shortest digits that read back as the same number."""
    return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)
