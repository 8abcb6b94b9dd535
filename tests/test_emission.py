"""Emitted text: deterministic, self-contained, free of what the contract forbids, and as the golden files have it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from codegen.emit import emit_controller
from codegen.emit.names import RESERVED
from codegen.errors import GraphError
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.host.controller import HostController
from codegen.native.compile import compile_library
from codegen.ranges import find_ranges
from codegen.rules.ctext import literal
from codegen.rules.fixed import FixedGraph
from codegen.rules.rounding import trace_errors
from codegen.targets import read_target
from tests.miniature import miniature, pid_loop

CASES: dict[str, Callable[[str], FixedGraph]] = {"mini": miniature, "vent": pid_loop}
TARGETS = ("cortex-m4", "cortex-m0plus", "atmega328p")


def _code(text: str) -> str:
    """C without comments."""
    return re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)


def _tiny(name: str = "tiny", signal: str = "y", output: str = "out") -> FixedGraph:
    graph = GraphBuilder(name, 0.001)
    x = graph.input("x", "int16_t")
    graph.output(output, graph.weighted_sum(signal, [(0.3, x)], resolution=1.0), "int16_t")
    return choose_formats(find_ranges(graph.finish()), read_target("cortex-m4"), 10.0)


@pytest.mark.parametrize("target", ["cortex-m4", "atmega328p"])
def test_miniature_reads_as_its_golden_file(target: str, check_golden: Callable[[str, str], None]) -> None:
    """The whole C of the three-node miniature, to be read by people."""
    fixed = miniature(target)
    errors = trace_errors(fixed)
    counts = {
        name: float(max(map(abs, errors.bound(form))) / fixed.formats[name].lsb)
        for name, form in errors.forms.items()
        if not fixed.graph.nodes[name].is_bool
    }
    emission = emit_controller(fixed, counts)
    check_golden(f"{target}/mini.h", emission.header)
    check_golden(f"{target}/mini.c", emission.source)


@pytest.mark.parametrize("case", sorted(CASES))
def test_emission_is_deterministic(case: str) -> None:
    """The same graph gives the same bytes, within a process and under other hash seeds in fresh ones."""
    here = emit_controller(CASES[case]("cortex-m0plus"))
    assert here == emit_controller(CASES[case]("cortex-m0plus"))
    program = (
        "import sys; from codegen.emit import emit_controller; from tests.test_emission import CASES; "
        f"e = emit_controller(CASES[{case!r}]('cortex-m0plus')); sys.stdout.write(e.header + e.source)"
    )
    root = str(Path(__file__).parents[1])
    for seed in ("1", "77"):
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": root}
        done = subprocess.run(
            [sys.executable, "-c", program], env=environment, cwd=root, capture_output=True, text=True, encoding="utf-8", check=True
        )
        assert done.stdout == here.header + here.source


@pytest.mark.parametrize("case", sorted(CASES))
@pytest.mark.parametrize("target", TARGETS)
def test_no_forbidden_words_and_no_static_memory(case: str, target: str) -> None:
    """Integers only, no heap, no loops, no recursion, no division, two headers, no memory outside the state."""
    emission = emit_controller(CASES[case](target))
    for text in (_code(emission.header), _code(emission.source)):
        for word in ("float", "double", "malloc", "free", "for", "while", "goto", "printf", "long", "/", "%"):
            pattern = rf"\b{word}\b" if word.isalpha() else re.escape(word)
            assert not re.search(pattern, text), word
        assert set(re.findall(r"#include (\S+)", text)) <= {"<stdint.h>", "<stdbool.h>", f'"{emission.name}.h"'}
    source = _code(emission.source)
    assert all("const" in line or "(" in line for line in source.splitlines() if line.startswith("static"))
    for name, body in re.findall(r"^\w[\w ]*?[ *](\w+)\([^)]*\)\n\{\n(.*?)^\}", source, flags=re.DOTALL | re.MULTILINE):
        assert not re.search(rf"\b{name}\(", body), f"{name} calls itself"


def test_texts_name_no_place_and_no_time() -> None:
    """No path, user or date, so that a difference shows real change only."""
    emission = emit_controller(miniature())
    for text in (emission.header, emission.source):
        assert not re.search(r"\d{4}-\d\d-\d\d|\d\d:\d\d", text)
        assert str(Path(__file__).parents[1]) not in text
        assert text.endswith("\n") and "\t" not in text and all(len(line) <= 140 for line in text.splitlines())
        assert "CAUTION" in text


def test_header_stands_by_itself_and_twice() -> None:
    """A file that includes nothing but the header, twice, compiles under the strict flags; so do two controllers in one file."""
    emission, other = emit_controller(miniature()), emit_controller(pid_loop())
    user = (
        '#include "mini.h"\n#include "mini.h"\n#include "vent.h"\n'
        "int32_t size_of_both(void);\n"
        "int32_t size_of_both(void) { return (int32_t)(sizeof(mini_state) + sizeof(vent_state)); }\n"
    )
    sources = {"mini.h": emission.header, "vent.h": other.header, "user.c": user}
    with compile_library(sources, declarations="int32_t size_of_both(void);") as library:
        assert library.lib.size_of_both() > 0


def test_any_number_of_instances_are_independent() -> None:
    """All memory is in the state: lanes with different inputs do not disturb each other."""
    fixed = miniature()
    with HostController(emit_controller(fixed), fixed) as host:
        inputs = np.random.default_rng(2).integers(-(2**15), 2**15, (50, 1, 3))
        together = host.run(host.start(3), inputs).outputs
        for lane in range(3):
            alone = host.run(host.start(1), inputs[:, :, lane : lane + 1]).outputs
            assert np.array_equal(alone[:, :, 0], together[:, :, lane])


@pytest.mark.parametrize("name", ["int", "while", "state", "clamp_it", "int32_x", "uint_x", "a__b", "true", "gains"])
def test_names_that_c_keeps_are_refused(name: str) -> None:
    """A signal, an output or a controller of such a name is refused before any text is made."""
    with pytest.raises(GraphError, match=f"{name}: this name is kept") as caught:
        emit_controller(_tiny(signal=name))
    assert "rename" in caught.value.remedy
    with pytest.raises(GraphError, match=f"{name}: this name is kept"):
        emit_controller(_tiny(output=name))
    with pytest.raises(GraphError, match=f"{name}: this name is kept"):
        emit_controller(_tiny(name=name))


def test_keywords_of_c99_are_all_reserved() -> None:
    """ISO/IEC 9899:1999, 6.4.1: the 37 keywords (from memory)."""
    keywords = (
        "auto break case char const continue default do double else enum extern float for goto if inline int long register "
        "restrict return short signed sizeof static struct switch typedef union unsigned void volatile while _Bool _Complex "
        "_Imaginary"
    ).split()
    assert len(keywords) == 37 and set(keywords) <= RESERVED


@pytest.mark.parametrize("ending", ["init", "step", "state", "inputs", "outputs"])
def test_names_of_the_emitted_functions_are_refused(ending: str) -> None:
    """A signal may not shadow the controller's own functions and types."""
    with pytest.raises(GraphError, match=f"tiny_{ending}: this name is kept"):
        emit_controller(_tiny(signal=f"tiny_{ending}"))


@pytest.mark.parametrize("name", ["saturate_32", "clamp_16", "round_shift_upper_32"])
def test_names_of_helpers_are_refused(name: str) -> None:
    """A signal may not be called as a helper that the text may contain."""
    with pytest.raises(GraphError, match=f"{name}: this name is kept for C"):
        emit_controller(_tiny(signal=name))


def test_names_of_tables_and_stores_are_refused() -> None:
    """A signal may not be called as a table's constants or a delay's copy are."""
    for name in ("bent_knots", "last_store"):
        graph = GraphBuilder("tiny", 0.001)
        x = graph.input("x", "int16_t")
        last = graph.delay("last", source=graph.table("bent", x, -3e4, 2e4, [0.0, 1.0, 5.0]))
        graph.output("out", graph.weighted_sum(name, [(1.0, last)], resolution=0.1), "int16_t")
        fixed = choose_formats(find_ranges(graph.finish()), read_target("cortex-m4"), 100.0)
        with pytest.raises(GraphError, match=f"{name}: this name is kept for the emitted text itself"):
            emit_controller(fixed)


def test_controller_without_memory_compiles_and_runs() -> None:
    """A static map has a state of one unused member and ignores it."""
    fixed = _tiny()
    with HostController(emit_controller(fixed), fixed, sanitize=True) as host:
        outputs = host.run(host.start(2), np.array([[[100, -100]]])).outputs
        assert outputs[0, 0].tolist() == [30, -30]
        host.library.raise_sanitizer_reports()


def test_least_values_have_a_literal() -> None:
    """-2**31 and -2**63 have no literal of their own in C (ISO/IEC 9899:1999, 6.4.4.1: a constant has no sign)."""
    assert literal(-(2**31), 32) == "(-INT32_C(2147483647) - 1)"
    assert literal(-(2**63), 64) == "(-INT64_C(9223372036854775807) - 1)"
    assert literal(-5, 32) == "-INT32_C(5)" and literal(7, 64) == "INT64_C(7)"


def test_an_operand_with_a_longer_word_than_its_sum_is_cut_to_it() -> None:
    """Found by a random graph: the compiler warns of a 16-bit word that is given to a limit of 8 bits."""
    graph = GraphBuilder("short_sum", 0.001)
    reading = graph.input("reading", "int16_t")
    last = graph.delay("last", source=reading)
    turned = graph.wrapped_difference("turned", reading, last, 4)
    wide = graph.weighted_sum("wide", [(1.0, turned)], resolution=1.0)
    held = graph.weighted_sum("held", [(1.0, wide)], limits=(-5.0, 5.0), resolution=1.0)
    kept = graph.delay("kept", source=turned)
    graph.output("shown", graph.weighted_sum("shown", [(1.0, held), (2.0, kept)], resolution=1.0), "int16_t")
    fixed = choose_formats(find_ranges(graph.finish()), read_target("atmega328p"))
    emission = emit_controller(fixed)

    assert fixed.formats["wide"].ctype == "int16_t"
    assert "clamp_8((int8_t)wide, -5, 5)" in emission.source
    # Compiled with every warning as an error.
    with HostController(emission, fixed):
        pass
