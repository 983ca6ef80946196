"""How either output terminal stands to earth: the arithmetic, from readings to a result.

A meter of resistance R_m goes from one output terminal to earth, then from the other, each time
alone and with a bleed resistor R_0 beside it; the output stands at V_b. With the conductances
G_p and G_n of plus and minus to earth and G of meter (and bleed):

    y_n = |V(minus, earth)|/V_b = G_p/(G_p + G_n + G),   y_p = V(plus, earth)/V_b = G_n/(…)
    G_p = G·y_n/(1 - y_n - y_p),                         G_n = G·y_p/(1 - y_n - y_p)

which is the divider rule written for conductances; alone and bled each give an answer and the
narrower one is kept (practice of insulation monitoring: a voltmeter of at least 10 MΩ and a
bleed near the resistance asked for). All voltages are read on one range of one meter, so its
gain leaves the ratios.

At the line frequency the stray capacitance is a source V_s behind X; with the conductance Y to
earth, |V|⁻² = V_s⁻²·(1 + X²·Y²), so two readings with different Y give the current that a
terminal can drive to earth, I = V_s/X.

Intervals are budgets where the formulas are straight, elsewhere corners of the limits of error,
each taken at its 95 % value: wider, and right also there.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import product
from typing import Any

from runner.metrology.budget import Budget, Line

__all__ = [
    "AcPair",
    "AvailableCurrent",
    "Conductance",
    "DcReadings",
    "EarthReference",
    "Kind",
    "ReadingLimits",
    "TerminalReference",
    "available_current",
    "earth_reference",
]

HARD_BELOW_OHMS = 1e3
"""Common practice: a source of less than 1 kΩ to earth is a connection, not a leak."""
TRUSTED_INPUT_OHMS = 1e9
"""Above this an input resistance is a lower bound, not a value, and cannot be a divider's arm."""
SEEN_TO_OHMS = 10e6
"""A terminal without visible leak counts as free only if less than this would have been seen."""
FREE_ABOVE_OHMS = 1e9
"""Above this what is seen is the insulation of sound parts, not a leak; proposed default."""
TIGHTEST_S = 100.0
HIDDEN_SHARE = 0.01
"""Beside a tie a hundred times as good, what the other terminal has to earth does not show."""
TIED = "a tie to earth hides it"
ROSE = "the alternating voltage did not fall when the bleed was joined: the output does not rest"
LEAST_AC_V = 1e-9
MOST_FARADS = 1e-6
"""No output has more capacitance to earth than this (output-to-chassis parts: 1 to 100 nF)."""
SIGNS = (-1.0, 1.0)
TWICE = 2.0
"""Limits at 95 % are taken as two standard uncertainties of the meter."""
LEAST_STEP_V = 1e-6
STRAIGHT = 4.0
"""From this ratio of the shunt to the leaks on, in conductance, the divider is nearly straight."""


class Kind(StrEnum):
    """What lies between an output terminal and earth."""

    HARD = "hard tie"
    LEAK = "leak"
    STRAY = "stray only"
    MASKED = "hidden by the other terminal"


@dataclass(frozen=True, slots=True)
class TerminalReference:
    """One terminal: ``ohms`` to earth with its interval ``low_ohms`` to ``high_ohms``.

    ``ohms`` is None when only a bound is known: the upper one of a hard tie (``low_ohms`` 0), else
    the lower one (``high_ohms`` infinite).
    """

    kind: Kind
    ohms: float | None
    low_ohms: float
    high_ohms: float


@dataclass(frozen=True, slots=True)
class AvailableCurrent:
    """Alternating current in A (rms) that a terminal can drive to earth, with its interval.

    ``amps`` is None when nothing can be said of it; ``high_a`` is then infinite and ``why`` the
    reason.
    """

    amps: float | None
    low_a: float
    high_a: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class EarthReference:
    """Both terminals by point name (``unit.plus``, ``unit.minus``), and the stray current."""

    terminals: Mapping[str, TerminalReference] = field(default_factory=dict)
    available: AvailableCurrent | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain data; infinite bounds become None."""
        stray = self.available
        return {
            "terminals": {
                terminal: {
                    "kind": str(one.kind),
                    "ohms": one.ohms,
                    "low_ohms": one.low_ohms,
                    "high_ohms": _finite(one.high_ohms),
                }
                for terminal, one in self.terminals.items()
            },
            "available": None
            if stray is None
            else {"amps": stray.amps, "low_a": stray.low_a, "high_a": _finite(stray.high_a)},
        }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


@dataclass(frozen=True, slots=True)
class DcReadings:
    """Direct voltages in V with one resistance to earth (meter, or meter and bleed).

    ``plus_v`` and ``minus_v`` are the terminals against earth, one at a time, with their signs;
    ``shunt_ohms`` is what stands to earth while reading; ``scatter_v`` the 95 % limit of what hum
    and slow settling did to these readings, ``plus_u_v`` and ``minus_u_v`` the standard
    uncertainty of each from its own scatter, of so many degrees of freedom (``dof``).
    """

    output_v: float
    plus_v: float
    minus_v: float
    shunt_ohms: float
    scatter_v: float = 0.0
    plus_u_v: float | None = None
    minus_u_v: float | None = None
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class AcPair:
    """Alternating voltages (V rms) of one terminal to earth, alone and with the bleed.

    The meter's resistance on its ac ranges is often another than on dc and seldom exact:
    ``meter_low_ohms`` to ``meter_high_ohms``.
    """

    alone_v: float
    bled_v: float
    meter_low_ohms: float
    meter_high_ohms: float
    bleed_ohms: float


@dataclass(frozen=True, slots=True)
class ReadingLimits:
    """Limits of error at 95 %.

    ``offset_v`` is common to the direct readings, ``scatter_v`` is each one's own (noise,
    resolution, bend of the scale, wander of the output). ``ac_gain`` is common to alternating
    readings, ``ac_scatter`` each one's own, both relative; ``ac_floor_v`` is in V.
    ``shunt_rel`` and ``bleed_rel`` are relative limits of meter and bleed resistance.
    """

    offset_v: float
    scatter_v: float
    ac_gain: float = 2e-3
    ac_scatter: float = 5e-4
    ac_floor_v: float = 1e-3
    shunt_rel: float = 0.01
    bleed_rel: float = 0.01


@dataclass(frozen=True, slots=True)
class Conductance:
    """A conductance to earth in S, with its interval."""

    best: float
    low: float
    high: float

    @property
    def width(self) -> float:
        """High over low; infinite when the low end is zero."""
        return self.high / self.low if self.low > 0 else math.inf


def earth_reference(
    alone: DcReadings, bled: DcReadings, limits: ReadingLimits, pairs: Iterable[AcPair] = (),
    *, frequency_hz: float = 50.0,
) -> EarthReference:  # fmt: skip
    """Tell hard tie, leak and stray apart for both terminals, with intervals.

    :param alone: with the meter alone; left out of account when its resistance is only a bound
    :param bled: with the bleed resistor beside the meter (``shunt_ohms`` of both together)
    :param pairs: alternating readings, one pair a terminal
    :raises ValueError: the output is too low to divide by, or a number is not finite
    """
    numbers = [v for r in (alone, bled) for v in _values(r)]
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("expected finite readings")
    if min(alone.output_v, bled.output_v) < 1.0 + limits.offset_v + limits.scatter_v:
        raise ValueError(f"expected an output of at least 1 V, found {bled.output_v:g} V")
    found = [_conductances(bled, limits, limits.bleed_rel)]
    if alone.shunt_ohms <= TRUSTED_INPUT_OHMS:
        found.append(_conductances(alone, limits, limits.shunt_rel))
    plus = min((one[0] for one in found), key=lambda g: (g.width, g.high))
    minus = min((one[1] for one in found), key=lambda g: (g.width, g.high))
    both = Conductance(plus.best + minus.best, plus.low + minus.low, plus.high + minus.high)
    currents = [available_current(pair, limits, both, frequency_hz) for pair in pairs]
    return EarthReference(
        {"unit.plus": _terminal(plus, minus), "unit.minus": _terminal(minus, plus)},
        min(currents, key=lambda c: c.high_a - c.low_a) if currents else None,
    )


def _values(readings: DcReadings) -> tuple[float, ...]:
    return (readings.output_v, readings.plus_v, readings.minus_v, readings.shunt_ohms,
            readings.scatter_v)  # fmt: skip


def _conductances(
    readings: DcReadings, limits: ReadingLimits, shunt_rel: float
) -> tuple[Conductance, Conductance]:
    """Conductances of plus and minus to earth in S, with their intervals.

    Where the meter sees little of the output, the divider is straight and the effects of the
    errors are lines of a budget (GUM 5.1.2 with differences for derivatives), limits keeping
    their shape; a tighter tie is far from straight, and all corners of the limits are taken.
    """
    shunt_s = 1 / readings.shunt_ohms
    best = _divider(readings, shunt_s, (0.0, 0.0, 0.0, 0.0))
    own_v = math.hypot(limits.scatter_v, readings.scatter_v)
    straight = shunt_s > STRAIGHT * sum(best)
    within = _in_squares if straight else _over_corners
    return within(readings, limits, own_v, best, shunt_rel)


def _in_squares(
    readings: DcReadings, limits: ReadingLimits, own_v: float, best: tuple[float, float],
    shunt_rel: float,
) -> tuple[Conductance, Conductance]:  # fmt: skip
    shunt_s = 1 / readings.shunt_ohms
    offset, *others = _errors(readings, limits, own_v)
    slopes = [_slopes(readings, shunt_s, place, own_v) for place in range(4)]
    made = []
    for which, middle in enumerate(best):
        lines = [
            Line.from_limit("meter or bleed resistor", shunt_rel * middle, unit="S"),
            offset.carried(slopes[0][which]),
            *(one.carried(slopes[1 + place][which]) for place, one in others),
        ]
        u_s = Budget("conductance", "S", middle, tuple(lines)).expanded(0.95)
        made.append(Conductance(middle, max(0.0, middle - u_s), middle + u_s))
    return made[0], made[1]


def _errors(readings: DcReadings, limits: ReadingLimits, own_v: float) -> tuple[Any, ...]:
    """Line of the common offset; then place (output, plus, minus) and line of each own error, V.

    An offset is a maker's limit, a rectangle; what the meter adds to each reading by itself is
    normal; scatter has the few degrees of freedom of its readings.
    """
    found: list[tuple[int, Line]] = []
    for place, scatter_u_v in enumerate((None, readings.plus_u_v, readings.minus_u_v)):
        if place and scatter_u_v is None:
            found.append((place, Line("reading", "B", own_v / TWICE, unit="V")))
            continue
        found.append((place, Line("reading", "B", limits.scatter_v / TWICE, unit="V")))
        if scatter_u_v:
            found.append((place, Line("scatter", "A", scatter_u_v, unit="V", dof=readings.dof)))
    limit_v = math.sqrt(3) / TWICE * limits.offset_v
    return (Line.from_limit("offset", limit_v, unit="V"), *found)


def _slopes(readings: DcReadings, shunt_s: float, place: int, step_v: float) -> tuple[float, float]:
    """How both conductances move with one of the errors, S/V, by differences."""
    size_v = max(step_v, LEAST_STEP_V)
    low, high = (_divider(readings, shunt_s, _only(place, sign * size_v)) for sign in SIGNS)
    return (high[0] - low[0]) / (2 * size_v), (high[1] - low[1]) / (2 * size_v)


def _only(place: int, error_v: float) -> tuple[float, float, float, float]:
    offset, output, plus, minus = (error_v if at == place else 0.0 for at in range(4))
    return offset, output, plus, minus


def _over_corners(
    readings: DcReadings, limits: ReadingLimits, own_v: float, best: tuple[float, float],
    shunt_rel: float,
) -> tuple[Conductance, Conductance]:  # fmt: skip
    shunt_s = 1 / readings.shunt_ohms
    offsets = (-limits.offset_v, 0.0, limits.offset_v)
    own = tuple(sign * own_v for sign in SIGNS)
    corners = [_divider(readings, shunt_s, errors) for errors in product(offsets, own, own, own)]
    made = []
    for which in (0, 1):
        values = [corner[which] for corner in corners]
        low, high = min(values) * (1 - shunt_rel), max(values) * (1 + shunt_rel)
        made.append(Conductance(best[which], low, high))
    return made[0], made[1]


def _divider(
    readings: DcReadings, shunt_s: float, errors: tuple[float, float, float, float]
) -> tuple[float, float]:
    """(G_p, G_n) in S once these errors (offset; output, plus, minus in V) are taken off.

    When nothing is left of the output across meter and bleed, the conductances are given out of
    proportion large, and only their ratio means something.
    """
    offset, output, plus, minus = errors
    output_v = readings.output_v - offset - output
    share_n = max(0.0, -(readings.minus_v - offset - minus) / output_v)
    share_p = max(0.0, (readings.plus_v - offset - plus) / output_v)
    rest = max(1 - share_n - share_p, 1e-9)
    return shunt_s * share_n / rest, shunt_s * share_p / rest


def _terminal(own: Conductance, other: Conductance) -> TerminalReference:
    low_ohms = 1 / own.high if 0 < own.high < TIGHTEST_S else 0.0 if own.high else math.inf
    high_ohms = 1 / own.low if own.low > 0 else math.inf
    short = own.best > 1 / HARD_BELOW_OHMS
    hidden = own.best < HIDDEN_SHARE * other.best
    if short and not hidden:
        ohms = 1 / own.best if low_ohms > 0 else None
        return TerminalReference(Kind.HARD, ohms, low_ohms, high_ohms)
    if own.low > 0:
        ohms = None if short else 1 / own.best
        kind = Kind.STRAY if ohms is not None and ohms > FREE_ABOVE_OHMS else Kind.LEAK
        return TerminalReference(kind, ohms, low_ohms, high_ohms)
    kind = Kind.STRAY if low_ohms >= SEEN_TO_OHMS else Kind.MASKED
    return TerminalReference(kind, None, low_ohms, math.inf)


def available_current(
    pair: AcPair, limits: ReadingLimits, leak: Conductance, frequency_hz: float
) -> AvailableCurrent:
    """Return the current a terminal can drive to earth at the line frequency, in A rms.

    ``leak`` is the conductance of both terminals to earth. What may be a hard tie hides the
    current. The interval never reaches beyond what the voltage alone could drive through
    ``MOST_FARADS``.
    """
    if leak.high > 1 / HARD_BELOW_OHMS:
        return AvailableCurrent(None, 0.0, math.inf, TIED)
    meters_s = (1 / pair.meter_high_ohms, 1 / pair.meter_low_ohms)
    middle_s = math.sqrt(meters_s[0] * meters_s[1]) + leak.best
    best = _current_a(pair.alone_v, pair.bled_v, middle_s, 1 / pair.bleed_ohms)
    corners = [
        _current_a(
            _off(pair.alone_v, one, limits), _off(pair.bled_v, two, limits),
            meter_s + leak_s, bleed_s / pair.bleed_ohms,
        )
        for one, two in product(SIGNS, SIGNS)
        for meter_s in meters_s
        for leak_s in (leak.low, leak.high)
        for bleed_s in (1 - limits.bleed_rel, 1 + limits.bleed_rel)
    ]  # fmt: skip
    if math.isinf(min(corners)):
        return AvailableCurrent(None, 0.0, math.inf, ROSE)
    most_s = math.hypot(meters_s[1] + leak.high, 2 * math.pi * frequency_hz * MOST_FARADS)
    most_a = _off(pair.alone_v, 1.0, limits) * most_s
    low_a = min(corners) * (1 - limits.ac_gain)
    high_a = min(max(corners), most_a) * (1 + limits.ac_gain)
    return AvailableCurrent(best if low_a < best < high_a else None, min(low_a, high_a), high_a)


def _off(volts: float, sign: float, limits: ReadingLimits) -> float:
    return max(0.0, volts * (1 + sign * limits.ac_scatter) + sign * limits.ac_floor_v)


def _current_a(alone_v: float, bled_v: float, alone_s: float, bleed_s: float) -> float:
    """I = 1/√b with b = (1/V'² - 1/V²)/(Y'² - Y²), never less than V'·Y'; 0 for no voltage."""
    bled_y = alone_s + bleed_s
    if min(bled_v, alone_v) < LEAST_AC_V:
        return 0.0
    slope = (bled_v**-2 - alone_v**-2) / (bled_y**2 - alone_s**2)
    least = bled_v * bled_y
    return max(least, slope**-0.5) if slope > 0 else math.inf
