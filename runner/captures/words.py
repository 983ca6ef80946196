"""Numbers, units and the words for time and sample interval, as scopes write them."""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = [
    "Unit",
    "is_blank",
    "is_interval_key",
    "is_number",
    "is_rate_key",
    "is_time_name",
    "name_and_unit",
    "number_with_unit",
    "rate_factor",
    "unit_of",
]

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_IS_NUMBER = re.compile(rf"\s*{_NUMBER}\s*")
_WITH_UNIT = re.compile(rf"\s*({_NUMBER})\s*([A-Za-zµμ]*(?:/[A-Za-z]+)?)\s*")
_BLANKS = frozenset({"", "-", "--", "---", "nan", "n/a", "na", "null", "gap"})
_PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3}
_RATE_PREFIXES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_WORDS = {
    "s": "s", "sec": "s", "second": "s", "seconds": "s", "v": "V", "volt": "V", "volts": "V",
    "a": "A", "amp": "A", "amps": "A", "ampere": "A",
}  # fmt: skip
_RATE_UNIT = re.compile(r"([kKMG]?)(?:Sa?/s|Sa?ps|Hz|samples?/s)")
_TIME_NAME = re.compile(r"(t|time|times|zeit|temps|tiempo|tempo|seconds?|x.?axis|x)\b", re.I)
_INTERVAL_KEY = re.compile(
    r"(sampl\w* (interval|period|time)|sampling (interval|period)|(x|time|hor\w*)?[ _.-]*incr\w*"
    r"|delta[ _]?(t|x)|dt|time per sample|hor\w*\.? (interval|resolution)|abtastintervall)$",
    re.I,
)
_RATE_KEY = re.compile(r"(sampl\w*[ _]?(rate|frequency)|fs|abtastrate)$", re.I)


@dataclass(frozen=True)
class Unit:
    """A unit without its prefix (s, V or A) and the factor that the prefix stands for."""

    base: str
    factor: float


def is_number(field: str) -> bool:
    """Tell whether a field is one number, with a decimal point or comma."""
    return _IS_NUMBER.fullmatch(field) is not None


def is_blank(field: str) -> bool:
    """Tell whether a field stands for "nothing here"."""
    return field.strip().lower() in _BLANKS


def unit_of(text: str) -> Unit | None:
    """Read "mV", "µs", "Volt", "(V)"; None when it is no unit of time, voltage or current."""
    word = text.strip().strip("()[]").strip()
    base = _WORDS.get(word.lower())
    if base is not None and word.lower() not in ("a",):
        return Unit(base, 1.0)
    for end in ("s", "V", "A", "volts", "volt"):
        prefix = word.removesuffix(end)
        if prefix != word and prefix in _PREFIXES:
            return Unit(_WORDS[end.lower()], _PREFIXES[prefix])
    return None


def name_and_unit(cell: str) -> tuple[str, Unit | None]:
    """Split "CH1 (mV)", "Time [s]", "U / V" or "C2 in mV" into name and unit."""
    text = cell.strip().strip('"').strip()
    for pattern in (r"(.*?)\s*[(\[]([^)\]]+)[)\]]$", r"(.*?)\s*/\s*(\S+)$", r"(.*?)\s+in\s+(\S+)$"):
        match = re.fullmatch(pattern, text)
        unit = unit_of(match[2]) if match else None
        if match and unit is not None:
            return match[1].strip(), unit
    return text, None


def number_with_unit(text: str) -> tuple[float, str] | None:
    """Read "1e-6", "2,5 us" or "1 MSa/s" as number and unit word; None for anything else."""
    match = _WITH_UNIT.fullmatch(text)
    return (float(match[1].replace(",", ".")), match[2]) if match else None


def rate_factor(word: str) -> float | None:
    """Samples per second that one of this unit means: Sa/s, kSa/s, MHz…; None if it is none."""
    match = _RATE_UNIT.fullmatch(word)
    return _RATE_PREFIXES[match[1]] if match else None


def _key(cell: str) -> str:
    return name_and_unit(cell.strip().rstrip(":=").strip())[0]


def is_interval_key(cell: str) -> bool:
    """Tell whether a heading names the time between samples."""
    return _INTERVAL_KEY.fullmatch(_key(cell)) is not None


def is_rate_key(cell: str) -> bool:
    """Tell whether a heading names the number of samples per second."""
    return _RATE_KEY.fullmatch(_key(cell)) is not None


def is_time_name(name: str) -> bool:
    """Tell whether a column of this name holds times."""
    return _TIME_NAME.match(name.strip()) is not None
