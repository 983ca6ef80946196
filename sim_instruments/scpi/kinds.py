"""Parameter types: what data a command takes and how its value is written in an answer.

SCPI-1999 vol. 1, chapter 7 (numeric values with MIN, MAX, DEF; booleans; character data);
IEEE 488.2, 7.7 (suffix multipliers, where M is milli but MOHM and MHZ are mega).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.mnemonic import forms
from sim_instruments.scpi.numeric import nr1, nr3
from sim_instruments.scpi.program import Datum

__all__ = ["Boolean", "Integer", "Kind", "Number", "Text", "Word", "suffix_factor"]

_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "M": 1e-3, "U": 1e-6,
    "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18, "": 1.0,
}  # fmt: skip
_WRONG_TYPE = {"number": -128, "word": -148, "string": -158, "block": -168, "expression": -178}


class Kind(Protocol):
    """How one parameter is read and written."""

    def read(self, datum: Datum) -> object:
        """Turn received data into a value; raise `ScpiError` when it is not legal."""
        ...

    def write(self, value: object) -> str:
        """Write a value as an answer."""
        ...

    def special(self, datum: Datum) -> object | None:
        """Value that `MIN`, `MAX` or `DEF` stands for after a query, or None."""
        ...


def suffix_factor(suffix: str, units: Sequence[str]) -> float:
    """Factor that a unit suffix such as `MV` puts on its number; −131 for a wrong one."""
    for unit in units:
        if suffix.endswith(unit):
            multiplier = suffix[: len(suffix) - len(unit)]
            if multiplier == "M" and unit in ("OHM", "HZ"):
                return 1e6
            if multiplier in _MULTIPLIERS:
                return _MULTIPLIERS[multiplier]
    raise ScpiError(-131)


@dataclass(frozen=True)
class Number:
    """A real with limits in its base unit; `snap` turns a legal wish into a possible value."""

    low: float | Callable[[], float]
    high: float | Callable[[], float]
    default: float
    units: tuple[str, ...] = ()
    snap: Callable[[float], float] | None = None

    def limits(self) -> tuple[float, float]:
        """Lowest and highest value at this moment."""
        low = self.low() if callable(self.low) else self.low
        high = self.high() if callable(self.high) else self.high
        return low, high

    def special(self, datum: Datum) -> float | None:
        """Value of a special word."""
        if datum.kind != "word":
            return None
        low, high = self.limits()
        words = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high,
                 "DEF": self.default, "DEFAULT": self.default}  # fmt: skip
        value = words.get(datum.text)
        return self.snap(value) if self.snap and value is not None else value

    def read(self, datum: Datum) -> float:
        """Turn a number with optional unit, or a special word, into base units."""
        special = self.special(datum)
        if special is not None:
            return special
        value = self._plain(datum)
        low, high = self.limits()
        slack = 1e-9 * max(abs(low), abs(high))
        if not low - slack <= value <= high + slack:
            raise ScpiError(-222)
        return self.snap(value) if self.snap else value

    def _plain(self, datum: Datum) -> float:
        if datum.kind == "word":
            raise ScpiError(-141)
        if datum.kind != "number":
            raise ScpiError(_WRONG_TYPE[datum.kind])
        factor = 1.0
        if datum.suffix:
            if not self.units:
                raise ScpiError(-138)
            factor = suffix_factor(datum.suffix, self.units)
        value = datum.number * factor
        if not math.isfinite(value):
            raise ScpiError(-222)
        return value

    def write(self, value: object) -> str:
        """NR3."""
        return nr3(float(value))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Integer:
    """A whole number; received reals are rounded as 488.2 asks."""

    low: int
    high: int
    default: int = 0

    def special(self, datum: Datum) -> int | None:
        """Value of a special word."""
        value = Number(self.low, self.high, self.default).special(datum)
        return None if value is None else int(value)

    def read(self, datum: Datum) -> int:
        """Round to the nearest whole number within the limits."""
        value = Number(-math.inf, math.inf, self.default).special(datum)
        if value is not None and math.isinf(value):
            return self.low if value < 0 else self.high
        number = value if value is not None else Number(-1e300, 1e300, 0.0).read(datum)
        whole = math.floor(number + 0.5)
        if not self.low <= whole <= self.high:
            raise ScpiError(-222)
        return whole

    def write(self, value: object) -> str:
        """NR1."""
        return nr1(int(value))  # type: ignore[call-overload]


@dataclass(frozen=True)
class Boolean:
    """`ON`, `OFF` or a number, not zero being on."""

    def special(self, datum: Datum) -> None:
        """Booleans have no limits to ask for."""

    def read(self, datum: Datum) -> bool:
        """Turn the datum into a truth."""
        if datum.kind == "word":
            if datum.text in ("ON", "OFF"):
                return datum.text == "ON"
            raise ScpiError(-141)
        if datum.kind != "number":
            raise ScpiError(_WRONG_TYPE[datum.kind])
        if datum.suffix:
            raise ScpiError(-138)
        return math.floor(min(abs(datum.number), 1e9) + 0.5) != 0

    def write(self, value: object) -> str:
        """`1` or `0`."""
        return "1" if value else "0"


class Word:
    """One of several words, each written as `IMMediate`; values are their short forms."""

    def __init__(self, *words: str) -> None:
        self.words = words
        self._by_form = {form: self._short(word) for word in words for form in forms(word)}

    @staticmethod
    def _short(word: str) -> str:
        return "".join(ch for ch in word if not ch.islower())

    def special(self, datum: Datum) -> None:
        """Words have no limits to ask for."""

    def read(self, datum: Datum) -> str:
        """Return the short form of a legal word."""
        if datum.kind != "word":
            raise ScpiError(_WRONG_TYPE[datum.kind])
        if datum.text not in self._by_form:
            raise ScpiError(-141)
        return self._by_form[datum.text]

    def write(self, value: object) -> str:
        """Write the short form."""
        return str(value)


class Text:
    """A quoted string out of a table (upper case, long or short keywords as listed)."""

    def __init__(self, table: dict[str, str]) -> None:
        self.table = table

    def special(self, datum: Datum) -> None:
        """Strings have no limits to ask for."""

    def read(self, datum: Datum) -> str:
        """Return the value that the table gives for the text."""
        if datum.kind != "string":
            raise ScpiError(_WRONG_TYPE[datum.kind])
        value = self.table.get(datum.text.upper().strip())
        if value is None:
            raise ScpiError(-224)
        return value

    def write(self, value: object) -> str:
        """Write it in double quotes."""
        return f'"{value}"'
