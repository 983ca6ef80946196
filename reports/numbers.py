"""Numbers as a report prints them: one prefix a row, decimals fixed by the uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

from runner.finding import Finding

__all__ = ["FindingNumbers", "Scale", "finding_numbers", "percent", "quantity", "scale_for"]

_PREFIXES = (
    (1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"),
    (1e-12, "p"),
)  # fmt: skip
_TAKES_PREFIX = {"V", "A", "Ω", "W", "s", "Hz", "F", "H", "J", "VA"}
_MINUS = "\N{MINUS SIGN}"
_MOST_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class Scale:
    """Divide by ``factor`` to write a value in ``unit``."""

    factor: float
    unit: str


@dataclass(frozen=True, slots=True)
class FindingNumbers:
    """One finding's numbers as text, all in ``unit``; empty where there is none."""

    value: str
    u: str
    limit: str
    unit: str


def scale_for(magnitude: float, unit: str) -> Scale:
    """Choose the prefix that writes ``magnitude`` (in ``unit``) with 1 to 3 leading digits."""
    if unit not in _TAKES_PREFIX or magnitude == 0 or not math.isfinite(magnitude):
        return Scale(1.0, unit)
    for factor, prefix in _PREFIXES:
        if abs(magnitude) >= 0.9995 * factor:
            return Scale(factor, prefix + unit)
    factor, prefix = _PREFIXES[-1]
    return Scale(factor, prefix + unit)


def _signed(text: str) -> str:
    return text.replace("-", _MINUS)


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return _signed(text.removeprefix("-") if float(text) == 0 else text)


def _short(value: float) -> str:
    """Up to six digits, no exponent in the range that a scaled number has."""
    return _signed(f"{value:.6g}")


def _decimals(value: float | None, u: float | None) -> int:
    """Decimals that show two digits of the uncertainty (GUM 7.2.6), else four of the value."""
    if u is not None and u > 0 and math.isfinite(u):
        wanted = 1 - math.floor(math.log10(u))
    elif value:
        wanted = 3 - math.floor(math.log10(abs(value)))
    else:
        wanted = 3
    return min(max(wanted, 0), _MOST_DECIMALS)


def quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """Write one value with a prefix of its own, e.g. 0.0123 V as "12.3 mV"."""
    if value is None:
        return ""
    if not math.isfinite(value):
        return f"{value} {unit}".strip()
    scale = scale_for(value, unit)
    return _signed(f"{value / scale.factor:.{digits}g} {scale.unit}".strip())


def percent(share: float | None) -> str:
    """Write a probability, 0..1, as percent; what is under 0.01 % says so."""
    if share is None or not math.isfinite(share):
        return ""
    if share < 1e-4:
        return "< 0.01 %"
    return f"{100 * share:.2g} %"


def _limit_text(low: float | None, high: float | None, factor: float) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        sign, edge = ("≤", high) if low is None else ("≥", low)
        return f"{sign} {_short((edge or 0.0) / factor)}"
    if low == high:
        return f"= {_short(high / factor)}"
    if math.isclose(low, -high, rel_tol=1e-9, abs_tol=1e-15):
        return f"±{_short(high / factor)}"
    return f"{_short(low / factor)} … {_short(high / factor)}"


def _counted(finding: Finding) -> FindingNumbers:
    """Something counted is exact and has no unit."""
    limit = _limit_text(finding.limit_low, finding.limit_high, 1.0)
    return FindingNumbers(f"{finding.value:.0f}", "", limit, "")


def finding_numbers(finding: Finding) -> FindingNumbers:
    """Write value, U and limit of a finding in one common unit."""
    if finding.u_expanded == 0 and finding.unit == "" and float(finding.value or 0).is_integer():
        return _counted(finding)
    edges = [abs(x) for x in (finding.limit_low, finding.limit_high) if x is not None]
    magnitude = max([abs(finding.value or 0.0), *edges], default=0.0)
    scale = scale_for(magnitude, finding.unit)
    scaled = None if finding.value is None else finding.value / scale.factor
    u = None if finding.u_expanded is None else finding.u_expanded / scale.factor
    decimals = _decimals(scaled, u)
    return FindingNumbers(
        value="" if scaled is None else _fixed(scaled, decimals),
        u="" if u is None else _fixed(u, decimals),
        limit=_limit_text(finding.limit_low, finding.limit_high, scale.factor),
        unit=scale.unit,
    )
