"""Measured numbers put into the text of a build file; comments, order and layout stay as they are.

Takes text and parameters, gives text. Values are written as ``{ value = , low = , high = }`` with as many digits as their interval is
worth, the interval rounded outward.
"""

from __future__ import annotations

import math
from collections.abc import MutableMapping, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import Any

import tomlkit

from codegen.bench.adjust import Parameter

# Of the half-width: what rounding may move.
ROUNDING_SHARE = 0.02
MOST_DIGITS, FEWEST_DIGITS = 8, 4


def put_parameters(text: str, parameters: Sequence[Parameter]) -> str:
    """Return the build file ``text`` with the parameters in place; a key that is absent is added to the end of its table."""
    document = tomlkit.parse(text)
    for parameter in parameters:
        table: MutableMapping[str, Any] = document
        for name in parameter.table.split("."):
            table = table[name]
        table[parameter.key] = tomlkit.value(_inline(parameter))
    return tomlkit.dumps(document)


def _inline(parameter: Parameter) -> str:
    if parameter.low == parameter.high:
        return number_text(parameter.value, abs(parameter.value) * 1e-6)
    step = ROUNDING_SHARE * 0.5 * (parameter.high - parameter.low)
    value = number_text(parameter.value, step)
    low = number_text(parameter.low, step, ROUND_FLOOR)
    high = number_text(parameter.high, step, ROUND_CEILING)
    return f"{{ value = {value}, low = {low}, high = {high} }}"


def number_text(value: float, step: float, rounding: str = ROUND_HALF_EVEN) -> str:
    """``value`` in TOML to about ``step``: plain if it is neither large nor small, else with an exponent."""
    if value == 0.0:
        return "0.0"
    size = math.floor(math.log10(abs(value)))
    digits = size - math.floor(math.log10(step)) + 1 if step > 0 else MOST_DIGITS
    digits = min(max(digits, FEWEST_DIGITS), MOST_DIGITS)
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(size - digits + 1), rounding=rounding)
    if rounded == 0:
        return "0.0"
    if -4 < size < 6:
        plain = f"{rounded:f}"
        return (plain.rstrip("0") + ("0" if plain.rstrip("0").endswith(".") else "")) if "." in plain else f"{plain}.0"
    mantissa, exponent = f"{rounded:.{digits - 1}e}".split("e")
    mantissa = mantissa.rstrip("0") + ("0" if mantissa.rstrip("0").endswith(".") else "")
    return f"{mantissa}e{int(exponent)}"
