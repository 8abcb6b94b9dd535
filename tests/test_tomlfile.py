"""TOML files with places: every key is located, and nothing but keys."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from codegen.errors import BuildError
from codegen.tomlfile import nearest, parse_document, read_text
from codegen.tomlfile.locate import locate_keys
from tests.bad_input.corpus import base_text
from tests.toml_texts import DOCUMENTS, damaged

Path_ = tuple[str | int, ...]

TRICKY = '''# line 1 = "not a key"
plain = 1
"quoted key" = 2
'single.quoted' = 3
dotted . "in parts" = 4
many = """
[not_a_table]
neither = 5
""" # ends on 9
raw = \'\'\'
'[still]' = text\'\'\'
list = [
    1, # ]
    [2, 3],
    { x = "}", y = { z = [
        4 ] } },
]
date = 1979-05-27 07:32:00
after = 6
[table] # [[comment]]
key = "a \\" # b"
  [ table . inner ]
  key = 7
[[rows]]
id = 1
[rows.part]
id = 2
[[rows]]
id = 3
[rows.part]
id = 4
'''


def paths(value: object, path: Path_ = ()) -> set[Path_]:
    """Every key path and list place in a parsed document: the independent reading of the locator's keys."""
    found = {path} if path else set()
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= paths(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found |= paths(inner, (*path, index))
    return found


def test_tricky_document_is_located_line_by_line() -> None:
    """Strings, comments, dotted keys, nested values and arrays of tables do not mislead the count."""
    lines = locate_keys(TRICKY)
    assert set(lines) == paths(tomllib.loads(TRICKY))
    expected: dict[Path_, int] = {
        ("plain",): 2,
        ("quoted key",): 3,
        ("single.quoted",): 4,
        ("dotted", "in parts"): 5,
        ("many",): 6,
        ("raw",): 10,
        ("list",): 12,
        ("list", 0): 13,
        ("list", 1, 1): 14,
        ("list", 2, "x"): 15,
        ("list", 2, "y", "z"): 15,
        ("list", 2, "y", "z", 0): 16,
        ("date",): 18,
        ("after",): 19,
        ("table",): 20,
        ("table", "key"): 21,
        ("table", "inner"): 22,
        ("table", "inner", "key"): 23,
        ("rows",): 24,
        ("rows", 0, "id"): 25,
        ("rows", 0, "part", "id"): 27,
        ("rows", 1): 28,
        ("rows", 1, "part", "id"): 31,
    }
    assert {path: lines[path] for path in expected} == expected


@settings(max_examples=400, deadline=None)
@given(text=DOCUMENTS)
def test_located_keys_are_those_of_the_standard_parser(text: str) -> None:
    """Whatever the standard parser accepts, the locator finds exactly its keys, on lines that exist."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        assume(False)
    lines = locate_keys(text)
    assert set(lines) == paths(values)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())


@settings(max_examples=200, deadline=None)
@given(lines_before=st.lists(st.sampled_from(["", "# x = 1", "   # [table]"]), max_size=5))
def test_line_moves_with_the_text(lines_before: list[str]) -> None:
    """Lines put before a document move every key by as many lines."""
    before = "".join(line + "\n" for line in lines_before)
    moved = locate_keys(before + TRICKY)
    assert moved == {path: line + len(lines_before) for path, line in locate_keys(TRICKY).items()}


@settings(max_examples=300, deadline=None)
@given(content=damaged(base_text().encode()))
def test_damaged_text_is_parsed_or_refused(content: bytes) -> None:
    """A damaged text either has all its keys located or raises the caller's error with a line in the text."""
    text = content.decode("utf-8", errors="replace")
    try:
        document = parse_document(text, "a.toml", BuildError)
    except BuildError as error:
        line = int(error.where.split("line ")[1].split(",")[0])
        assert 1 <= line <= text.count("\n") + 1
    else:
        assert set(document.lines) == paths(document.values)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a = 1\nb = " + "7" * 5000, 2, "more than 1000 characters"),
        ("x = [\n" + "[\n" * 9000, 1, "too deeply nested"),
        (".".join(["a"] * 30_000) + " = 1", 1, "more than 1000 characters"),
        ('a = 1\nb = """\n\n', 3, "not valid TOML"),
    ],
    ids=["digits", "nesting", "dots", "open text"],
)
def test_hostile_text_is_refused_at_once(text: str, line: int, says: str) -> None:
    """Texts made to exhaust a parser get the ordinary error."""
    with pytest.raises(BuildError) as caught:
        parse_document(text, "a.toml", BuildError)
    assert caught.value.where == f"a.toml, line {line}"
    assert says in caught.value.what


@pytest.mark.parametrize("depth", range(50, 600, 10))
@pytest.mark.parametrize(
    ("opening", "closing"), [("[\n", "\n]"), ("[\n{a=", "}\n]")], ids=["lists", "tables"]
)
def test_nesting_of_any_depth_is_located_or_refused(depth: int, opening: str, closing: str) -> None:
    """Near the interpreter's own limit of depth there is no traceback either."""
    text = "x = " + opening * depth + "1" + closing * depth
    try:
        document = parse_document(text, "a.toml", BuildError)
    except BuildError as error:
        assert depth > 100
        assert "too deeply nested" in error.what
    else:
        assert document.lines[("x",)] == 1


def test_missing_file_folder_and_device_are_told_apart(tmp_path: Path) -> None:
    """Each kind of unreadable path gets its own words, and no message holds the folder."""
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "large.toml").write_bytes(b"#" * 65_537)
    for path, says in (
        (tmp_path / "absent.toml", "no such file"),
        (tmp_path / "folder.toml", "a folder, not a file"),
        (tmp_path / "large.toml", "larger than 65536 bytes"),
        (tmp_path / "zero\0byte.toml", "no such file"),
        (tmp_path / "line\nbreak.toml", "no such file"),
        (Path("/dev/null"), "not an ordinary file"),
    ):
        with pytest.raises(BuildError) as caught:
            read_text(path, BuildError)
        assert says in caught.value.what
        assert str(tmp_path) not in str(caught.value)
        assert str(caught.value).replace("\n  to mend it: ", "").isprintable()


def test_file_that_the_system_refuses_is_an_error(tmp_path: Path) -> None:
    """A name longer than the file system allows is the caller's error, not a traceback."""
    with pytest.raises(BuildError):
        read_text(tmp_path / ("long" * 100), BuildError)


def test_largest_file_is_still_read(tmp_path: Path) -> None:
    """The limit itself is allowed."""
    path = tmp_path / "full.toml"
    path.write_bytes(b"#" * 65_536)
    assert len(read_text(path, BuildError)) == 65_536


def test_nearest_word() -> None:
    """A slip of a letter finds its word, a foreign word finds none."""
    assert nearest("mas_kg", ["mass_kg", "title"]) == "mass_kg"
    assert nearest("colour", ["mass_kg", "title"]) is None
