"""Every broken build file gets one clear error that names file, line, key and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from codegen.build import parse_build, read_build
from codegen.errors import BuildError
from tests.bad_input.corpus import Case, base_text, cases

CASES = cases()


def test_the_base_of_the_corpus_is_sound() -> None:
    """What the cases break is accepted as it stands."""
    assert parse_build(base_text(), "base.toml").name == "lantern"


def test_the_corpus_is_large_and_its_names_are_unique() -> None:
    """At least sixty kinds of fault, each told apart."""
    names = [case.name for case in CASES]
    assert len(names) >= 60
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_broken_file_gets_its_message(case: Case, tmp_path: Path) -> None:
    """The error is a BuildError; it names file and line, says what is wrong, and how to mend it."""
    path = tmp_path / "broken.toml"
    path.write_bytes(case.content)
    with pytest.raises(BuildError) as caught:
        read_build(path)
    message = str(caught.value)
    assert f"{caught.value.where},".startswith(f"broken.toml, line {case.line},"), message
    for piece in case.says:
        assert piece in message
    assert caught.value.what
    assert caught.value.remedy
    assert message.isprintable() or message.replace("\n  to mend it: ", "", 1).isprintable()
    assert str(tmp_path) not in message
    assert caught.value.exit_status == 2
