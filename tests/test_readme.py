"""README says what is so: its commands exist, its C compiles, the files it names are there, and no host or machine is named."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from codegen.cli import main
from codegen.native.compile import compile_library
from codegen.pipeline import design_build, realise
from codegen.targets import known_targets, read_target

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def commands() -> list[list[str]]:
    lines = [line.split("#")[0] for block in blocks("sh") for line in block.splitlines()]
    parts = [part.strip() for line in lines for part in line.split("&&")]
    return [part.split()[1:] for part in parts if part.startswith(".venv/bin/loopwright")]


@pytest.mark.parametrize("arguments", commands(), ids=" ".join)
def test_commands_and_their_options_exist(arguments: list[str]):
    shown = CliRunner().invoke(main, [arguments[0], "--help"])
    options = [word for word in arguments if word.startswith("-")]

    assert shown.exit_code == 0
    assert all(re.search(rf"(?<![\w-]){re.escape(option)}\b", shown.output) for option in options)


def test_first_two_blocks_are_one_command_each():
    first, second = (block.strip() for block in blocks("sh")[:2])

    assert "\n" not in first
    assert "\n" not in second
    assert "loopwright ship tests/examples/lantern_calm.toml" in first
    assert second.endswith("pytest")
    assert ".venv/bin/pytest\n" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_c_example_compiles():
    designed = design_build(ROOT / "tests" / "examples" / "lantern_calm.toml")
    emission = realise(designed.graph(), read_target("cortex-m4"), 3.0, designed.plant).emission
    declarations, statements = blocks("c")[0].split("\n", 1)
    example = (
        '#include "lantern_calm.h"\nvoid example(void);\n'
        f"{declarations}\nstatic lantern_calm_inputs inputs;\nstatic lantern_calm_outputs outputs;\n"
        f"void example(void)\n{{\n{statements}}}\n"
    )

    compile_library({"lantern_calm.h": emission.header, "lantern_calm.c": emission.source, "example.c": example}).close()


def test_named_files_exist():
    for name in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / name).exists(), name


def test_targets_named_are_the_targets_known():
    named = re.search(r"Word rules exist for (.*?)\. On", README, flags=re.DOTALL)
    assert named

    assert set(re.findall(r"`([\w-]+)`", named.group(1))) == set(known_targets())


def test_first_paragraph_states_the_job():
    assert README.split("\n\n")[1].startswith("Loopwright takes a small balancing machine")
