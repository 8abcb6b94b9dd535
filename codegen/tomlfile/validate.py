"""A document checked against a schema of dataclasses.

Takes a `Document` and a dataclass (fields may carry pydantic annotations), gives an instance of it, or raises
one error that names the line, the key, and the nearest known key where one was misspelt.
"""

from __future__ import annotations

import difflib
import json
import math
import types
import typing
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from codegen.errors import LoopwrightError
from codegen.tomlfile.document import Document, Fault, dotted, raise_first
from codegen.tomlfile.locate import KeyPath

T = TypeVar("T")


def validate(document: Document, schema: type[T], error: type[LoopwrightError]) -> T:
    """Return the document's values as an instance of the dataclass `schema`.

    Raises:
        error: A key is unknown or missing, or a value is refused.
    """
    try:
        return TypeAdapter(schema).validate_python(document.values)
    except ValidationError as refused:
        details = refused.errors(include_url=False)
    raise_first(document, [_fault(detail, schema) for detail in details], error)
    raise AssertionError("a validation error without details")


def refusal(what: str, remedy: str, key: str = "") -> PydanticCustomError:
    """The exception by which a schema's validator refuses a value.

    Args:
        what: What is wrong, one sentence without a full stop.
        remedy: How to mend it.
        key: Name of the member at fault, if the value is an inline table.
    """
    return PydanticCustomError("refused", "{what}", {"what": what, "remedy": remedy, "key": key})


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that looks most like `word`, if one does."""
    matches = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return matches[0] if matches else None


def show(value: object) -> str:
    """`value` as one would write it in TOML, shortened to fit a message."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value if len(value) <= 40 else value[:37] + "...")
    if isinstance(value, int):
        return str(value) if abs(value) < 10**20 else "an integer of more than 20 digits"
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else f"{value}"
    if isinstance(value, dict):
        return "a table"
    return "a list" if isinstance(value, list) else f"a {type(value).__name__}"


def _fault(detail: ErrorDetails, schema: type[Any]) -> Fault:
    path: KeyPath = detail["loc"]
    kind = detail["type"]
    if kind == "refused":
        context = detail["ctx"]
        inside = (context["key"],) if context["key"] else ()
        return Fault((*path, *inside), context["what"], context["remedy"])
    if kind == "missing":
        return _missing(path, schema)
    if kind == "unexpected_keyword_argument":
        return _unknown(path, schema)
    shown = show(detail["input"])
    if kind == "dataclass_type":
        remedy = f"open it as a table: [{dotted(path)}]"
        return Fault(path, f"{shown} stands where a table is asked for", remedy)
    return Fault(path, f"{shown} is refused: {detail['msg']}", "give the kind of value that the key asks for")


def _missing(path: KeyPath, schema: type[Any]) -> Fault:
    if _table_type(schema, path) is not None:
        remedy = f"add the table [{dotted(path)}] with the keys {', '.join(_keys(schema, path))}"
        return Fault(path, "the table is missing", remedy, is_absence=True)
    home = f"the table [{dotted(path[:-1])}]" if len(path) > 1 else "the top of the file"
    return Fault(path, "the key is missing", f"add {path[-1]} = ... to {home}", is_absence=True)


def _unknown(path: KeyPath, schema: type[Any]) -> Fault:
    word = str(path[-1])
    known = _keys(schema, path[:-1])
    homes = [(*table, word) for table in _tables(schema) if word in _keys(schema, table)]
    if homes:
        if _table_type(schema, homes[0]) is not None:
            return Fault(path, "this table does not belong here", f"open it as [{dotted(homes[0])}]")
        right = " or ".join(
            f"[{dotted(home[:-1])}]" if home[:-1] else "the top of the file" for home in homes
        )
        return Fault(path, "this key does not belong here", f"move it to {right}")
    guess = nearest(word, known)
    if guess is not None:
        return Fault(path, "unknown key", f"did you mean {guess}?")
    return Fault(path, "unknown key", f"remove it, or use one of: {', '.join(known)}")


def _keys(schema: type[Any], path: KeyPath) -> list[str]:
    table = _table_type(schema, path)
    return [field.name for field in fields(table)] if table is not None else []


def _tables(schema: type[Any], path: KeyPath = ()) -> list[KeyPath]:
    found = [path]
    for name in _keys(schema, path):
        if _table_type(schema, (*path, name)) is not None:
            found += _tables(schema, (*path, name))
    return found


def _table_type(schema: type[Any], path: KeyPath) -> type[Any] | None:
    """The dataclass that describes the table at `path`, or None if that is a plain value or unknown."""
    table: Any = schema
    for name in path:
        if isinstance(name, int):
            (table, *_) = typing.get_args(table) or (None,)
        else:
            hints = typing.get_type_hints(table, include_extras=True) if is_dataclass(table) else {}
            table = hints.get(name)
        if typing.get_origin(table) in (types.UnionType, typing.Union):
            table = next(part for part in typing.get_args(table) if part is not type(None))
    # A field with an annotation is a plain value, even if a dataclass carries it.
    return table if isinstance(table, type) and is_dataclass(table) else None
