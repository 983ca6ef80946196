"""Values as they are printed on parts: letter codes and digit codes of IEC 60062.

``4K7`` is 4.7 kΩ, ``R47`` 0.47 Ω, ``2n2`` 2.2 nF, ``104K`` on a capacitor 100 nF ±10 %. The
letter K stands for kilo inside a resistor's code and for 10 % behind a capacitor's, so the kind
of part must be known.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from runner.quantity import parse_quantity

__all__ = ["CLASSES", "Kind", "Marking", "kind_of", "read_marking"]

Kind = Literal["resistor", "capacitor"]
CLASSES = ("X1", "X2", "X3", "Y1", "Y2", "Y4")
"""Classes of interference suppression capacitors (IEC 60384-14)."""

_SCALE = {
    "resistor": {"R": 1.0, "K": 1e3, "M": 1e6, "G": 1e9, "L": 1e-3},
    "capacitor": {"P": 1e-12, "N": 1e-9, "U": 1e-6, "µ": 1e-6, "M": 1e-3, "F": 1.0},
}
_UNIT = {"resistor": "Ω", "capacitor": "F"}
_DIGIT_UNIT = {"resistor": 1.0, "capacitor": 1e-12}
_SHARES = {
    "B": 0.001,
    "C": 0.0025,
    "D": 0.005,
    "F": 0.01,
    "G": 0.02,
    "J": 0.05,
    "K": 0.10,
    "M": 0.20,
}
_SMALL_PF = {"B": 0.1, "C": 0.25, "D": 0.5}
"""Below 10 pF the first letters are picofarads, not shares (IEC 60062)."""
_LETTER = re.compile(r"^(\d*)([A-Za-zµ])(\d*)([A-Z]?)$")
_DIGITS = {
    "resistor": re.compile(r"^(\d{2,3})(\d)()$"),
    "capacitor": re.compile(r"^(\d\d)(\d)([A-Z]?)$"),
}
_VOLTS = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k?)V(?:AC|DC|~|=)?\b", re.IGNORECASE)
_CLASS = re.compile(r"(?:\b|(?<=[1-4]))([XY][1-4])(?!\d)")


@dataclass(frozen=True, slots=True)
class Marking:
    """What a part says of itself. ``value`` in Ω or F, ``tolerance`` as a share of it."""

    kind: Kind
    value: float
    tolerance: float | None = None
    voltage_v: float | None = None
    classes: tuple[str, ...] = ()


def kind_of(ref: str) -> Kind | None:
    """Return the kind of part by its place in the circuit: R12 a resistor, C3 a capacitor."""
    letters = ref.strip().upper()[:1]
    return {"R": "resistor", "C": "capacitor"}.get(letters)  # type: ignore[return-value]


def read_marking(text: str, kind: Kind) -> Marking:
    """Read what is printed on a part, such as "104K 275 V X2", "4K7 J" or "1000 uF 63 V".

    :raises ValueError: there is no value in it
    """
    plain = text.replace("\N{GREEK SMALL LETTER MU}", "µ").strip()
    classes = tuple(dict.fromkeys(_CLASS.findall(plain.upper())))
    volts = _VOLTS.search(plain)
    rest = _CLASS.sub(" ", _VOLTS.sub(" ", plain)) if volts else _CLASS.sub(" ", plain)
    words = rest.replace("/", " ").split()
    value, tolerance = _value(words, kind, text)
    return Marking(
        kind,
        value,
        tolerance,
        float(volts[1].replace(",", ".")) * (1e3 if volts[2] else 1.0) if volts else None,
        classes,
    )


def _value(words: list[str], kind: Kind, text: str) -> tuple[float, float | None]:
    """First word (or two) that is a value, and the tolerance letter or percentage after it."""
    for number, word in enumerate(words):
        after = " ".join(words[number + 1 :])
        apart = _quantity(f"{word} {words[number + 1]}", kind) if words[number + 1 :] else None
        if apart is not None:
            return apart, _tolerance(" ".join(words[number + 2 :]), apart, kind)
        coded = _digits(word, kind) or _written(word, kind) or _lettered(word, kind)
        if coded is not None:
            return coded[0], _tolerance(coded[1] or after, coded[0], kind)
    raise ValueError(f"expected a value as printed on a {kind}, found {text!r}")


def _quantity(text: str, kind: Kind) -> float | None:
    try:
        return parse_quantity(text, _UNIT[kind])
    except ValueError:
        return None


def _digits(word: str, kind: Kind) -> tuple[float, str] | None:
    """Two or three figures and a power of ten, on capacitors in picofarads."""
    digits = _DIGITS[kind].match(word)
    if digits is None:
        return None
    power = {"8": -2, "9": -1}.get(digits[2], int(digits[2]))
    return float(digits[1]) * 10.0**power * _DIGIT_UNIT[kind], digits[3]


def _written(word: str, kind: Kind) -> tuple[float, str] | None:
    """A number with its unit in one word, such as 100nF."""
    value = _quantity(word, kind)
    return None if value is None else (value, "")


def _lettered(word: str, kind: Kind) -> tuple[float, str] | None:
    """A letter in the place of the decimal point."""
    letter = _LETTER.match(word)
    if letter is None or not (letter[1] or letter[3]):
        return None
    scale = _SCALE[kind].get(letter[2] if letter[2] == "µ" else letter[2].upper())
    if scale is None:
        return None
    return float(f"{letter[1] or 0}.{letter[3] or 0}") * scale, letter[4]


def _tolerance(after: str, value: float, kind: Kind) -> float | None:
    """Share of the value; from a letter, or from "10 %" or "±10 %"."""
    percent = re.search(r"(\d+(?:\.\d+)?)\s*%", after)
    if percent:
        return float(percent[1]) / 100
    letter = re.match(r"\s*([A-Z])\b", after)
    if letter is None:
        return None
    if kind == "capacitor" and value < 10e-12 and letter[1] in _SMALL_PF:
        return _SMALL_PF[letter[1]] * 1e-12 / value
    return _SHARES.get(letter[1])
