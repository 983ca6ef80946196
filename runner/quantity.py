"""Quantities as an engineer writes them: "20 mV", "0.05 % + 10 mV", "0 V .. 24 V", "9.5 V ± 3 %".

Numbers and prefixes are read by quantiphy; this module adds the three compound forms that
profiles use. Everything is kept in SI units without prefix.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

__all__ = [
    "Limit",
    "Span",
    "Tolerance",
    "format_quantity",
    "parse_limit",
    "parse_quantity",
    "parse_span",
    "parse_tolerance",
]

_UNIT_WORDS = {"Ohm": "Ω", "ohm": "Ω", "Ohms": "Ω", "ohms": "Ω", "Ω": "Ω"}
_PERCENT = re.compile(r"^\s*([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(%|ppm)\s*$")


@dataclass(frozen=True, slots=True)
class Span:
    """From ``low`` to ``high``, both in ``unit``."""

    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class Limit:
    """A two-part limit: ``relative`` of the value (a fraction) plus ``absolute`` in ``unit``."""

    relative: float
    absolute: float
    unit: str

    def at(self, value: float) -> float:
        """Half-width of the limit at this value: ``relative·|value| + absolute``, in unit."""
        return self.relative * abs(value) + self.absolute


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A nominal value and the half-width allowed about it, both in ``unit``."""

    nominal: float
    half_width: float
    unit: str

    @property
    def low(self) -> float:
        """Lower edge."""
        return self.nominal - self.half_width

    @property
    def high(self) -> float:
        """Upper edge."""
        return self.nominal + self.half_width


@lru_cache(maxsize=1024)
def parse_quantity(text: str, unit: str) -> float:
    """Read "20 mV" as 0.02 for unit "V".

    :raises ValueError: not a finite number with an SI prefix and exactly this unit
    """
    from quantiphy import Quantity

    try:
        found = Quantity(text.strip().replace("−", "-"))
    except Exception as error:
        raise ValueError(f"expected a number with unit {unit}, found {text!r}") from error
    units = _UNIT_WORDS.get(found.units, found.units)
    if units != unit:
        said = f"unit {units!r}" if units else "no unit"
        raise ValueError(f"expected a number with unit {unit}, found {said} in {text!r}")
    value = float(found)
    if not math.isfinite(value):
        raise ValueError(f"expected a finite number with unit {unit}, found {text!r}")
    return value


def parse_span(text: str, unit: str) -> Span:
    """Read "0 V .. 24 V".

    :raises ValueError: not two quantities joined by ``..``, or the first is not the smaller
    """
    parts = text.split("..")
    if len(parts) != 2:
        raise ValueError(f"expected a span such as '0 {unit} .. 24 {unit}', found {text!r}")
    low, high = (parse_quantity(part, unit) for part in parts)
    if not low < high:
        raise ValueError(f"expected the lower end first in a span, found {text!r}")
    return Span(low, high, unit)


def parse_limit(text: str, unit: str) -> Limit:
    """Read "0.05 % + 10 mV", "20 mV", "1 %" or "80 ppm + 1 mV".

    :raises ValueError: a part is neither a percentage (or ppm) nor a quantity, or is negative
    """
    relative = absolute = 0.0
    for part in text.split("+"):
        share = _PERCENT.match(part)
        if share:
            relative += float(share[1]) * (1e-2 if share[2] == "%" else 1e-6)
        else:
            absolute += parse_quantity(part, unit)
    if relative < 0 or absolute < 0:
        raise ValueError(f"expected a limit that is not negative, found {text!r}")
    return Limit(relative, absolute, unit)


def parse_tolerance(text: str, unit: str) -> Tolerance:
    """Read "9.5 V ± 0.5 V", "9.5 V ± 3 %" or "9.5 V +- 0.5 V".

    :raises ValueError: no nominal value, or no tolerance after it
    """
    parts = re.split(r"±|\+/?-", text)
    if len(parts) != 2:
        raise ValueError(f"expected a nominal value ± a tolerance, found {text!r}")
    nominal = parse_quantity(parts[0], unit)
    return Tolerance(nominal, parse_limit(parts[1], unit).at(nominal), unit)


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """Write 0.0123 V as "12.3 mV"; units that take no prefix (°C, %, dB, K) stay as they are."""
    from quantiphy import Quantity

    if not math.isfinite(value):
        return f"{value} {unit}"
    if unit in {"", "%", "°C", "dB", "K"}:
        return f"{value:.{digits}g} {unit}".strip()
    return str(Quantity(value, unit).render(prec=digits - 1, strip_zeros=True))
