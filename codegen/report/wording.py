"""Numbers and units as people read them.

Takes floats and integers, gives short texts.  Never a bare ``nan`` or ``inf``: where a number has no end or was never reached, the
text says so.
"""

from __future__ import annotations

import math

from codegen.emit.comments import CAUTIONS, OWNERSHIP

MINUS, TIMES, NARROW_SPACE = "\u2212", "\u00d7", "\u202f"
ENDLESS, NEVER = "no limit", "never"
DASH = "\u2013"
_RAISED = str.maketrans(f"{MINUS}0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_PLAIN_FROM, _GROUPED_FROM, _PLAIN_TO = 1e-3, 1e4, 1e5

CAUTION_TEXT = " ".join(" ".join(CAUTIONS).split())
OWNERSHIP_TEXT = OWNERSHIP.replace("This file belongs", "The emitted C belongs")


def figure(value: float, digits: int = 3, endless: str = ENDLESS) -> str:
    """``value`` with so many significant digits, large and small ones as a product with a power of ten."""
    if math.isnan(value):
        return NEVER
    if math.isinf(value):
        return endless
    if value == 0.0:
        return "0"
    size = abs(value)
    sign = MINUS if value < 0.0 else ""
    if _PLAIN_FROM <= size < _PLAIN_TO:
        return sign + _shortest(size, digits - 1 - math.floor(math.log10(size)))
    mantissa, exponent = f"{size:.{digits - 1}e}".split("e")
    power = str(int(exponent)).replace("-", MINUS).translate(_RAISED)
    return f"{sign}{_trimmed(mantissa)}{NARROW_SPACE}{TIMES}{NARROW_SPACE}10{power}"


def fixed_point(value: float, decimals: int) -> str:
    """``value`` with so many decimals, for columns that are compared line by line."""
    return f"{value:.{decimals}f}".replace("-", MINUS) if math.isfinite(value) else figure(value)


def _shortest(size: float, decimals: int) -> str:
    text = _trimmed(f"{size:.{max(0, decimals)}f}")
    return text if size < _GROUPED_FROM else f"{whole(int(text.split('.')[0]))}{text[text.index('.') :] if '.' in text else ''}"


def _trimmed(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text


def whole(value: int) -> str:
    """An integer in groups of three digits."""
    return f"{value:,}".replace(",", NARROW_SPACE).replace("-", MINUS)


def with_unit(value: float, unit: str, digits: int = 3, endless: str = ENDLESS) -> str:
    """The figure followed by its unit; a unit of ``1`` or none is left out, and so is that of a figure without end."""
    text = figure(value, digits, endless)
    return text if unit in ("", "1") or not math.isfinite(value) else f"{text} {unit}"


def span(low: float, high: float) -> str:
    """``low ... high``, a single figure where both are the same."""
    if low == high:
        return figure(low)
    return f"{figure(low)} … {figure(high)}"


def percent(share: float, digits: int = 3) -> str:
    """A share as per cent."""
    return f"{figure(100.0 * share, digits)}{NARROW_SPACE}%"


def plural(count: int, one: str, many: str = "") -> str:
    """``3 ticks``, ``1 tick``."""
    return f"{whole(count)} {one if count == 1 else many or one + 's'}"
