"""Texts outside the proof's subset, or known to be wrong: each an edit of the lamp with the reason it must be given.

``refused`` entries may not be judged at all; ``failed`` entries are judged, and an obligation with the stated words must be open.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Bad:
    """One edit: the first ``old`` in source or header becomes ``new``."""

    name: str
    old: str
    new: str
    reason: str
    header: bool = False


STEP = "    outputs->drive = (int16_t)shown;\n"

REFUSED = (
    Bad("line splice in a comment", "/* lamp.c - an", "// lamp \\\n/* an", "backslash"),
    Bad("line splice in code", "const int32_t error = wanted", "const int32_t error = \\\nwanted", "backslash"),
    Bad("trigraph that ends a comment", "/* steps of the knob", "/* why??/ steps", "trigraph"),
    Bad("trigraph in code", "curve[5]", "curve??(5]", "trigraph"),
    Bad("digraph", "curve[5] =", "curve<:5:> =", "digraph"),
    Bad("form feed", STEP, "\f" + STEP, "control character"),
    Bad("character that C does not have", STEP, STEP + "    §\n", "a character that C does not have"),
    Bad("dollar in a name", "const int32_t error", "const int32_t $error", "a character that C does not have"),
    Bad("string", STEP, STEP + '    "text";\n', "string or character literal"),
    Bad("character constant", "(turned & 15u)", "(turned & 'a')", "string or character literal"),
    Bad("conditional text", '#include "lamp.h"\n', '#include "lamp.h"\n#if 0\n#endif\n', "directive #if"),
    Bad("conditional by name", '#include "lamp.h"\n', '#include "lamp.h"\n#ifdef TUNE\n#endif\n', "directive #ifdef"),
    Bad("pragma", '#include "lamp.h"\n', '#include "lamp.h"\n#pragma GCC optimize("wrapv")\n', "string or character literal"),
    Bad("plain pragma", '#include "lamp.h"\n', '#include "lamp.h"\n#pragma once\n', "directive #pragma"),
    Bad("undefine", '#include "lamp.h"\n', '#include "lamp.h"\n#undef LAMP_LIMIT\n', "directive #undef"),
    Bad("line numbers", '#include "lamp.h"\n', '#include "lamp.h"\n#line 7\n', "directive #line"),
    Bad("foreign header", '#include "lamp.h"\n', '#include "lamp.h"\n#include <math.h>\n', "include of <math.h>"),
    Bad("another own header", '#include "lamp.h"\n', '#include "lamp.h"\n#include "gains.h"\n', 'include of "gains.h"'),
    Bad("own header missing", '#include "lamp.h"\n', "", "exactly once"),
    Bad("function-like macro", '#include "lamp.h"\n', '#include "lamp.h"\n#define HALF(x) ((x) / 2)\n', "name and one integer constant"),
    Bad("macro that is an expression", '#include "lamp.h"\n', '#include "lamp.h"\n#define SUM 1 + 2\n', "not one integer constant"),
    Bad("macro that hides a type", '#include "lamp.h"\n', '#include "lamp.h"\n#define int32_t 5\n', "hides a name of the language"),
    Bad("macro that hides a keyword", '#include "lamp.h"\n', '#include "lamp.h"\n#define if 5\n', "hides a name of the language"),
    Bad("macro that hides bool", '#include "lamp.h"\n', '#include "lamp.h"\n#define bool 5\n', "hides a name of the language"),
    Bad("macro twice", '#include "lamp.h"\n', '#include "lamp.h"\n#define LAMP_LIMIT 5\n', "defined twice"),
    Bad("macro that breaks a declaration", "    const uint16_t turned", "#define error 5\n    const uint16_t turned", "cannot be parsed"),
    Bad("macro defined late", "    if (!inputs->on) {", "#define curve 5\n    if (!inputs->on) {", "after its first use"),
    Bad(
        "directive with a comment over lines",
        '#include "lamp.h"\n',
        '#include "lamp.h"\n#define A 1 /* a\n b */ + 1\n',
        "comment over several",
    ),
    Bad("comment without end", STEP, STEP + "    /* end\n", "comment without"),
    Bad("volatile member", "int32_t sum;", "volatile int32_t sum;", "volatile", header=True),
    Bad("volatile local", "    int32_t shown =", "    volatile int32_t shown =", "volatile"),
    Bad("restrict", "lamp_state *state,", "lamp_state *restrict state,", "restrict"),
    Bad("static local", "    int32_t shown =", "    static int32_t shown =", "static"),
    Bad("register", "    int32_t shown =", "    register int32_t shown =", "register"),
    Bad("extern variable", "static const int32_t curve", "extern int32_t bias;\nstatic const int32_t curve", "extern"),
    Bad("global variable", "static const int32_t curve", "static int32_t bias = 3;\nstatic const int32_t curve", "static const"),
    Bad(
        "shadowed by a local in a block", "        shown = 0;\n", "        int32_t shown = 0;\n        (void)shown;\n", "hides another name"
    ),
    Bad("local hides a table", "    int32_t shown =", "    int32_t curve = 1;\n    int32_t shown =", "hides another name"),
    Bad("local hides a parameter", "    int32_t shown =", "    int32_t inputs = 1;\n    int32_t shown =", "hides another name"),
    Bad("integer type redefined", "static const int32_t curve", "typedef long int32_t;\nstatic const int32_t curve", "redefines"),
    Bad("bool redefined", "static const int32_t curve", "typedef int bool;\nstatic const int32_t curve", "redefines"),
    Bad("another name for a type", "static const int32_t curve", "typedef int32_t count_t;\nstatic const int32_t curve", "only structs"),
    Bad("assignment in a condition", "if (!inputs->on) {", "if ((shown = 3) > 1) {", "assignment inside an expression"),
    Bad(
        "assignment in an initial value",
        "    int32_t shown = bend(",
        "    int32_t a = 0;\n    int32_t shown = (a = 3) + bend(",
        "assignment inside",
    ),
    Bad("increment in an expression", "outputs->drive = (int16_t)shown;", "outputs->drive = (int16_t)(shown++);", "++ or --"),
    Bad("comma operator", "outputs->drive = (int16_t)shown;", "outputs->drive = (int16_t)(1, shown);", "comma operator"),
    Bad("goto", STEP, STEP + "    goto end;\nend:\n", "goto"),
    Bad("while loop", STEP, STEP + "    while (shown > 0) { shown--; }\n", "loop"),
    Bad("for loop", STEP, STEP + "    for (int32_t i = 0; i < 3; i++) { shown = i; }\n", "loop"),
    Bad("do loop", STEP, STEP + "    do { shown--; } while (shown > 0);\n", "loop"),
    Bad("switch", STEP, STEP + "    switch (shown) { default: break; }\n", "switch"),
    Bad("address of a member", STEP, STEP + "    int32_t *p = &state->sum;\n", "address of an object"),
    Bad("pointer variable", STEP, STEP + "    lamp_state *other = state;\n", "pointer, array"),
    Bad("pointer used otherwise than by ->", "state->sum = sum;", "(*state).sum = sum;", "pointer other than ->"),
    Bad("struct copied", "state->sum = sum;", "*state = *state;", "pointer other than ->"),
    Bad("array in a struct", "int32_t sum;", "int32_t sum[2];", "array in a struct", header=True),
    Bad("bit-field", "uint8_t ticks;", "uint8_t ticks : 4;", "bit-field", header=True),
    Bad("union", "typedef struct {\n    int32_t sum;", "typedef union {\n    int32_t sum;", "union", header=True),
    Bad("enumeration", "static const int32_t curve", "enum { LOW = 3 };\nstatic const int32_t curve", "enumeration"),
    Bad("function pointer", "static const int32_t curve", "static int32_t (*hook)(int32_t);\nstatic const int32_t curve", "pointer"),
    Bad(
        "call through a pointer",
        "const int32_t error = wanted",
        "const int32_t error = (*bend)(curve, 1) + wanted",
        "call through an expression",
    ),
    Bad(
        "recursion",
        "    if (x < low) {\n",
        "    if (x < 0) {\n        return clamp_32(x, low, high);\n    }\n    if (x < low) {\n",
        "recursion",
    ),
    Bad(
        "variable number of arguments",
        "bend(const int32_t *knots, int32_t position)",
        "bend(const int32_t *knots, int32_t position, ...)",
        "variable",
    ),
    Bad(
        "old-style parameters",
        "static inline int32_t bend(const int32_t *knots, int32_t position)\n{",
        "static int32_t bend(knots, position)\n    const int32_t *knots; int32_t position;\n{",
        "outside the subset",
    ),
    Bad("unknown function", "const int32_t error = wanted", "const int32_t error = abs(wanted)", "does not define"),
    Bad("function that others can call", "static inline int32_t bend", "int32_t bend", "others could call it"),
    Bad(
        "function called before it is declared",
        "static inline int32_t clamp_32",
        "static int32_t early(int32_t x)\n{\n    return late(x);\n}\n"
        "static int32_t late(int32_t x)\n{\n    return x;\n}\nstatic inline int32_t clamp_32",
        "only further down",
    ),
    Bad(
        "unused function",
        "void lamp_init(",
        "static int32_t spare(int32_t x)\n{\n    return x + x;\n}\nvoid lamp_init(",
        "neither an entry nor called",
    ),
    Bad(
        "function that may not return",
        "    return (x > high) ? high : x;\n",
        "    if (x > high) {\n        return high;\n    }\n",
        "without returning",
    ),
    Bad("float constant", "error * (int32_t)", "1.5 * error * (int32_t)", "constant"),
    Bad("double local", "    int32_t shown =", "    double shown =", "floating point"),
    Bad("plain char", "    int32_t shown =", "    char shown =", "type char"),
    Bad("sizeof", "(turned & 15u)", "(turned & sizeof(int32_t))", "sizeof"),
    Bad("compound literal", "state->sum = sum;", "state->sum = (int32_t){3};", "compound literal"),
    Bad("designated initialiser", "curve[5] = {0, 100,", "curve[5] = {[0] = 0, 100,", "designated"),
    Bad("fewer values than the table is long", "curve[5] = {0, 100,", "curve[5] = {100,", "another length"),
    Bad("inline assembly", STEP, STEP + "    __asm__(nop);\n", "does not define"),
    Bad("attribute", "static inline int32_t bend", "__attribute__((noinline)) static int32_t bend", "be parsed"),
    Bad("standard attribute", "void lamp_init(", "[[gnu::pure]] void lamp_init(", "cannot be parsed"),
    Bad("inline without static", "static inline int32_t bend", "inline int32_t bend", "inline without static"),
    Bad(
        "static assertion of a later C",
        "static const int32_t curve",
        "_Static_assert(1, 1);\nstatic const int32_t curve",
        "cannot be parsed",
    ),
    Bad("binary constant", "(turned & 15u)", "(turned & 0b1111u)", "no integer constant of C99"),
    Bad("digit separator", "INT32_C(256000)", "INT32_C(256'000)", "string or character"),
    Bad("check at compile time that fails", "((-1 >> 1) == -1) ? 1 : -1", "((-1 >> 1) == 0) ? 1 : -1", "fails under"),
    Bad("inputs written", STEP, STEP + "    inputs->level = 0;\n", "is const"),
    Bad("const local written", STEP, STEP + "    sum = 0;\n", "cannot be assigned"),
    Bad("member of another name", "state->sum = sum;", "state->total = sum;", "no number total"),
    Bad("statement without an effect", STEP, STEP + "    shown;\n", "without an effect"),
    Bad(
        "step with another parameter list",
        "void lamp_step(lamp_state *state, const lamp_inputs *inputs, lamp_outputs *outputs)\n{\n    /*",
        "void lamp_step(lamp_state *state, lamp_inputs *inputs, lamp_outputs *outputs)\n{\n    /*",
        "pointer to const",
    ),
    Bad("member with another type than claimed", "int32_t sum;", "int16_t sum;", "has type int16_t", header=True),
    Bad("member that the contract lacks", "int32_t sum;", "int32_t sum;\n    int32_t spare;", "differ in spare", header=True),
    Bad(
        "two structs of one kind",
        "void lamp_init(lamp_state *state)\n{",
        "void lamp_init(lamp_outputs *state)\n{",
        "text and contract differ",
    ),
    Bad("header without a guard", "#ifndef LAMP_H\n", "", "include guard", header=True),
    Bad("guard that asks for another name", "#define LAMP_H\n", "#define LAMP_HH\n", "include guard", header=True),
    Bad("nested block hides a macro constant", "    int32_t shown =", "    int32_t LAMP_LIMIT = 3;\n    int32_t shown =", "be parsed"),
    Bad("pointer argument that is no table", "bend(curve, clamp_32(", "bend(state, clamp_32(", "no constant table"),
    Bad("string after an include", '#include "lamp.h"', '#include "lamp.h" "', "exactly once"),
)

FAILED = (
    Bad("product overflows", "error * (int32_t)state->gains.gain", "error * (int32_t)state->gains.gain * 100000", "product fits int32_t"),
    Bad("sum overflows", "state->sum + error", "state->sum + INT32_C(2147483647) + error", "sum fits int32_t"),
    Bad("difference overflows", "wanted - (state->sum >> 8)", "wanted - INT32_C(2147483647) - 9 - (state->sum >> 8)", "difference fits"),
    Bad("negation overflows", "wanted - (state->sum >> 8)", "wanted - (-(-INT32_C(2147483647) - 1))", "negation fits"),
    Bad("shift count too large", "(state->sum >> 8)", "(state->sum >> 32)", "shift count"),
    Bad("negative number shifted left", "error * (int32_t)state->gains.gain", "(error << 2)", "shifted left is not negative"),
    Bad("bit shifted out", "(state->sum >> 8);", "(state->sum << 14);", "left shift fits"),
    Bad("narrowing cast", "outputs->drive = (int16_t)shown;", "outputs->drive = (int8_t)shown;", "cast keeps its value in int8_t"),
    Bad(
        "narrowing without a cast",
        "outputs->drive = (int16_t)shown;",
        "outputs->drive = (int16_t)0;\n    state->ticks = sum;",
        "assignment keeps its value in uint8_t",
    ),
    Bad(
        "negative number becomes unsigned",
        "int32_t shown = bend",
        "uint32_t odd = error;\n    (void)odd;\n    int32_t shown = bend",
        "keeps its value in uint32_t",
    ),
    Bad("comparison of signed with unsigned", "inputs->on && shown > 0", "inputs->on && error > 1uL", "comparison keeps its value"),
    Bad("division by zero", "(state->sum >> 8);", "(state->sum / (int32_t)inputs->counter);", "divisor is not zero"),
    Bad("quotient overflows", "(state->sum >> 8);", "((-INT32_C(2147483647) - 1) / -1);", "quotient fits"),
    Bad("index without its limit", "((position >> 8) < 3) ? (position >> 8) : 3", "(position >> 7)", "index stays inside"),
    Bad("index beyond the table", "knots[index + 1]", "knots[index + 2]", "index stays inside"),
    Bad("negative index", "knots[index + 1]", "knots[index - 1]", "index stays inside"),
    Bad(
        "read before it is written", "    int32_t shown = bend(", "    int32_t lost;\n    int32_t shown = lost + bend(", "before it is read"
    ),
    Bad(
        "written on one path only",
        "    if (!inputs->on) {\n        shown = 0;",
        "    int32_t lost;\n    if (!inputs->on) {\n        shown = lost;",
        "before it is read",
    ),
    Bad("output read before it is written", "    int32_t shown = bend(", "    int32_t shown = outputs->drive + bend(", "before it is read"),
    Bad(
        "output not written on every path",
        "    outputs->drive = (int16_t)shown;",
        "    if (shown > 3) {\n        outputs->drive = (int16_t)shown;\n    }",
        "output stays in its range",
    ),
    Bad("memory leaves its box", ", 0, INT32_C(256000));", ", 0, INT32_C(256001));", "memory stays in its box"),
    Bad("counter leaves its box", "state->ticks >= 9u", "state->ticks >= 10u", "memory stays in its box"),
    Bad("output leaves its range", "{0, 100, 300, 700, 1000}", "{0, 100, 300, 700, 2000}", "output stays in its range"),
    Bad("gain leaves its box", "INT32_C(1), INT32_C(200)", "INT32_C(0), INT32_C(200)", "memory stays in its box"),
    Bad("gain not held", "(int16_t)clamp_32((int32_t)gains->gain, INT32_C(1), INT32_C(200))", "gains->gain", "memory stays in its box"),
    Bad(
        "start outside the box",
        "state->ticks = 0u;\n    state->gains",
        "state->ticks = 10u;\n    state->gains",
        "start value lies in its box",
    ),
    Bad("start not written", "    state->sum = 0;\n", "", "start value"),
    Bad("start other than claimed", "state->gains.gain = 64;", "state->gains.gain = 65;", "start value is the contract's"),
    Bad("argument does not fit", "bend(curve, clamp_32(sum", "bend(curve, clamp_32((int64_t)sum * 100000000", "argument keeps its value"),
    Bad("limits of the clamp crossed", "return (x > high) ? high : x;", "return (x > low) ? x : high;", "memory stays in its box"),
    Bad("bitwise on a negative number", "error * (int32_t)state->gains.gain", "(error & 255)", "bitwise operand"),
)
