"""The outer shape of a controller in C: names and types of its functions, structs and members, and glue text that drives it.

Takes nothing of what the controller computes; gives ``Shape`` (emitted and hand-written controllers alike have one) and the host-only
C that copies numbers between arrays and the structs, flips bits between ticks, and runs two controllers in turn.
"""

from __future__ import annotations

from dataclasses import dataclass

from codegen.rules.fixed import FixedGraph

WIDTHS = {
    "bool": 8,
    "int8_t": 8,
    "uint8_t": 8,
    "int16_t": 16,
    "uint16_t": 16,
    "int32_t": 32,
    "uint32_t": 32,
    "int64_t": 64,
}


@dataclass(frozen=True)
class Port:
    """A struct member.

    Attributes:
        name: Member, as C writes it (``integral``, ``history[3]``).
        ctype: Its C type.
        low: Least legal raw value.
        high: Greatest legal raw value.
        role: What it is for where checks must know (arm, armed, tripped, ...), else "".
        unit: Unit of the real value.
        per_count: Real value of one count.
    """

    name: str
    ctype: str
    low: int
    high: int
    role: str = ""
    unit: str = ""
    per_count: float = 1.0

    @property
    def bits(self) -> int:
        """Bits that the member takes in memory."""
        return WIDTHS[self.ctype]

    @property
    def type_low(self) -> int:
        """Least value of the C type."""
        return 0 if self.ctype == "bool" or self.ctype.startswith("u") else -(1 << (self.bits - 1))

    @property
    def type_high(self) -> int:
        """Greatest value of the C type."""
        if self.ctype == "bool":
            return 1
        return (1 << self.bits) - 1 if self.ctype.startswith("u") else (1 << (self.bits - 1)) - 1


@dataclass(frozen=True)
class Shape:
    """A controller as its header shows it.

    Attributes:
        name: Prefix of the glue's functions.
        header: File name to include.
        state_type, inputs_type, outputs_type: Struct types.
        init: ``void init(state *)``.
        step: ``void step(state *, const inputs *, outputs *)``.
        inputs, outputs, memory, gains: Members in the order of the batch arrays.
        gains_type: Struct type of the live gains, "" without any.
        set_gains: Their setter, likewise.
        slow_every: Ticks per run of the slow section; 1 if there is none.
        period_s: Tick period.
    """

    name: str
    header: str
    state_type: str
    inputs_type: str
    outputs_type: str
    init: str
    step: str
    inputs: tuple[Port, ...]
    outputs: tuple[Port, ...]
    memory: tuple[Port, ...]
    gains: tuple[Port, ...] = ()
    gains_type: str = ""
    set_gains: str = ""
    slow_every: int = 1
    period_s: float = 1.0


def counter_type(slow_every: int) -> str:
    """C type of the slow section's counter."""
    return "uint8_t" if slow_every <= 2**8 else "uint16_t" if slow_every <= 2**16 else "uint32_t"


def shape_of(name: str, fixed: FixedGraph) -> Shape:
    """Shape of an emitted controller."""
    graph = fixed.graph

    def port(member: str) -> Port:
        proven = fixed.formats[member]
        return Port(member, proven.ctype, proven.low, proven.high, "", graph.nodes[member].unit, float(proven.lsb))

    memory = [port(delay.name) for delay in graph.delays]
    for node in graph.sums:
        low, high = fixed.partial_sum_range(node)
        memory.append(Port(node.name, fixed.formats[node.name].ctype, low, high, "", node.unit, float(fixed.formats[node.name].lsb)))
    if graph.slow_every > 1:
        memory.append(Port("slow_count", counter_type(graph.slow_every), 0, graph.slow_every - 1, "slow_count"))
    shown = [
        Port(
            output.name,
            output.ctype,
            fixed.formats[output.signal].low,
            fixed.formats[output.signal].high,
            output.quantity,
            graph.nodes[output.signal].unit,
            float(fixed.formats[output.signal].lsb),
        )
        for output in graph.outputs
    ]
    return Shape(
        name=name,
        header=f"{name}.h",
        state_type=f"{name}_state",
        inputs_type=f"{name}_inputs",
        outputs_type=f"{name}_outputs",
        init=f"{name}_init",
        step=f"{name}_step",
        inputs=tuple(Port(n.name, n.ctype, n.low, n.high, n.quantity, n.unit, n.per_count) for n in graph.inputs),
        outputs=tuple(shown),
        memory=tuple(memory),
        gains=tuple(port(parameter.name) for parameter in graph.parameters),
        gains_type=f"{name}_gains" if graph.parameters else "",
        set_gains=f"{name}_set_gains" if graph.parameters else "",
        slow_every=graph.slow_every,
        period_s=graph.period_s,
    )


DECLARATIONS = """
int64_t NAME_host_state_size(void);
void NAME_host_begin(void *context);
void NAME_host_start(int64_t lanes, int64_t *memory);
void NAME_host_run(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *gains,
                   int64_t *outputs, int64_t *trace);
void NAME_host_fly(void *context, const int32_t *inputs, int32_t *outputs);
void NAME_host_upset(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *flips,
                     int64_t *outputs, int64_t *trace);
void NAME_host_pair(int64_t ticks, int32_t dirt, int64_t rounds, const int64_t *first, const int64_t *second, int64_t *outputs);
"""


def assign(target: str, ctype: str, value: str) -> str:
    """Statement that gives a member a number."""
    return f"    {target} = {value} != 0;" if ctype == "bool" else f"    {target} = ({ctype}){value};"


def glue(shape: Shape) -> str:
    """Host-only C that copies between arrays and the controller's structs."""
    name = shape.name
    width = len(shape.outputs) + len(shape.memory)
    state, inputs, outputs = shape.state_type, shape.inputs_type, shape.outputs_type
    unused = ["    (void)s; (void)memory; (void)lanes; (void)lane;"]
    load = [assign(f"s->{m.name}", m.ctype, f"memory[{i} * lanes + lane]") for i, m in enumerate(shape.memory)]
    store = [f"    memory[{i} * lanes + lane] = (int64_t)s->{m.name};" for i, m in enumerate(shape.memory)]
    read = [assign(f"in->{n.name}", n.ctype, f"values[{i} * lanes + lane]") for i, n in enumerate(shape.inputs)]
    fly_read = [assign(f"in.{n.name}", n.ctype, f"inputs[{i}]") for i, n in enumerate(shape.inputs)]
    show = [f"    values[{i} * lanes + lane] = (int64_t)out->{o.name};" for i, o in enumerate(shape.outputs)]
    fly_show = [f"    outputs[{i}] = (int32_t)out.{o.name};" for i, o in enumerate(shape.outputs)]
    setting = ["        (void)values;"]
    if shape.gains:
        gains = [f"            gains.{p.name} = ({p.ctype})values[{i} * lanes + lane];" for i, p in enumerate(shape.gains)]
        setting = ["        if (values != 0) {", f"            {shape.gains_type} gains;", *gains]
        setting += [f"            {shape.set_gains}(&s, &gains);", "        }"]
    places = [f"    case {i}: return (unsigned char *)&s->{m.name};" for i, m in enumerate(shape.memory)]
    prototypes = DECLARATIONS.replace("NAME", name).strip().splitlines()
    lines = [
        f'#include "{shape.header}"',
        "#include <string.h>",
        *prototypes,
        f"static void load({state} *s, const int64_t *memory, int64_t lanes, int64_t lane)",
        *["{", *(load or unused), "}"],
        f"static void store(const {state} *s, int64_t *memory, int64_t lanes, int64_t lane)",
        *["{", *(store or unused), "}"],
        f"static void take({inputs} *in, const int64_t *values, int64_t lanes, int64_t lane)",
        *["{", *read, "}"],
        f"static void show(const {outputs} *out, int64_t *values, int64_t lanes, int64_t lane)",
        *["{", *show, "}"],
        f"int64_t {name}_host_state_size(void) {{ return (int64_t)sizeof({state}); }}",
        f"void {name}_host_begin(void *context) {{ {shape.init}(({state} *)context); }}",
        f"void {name}_host_start(int64_t lanes, int64_t *memory)",
        "{",
        f"    {state} s;",
        f"    {shape.init}(&s);",
        "    for (int64_t lane = 0; lane < lanes; lane++) { store(&s, memory, lanes, lane); }",
        "}",
        f"void {name}_host_run(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *values,",
        "    int64_t *outputs, int64_t *trace)",
        "{",
        "    for (int64_t lane = 0; lane < lanes; lane++) {",
        f"        {state} s;",
        f"        {shape.init}(&s);",
        "        load(&s, memory, lanes, lane);",
        *setting,
        "        for (int64_t tick = 0; tick < ticks; tick++) {",
        f"            {inputs} in;",
        f"            {outputs} out;",
        f"            take(&in, inputs + tick * {len(shape.inputs)} * lanes, lanes, lane);",
        f"            {shape.step}(&s, &in, &out);",
        f"            show(&out, outputs + tick * {len(shape.outputs)} * lanes, lanes, lane);",
        f"            if (trace != 0) {{ store(&s, trace + tick * {len(shape.memory)} * lanes, lanes, lane); }}",
        "        }",
        "        store(&s, memory, lanes, lane);",
        "    }",
        "}",
        f"void {name}_host_fly(void *context, const int32_t *inputs, int32_t *outputs)",
        "{",
        f"    {inputs} in;",
        f"    {outputs} out;",
        *fly_read,
        f"    {shape.step}(({state} *)context, &in, &out);",
        *fly_show,
        "}",
        f"static unsigned char *place({state} *s, int64_t member)",
        "{",
        "    switch (member) {",
        *places,
        "    default: return (unsigned char *)s;",
        "    }",
        "}",
        # A flip changes the bytes behind the compiler's back, as it does in the machine; one flip per lane.
        f"void {name}_host_upset(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *flips,",
        "    int64_t *outputs, int64_t *trace)",
        "{",
        "    for (int64_t lane = 0; lane < lanes; lane++) {",
        f"        {state} s;",
        "        const int64_t when = flips[lane];",
        "        const int64_t member = flips[lanes + lane];",
        "        const int64_t bit = flips[2 * lanes + lane];",
        f"        {shape.init}(&s);",
        "        load(&s, memory, lanes, lane);",
        "        for (int64_t tick = 0; tick < ticks; tick++) {",
        f"            {inputs} in;",
        f"            {outputs} out;",
        "            if (tick == when && member >= 0) {",
        "                volatile unsigned char *byte = place(&s, member) + bit / 8;",
        "                *byte = (unsigned char)(*byte ^ (1u << (bit % 8)));",
        "            }",
        f"            take(&in, inputs + tick * {len(shape.inputs)} * lanes, lanes, lane);",
        f"            {shape.step}(&s, &in, &out);",
        f"            show(&out, outputs + tick * {len(shape.outputs)} * lanes, lanes, lane);",
        f"            if (trace != 0) {{ store(&s, trace + tick * {len(shape.memory)} * lanes, lanes, lane); }}",
        "        }",
        "        store(&s, memory, lanes, lane);",
        "    }",
        "}",
        # Two controllers in turn, each started `rounds` times over memory full of dirt; outputs and memory of both, side by side.
        f"void {name}_host_pair(int64_t ticks, int32_t dirt, int64_t rounds, const int64_t *first, const int64_t *second,",
        "    int64_t *outputs)",
        "{",
        f"    {state} a;",
        f"    {state} b;",
        "    memset(&a, dirt, sizeof a);",
        "    memset(&b, dirt, sizeof b);",
        "    for (int64_t turn = 0; turn < rounds; turn++) {",
        f"    {shape.init}(&a);",
        f"    {shape.init}(&b);",
        "    for (int64_t tick = 0; tick < ticks; tick++) {",
        f"        {inputs} in;",
        f"        {outputs} out;",
        f"        take(&in, first + tick * {len(shape.inputs)}, 1, 0);",
        f"        {shape.step}(&a, &in, &out);",
        f"        show(&out, outputs + tick * {2 * width}, 1, 0);",
        f"        store(&a, outputs + tick * {2 * width} + {len(shape.outputs)}, 1, 0);",
        f"        take(&in, second + tick * {len(shape.inputs)}, 1, 0);",
        f"        {shape.step}(&b, &in, &out);",
        f"        show(&out, outputs + tick * {2 * width} + {width}, 1, 0);",
        f"        store(&b, outputs + tick * {2 * width} + {width + len(shape.outputs)}, 1, 0);",
        "    }",
        "    }",
        "}",
        "",
    ]
    return "\n".join(lines)
