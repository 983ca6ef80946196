"""Replies as values: the whole text must be the value, or there is no value.

Nothing is salvaged from the middle of a text. Sentinels: ±9.9E37 is infinity (overload) and
9.91E37 is "not a number" in SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5; everything at or above
9.0E37 is taken as one of them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["ErrorEntry", "Number", "clean", "parse_bool", "parse_error", "parse_number"]

SENTINEL = 9.0e37
_NRF = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s+\-.][^\s]*)?")
_PREFIX = {
    "": 1.0,
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "µ": 1e-6,
    "m": 1e-3,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
}
_UNIT_WORDS = {
    "V": ("V", "VDC", "VAC", "Vrms", "volt", "volts"),
    "A": ("A", "ADC", "AAC", "amp", "amps"),
    "W": ("W",),
    "VA": ("VA",),
    "Ω": ("Ω", "OHM", "Ohm", "ohm", "ohms"),
    "Hz": ("Hz", "HZ"),
    "s": ("s", "S", "SECS"),
    "Sa/s": ("Sa/s",),
    "°C": ("°C", "C", "degC"),
    "%": ("%",),
    "x": ("X", "x"),
}
_OVERLOAD = re.compile(r"[+-]?(overload|ovld|ovl|ol|inf|infinity)", re.IGNORECASE)
_NOTHING = re.compile(r"-{2,}|\*{2,}|nan|none|undef", re.IGNORECASE)
_PADDING = "\0\r\n\t "


@dataclass(frozen=True, slots=True)
class Number:
    """A finite value, or the reason why there is none."""

    value: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of an error queue; code 0 means that it is empty."""

    code: int
    text: str


def clean(raw: bytes) -> str:
    """Decode a reply without ever failing and take padding off both ends."""
    return raw.decode("latin-1").strip(_PADDING)


def parse_number(
    text: str, unit: str = "", *, limit: float = SENTINEL, words: tuple[str, ...] = ()
) -> Number:
    """Read one number in ``unit``; a unit in the text may be absent, but not another one.

    ``limit`` is the magnitude from which on the instrument means overload, ``words`` its own
    overload words.
    """
    body = text.strip(_PADDING)
    match = _NRF.fullmatch(body)
    if match is None:
        return Number(None, _why_none(body, words))
    value = float(match[1])
    if 9.905e37 <= value < 9.915e37:
        return Number(None, "no value (9.91E37)")
    if abs(value) >= min(limit, SENTINEL):
        return Number(None, f"overload ({'negative' if value < 0 else 'positive'})")
    factor = _unit_factor(match[2] or "", unit)
    if factor is None:
        return Number(None, f"unit {shown(match[2])} where {unit or 'none'} was due")
    return Number(value * factor)


def _why_none(body: str, words: tuple[str, ...]) -> str:
    if not body:
        return "empty reply"
    if body in words or _OVERLOAD.fullmatch(body):
        return f"overload ({'negative' if body.startswith('-') else 'positive'})"
    if _NOTHING.fullmatch(body):
        return f"no value ({body})"
    return f"not a number: {shown(body)}"


def _unit_factor(found: str, unit: str) -> float | None:
    if not found:
        return 1.0
    for word in _UNIT_WORDS.get(unit, (unit,) if unit else ()):
        if found.endswith(word) and found[: len(found) - len(word)] in _PREFIX:
            return _PREFIX[found[: len(found) - len(word)]]
    return None


def parse_bool(text: str) -> bool | None:
    """Read on or off in any of its dresses; None when it is neither."""
    body = text.strip(_PADDING).upper()
    if body in {"ON", "OFF", "TRUE", "FALSE", "YES", "NO"}:
        return body in {"ON", "TRUE", "YES"}
    number = parse_number(body)
    if number.value in {0.0, 1.0}:
        return number.value == 1.0
    return None


_ERROR = re.compile(r"([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*(?:[,\t ]\s*(.*))?", re.DOTALL)


def parse_error(text: str) -> ErrorEntry | None:
    """Read a queue entry such as ``-113,"Undefined header"``; None when it is not one."""
    match = _ERROR.fullmatch(text.strip(_PADDING))
    if match is None or not float(match[1]).is_integer():
        return None
    return ErrorEntry(int(float(match[1])), (match[2] or "").strip().strip('"'))


def shown(text: str | None) -> str:
    """A reply as it may be printed: short, escaped."""
    raw = (text or "")[:60]
    if raw.isascii() and raw.isprintable():
        return repr(raw)
    return f"{raw!a} (hex {raw.encode('latin-1', 'replace').hex(' ')})"
