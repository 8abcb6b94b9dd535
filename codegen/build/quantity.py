"""One number of the build file with the interval it is known to lie in.

Takes a plain TOML number or ``{ value = , low = , high = }``, gives a `Quantity`. Knows no units: they are in
the keys.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from codegen.tomlfile import nearest, refusal, show

_MEMBERS = ("value", "low", "high")
_FORM = "write a plain number or { value = , low = , high = }"


@dataclass(frozen=True)
class Quantity:
    """A number and its interval, low <= value <= high, all in the unit that the key names."""

    value: float
    low: float
    high: float

    @classmethod
    def exact(cls, value: float) -> Quantity:
        """The number without any spread."""
        return cls(value, value, value)


@dataclass(frozen=True)
class Allowed:
    """Bounds that a number of the build file (both ends of its interval included) must keep.

    Attributes:
        above: Must be greater than this, if given.
        least: Must be at least this, if given.
        most: Must be at most this.
        whole: Must be a whole number. Such a number counts something, so it is exact: an interval with any
            width is refused.
    """

    most: float
    above: float | None = None
    least: float | None = None
    whole: bool = False

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The schema library's hook: the whole reading of a number is `read`."""
        return core_schema.no_info_plain_validator_function(self.read)

    def read(self, raw: object) -> Quantity:
        """Return the quantity that `raw` (a TOML number or inline table) stands for.

        Raises:
            PydanticCustomError: No number, not finite, outside the bounds, or a malformed interval.
        """
        if not isinstance(raw, Mapping):
            return Quantity.exact(self._number(raw, ""))
        for key in raw:
            if key not in _MEMBERS:
                guess = nearest(str(key), _MEMBERS)
                raise refusal(
                    "unknown key in an interval", f"did you mean {guess}?" if guess else _FORM, str(key)
                )
        missing = [key for key in _MEMBERS if key not in raw]
        if missing:
            raise refusal(f"the interval lacks {' and '.join(missing)}", _FORM)
        value, low, high = (self._number(raw[key], key) for key in _MEMBERS)
        if not low <= value <= high:
            raise refusal(
                f"the interval is out of order: low {low:g}, value {value:g}, high {high:g}",
                "give numbers with low <= value <= high",
            )
        if self.whole and low != high:
            raise refusal("this number counts something and cannot have an interval", "give one whole number")
        return Quantity(value, low, high)

    def _number(self, raw: object, key: str) -> float:
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            quoted = isinstance(raw, str) and _looks_like_number(raw)
            remedy = "write the number without quotes" if quoted else _FORM
            raise refusal(f"{show(raw)} stands where a number is asked for", remedy, key)
        try:
            number = float(raw)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise refusal(f"{show(raw)} is not a finite number", f"give a number that is {self.words()}", key)
        if self.whole and not number.is_integer():
            raise refusal(f"{show(raw)} is not a whole number", f"give a number that is {self.words()}", key)
        too_low = (self.above is not None and number <= self.above) or (
            self.least is not None and number < self.least
        )
        if too_low or number > self.most:
            remedy = f"give a number that is {self.words()}, in the unit that the key ends with"
            raise refusal(f"{show(raw)} is outside the allowed range", remedy, key)
        return number

    def words(self) -> str:
        """The bounds as they stand in a message."""
        lower = f"more than {self.above:g}" if self.above is not None else f"at least {self.least:g}"
        return f"{'whole, ' if self.whole else ''}{lower} and at most {self.most:.10g}"


def _looks_like_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
