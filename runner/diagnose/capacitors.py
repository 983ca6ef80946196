"""What is left of the reservoir and of the output capacitor, from how fast the output falls.

Mains off at a load: the output follows the reservoir once the regulator has run out, so
C = I/(-dV/dt), reservoir and output capacitor in parallel. In dropout every valley shows the same
flank. Output off at a load: the output capacitor alone. Constant current is the electronic load's;
what the rail feeds besides is small or is measured (mains off without load).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.diagnose.estimate import Estimate, about, not_from_these, root_sum
from runner.diagnose.falls import Fall, fall_after_off, flank_in_dropout
from runner.errors import RecordError
from runner.metrology.accuracy import Accuracy
from runner.metrology.dispersion import Dispersion
from runner.profile import Profile
from runner.record.reader import CheckData, Record, WaveformLine

__all__ = ["Farads", "capacitor_estimates", "load_limit", "output_farads", "reservoir_farads"]

LOAD_LIMIT = 0.01
"""A load's own setting where its accuracy is not known, ±1 %, evenly (common practice)."""
LINE_U = 0.006
"""Straight line where the rectifier or the regulator still adds a little (from simulated units)."""
FLANK_U = 0.018
"""Of a flank in dropout, where current and limit do not stand still (from simulated units)."""
LOADED_SHARE = 0.45
"""Of the rated current: what a leaky reservoir may take besides."""
RAIL_A, RAIL_HALF_A = 0.035, 0.03
"""What a healthy rail feeds besides the load: regulator and bleeder, 5 mA to 65 mA (practice)."""
BLEED_A = 0.01
"""Mean of what the bleeder takes beside the load while the output falls (practice: 5 mA to 20 mA
at the rated voltage)."""
OUTPUT_PER_A, OUTPUT_PER_A_U = 60e-6, 45e-6
"""Output capacitor for an ampere of rating where it was not measured (mem)."""
LEAST_LOAD_SHARE = 0.3
LEAST_RATIO = 2.0
"""Reservoir and output capacitor over the latter: below it the fall was the latter's own."""
OWN_SHARE = 0.85
"""No-load fall after mains off over that after output off, below which the rail limited it."""
SCATTER_SHARE = 0.1
FLOOR_V = 0.7
"""Below this an electronic load may not hold its current (makers' least operating voltages)."""
RESERVOIR = "reservoir capacitor, what is left"
BY_HAND = (
    "nothing in this record falls with the reservoir: a trace of the output after mains off at a"
    " load (check `switching`) gives it; unplugged and discharged, an LCR meter on the lifted part"
)


@dataclass(frozen=True, slots=True)
class Farads:
    """Capacitance, how the true one may lie about it, and the current the rail loses besides (A).

    What a load is set to is known within limits of error, and these rule the rest.
    """

    farad: float
    spread: Dispersion
    how: str
    rail_a: float | None = None
    u_rail_a: float = 0.0


def capacitor_estimates(output: Farads | None, reservoir: Farads | None) -> list[Estimate]:
    """What is left of the reservoir and what loads its rail, and of the output capacitor."""
    found: list[Estimate] = []
    if reservoir is None:
        found.append(not_from_these("reservoir", RESERVOIR, "F", BY_HAND))
    else:
        found.append(
            about("reservoir", RESERVOIR, reservoir.farad, reservoir.spread, "F", reservoir.how)
        )
        if reservoir.rail_a is not None:
            found.append(
                about("rail-current", "current that leaves the raw rail at no load",
                      reservoir.rail_a, Dispersion(reservoir.u_rail_a), "A",
                      "C·dV/dt after mains off without load")
            )  # fmt: skip
    found.append(_esr())
    if output is not None:
        found.append(
            about("output-capacitor", "output capacitor, what is left", output.farad,
                  output.spread, "F", output.how)
        )  # fmt: skip
    return found


def load_limit(record: Record, load_a: float) -> float:
    """Limit of error of the current (A) that the load was set to, relative.

    A load regulates what it reads, so its ammeter's limit on the widest range stands for it.
    """
    for identity in record.check("switching").instruments.values():
        plain = (identity.get("accuracy") or {}).get("dc-amps")
        if identity.get("role") == "load" and plain and load_a > 0.0:
            try:
                widest = max(Accuracy.from_dict(plain).ranges, key=lambda one: one.range)
            except ValueError:
                return LOAD_LIMIT
            return widest.limit(load_a) / load_a
    return LOAD_LIMIT


def _esr() -> Estimate:
    why = (
        "it shows only while the reservoir is charged, and there the output does not follow: the"
        " regulator comes out of dropout more slowly than the raw voltage rises. Unplugged and"
        " discharged, an ESR meter across the capacitor"
    )
    return not_from_these("reservoir-esr", "ESR of the reservoir", "Ω", why)


def output_farads(record: Record, profile: Profile) -> Farads | None:
    """Output capacitor from falls after output off at a load."""
    least_a = LEAST_LOAD_SHARE * profile.unit.current.high
    falls = [
        (float(w.at["load_a"]), fall)
        for w in _of(record, "output off")
        if float(w.at["load_a"]) >= least_a and (fall := _fall(w)) is not None
    ]
    if not falls:
        return None
    values = [(load_a + BLEED_A) / fall.v_per_s for load_a, fall in falls]
    middle = float(np.median(values))
    scatter = _scatter(values)
    if scatter > SCATTER_SHARE:
        return None  # something else than one capacitor falls here
    load_a = falls[0][0]
    spread = Dispersion(
        middle * root_sum([LINE_U, scatter]),
        half_width=middle * load_limit(record, load_a),
        second_half_width=middle * RAIL_HALF_A / load_a,
    )
    return Farads(middle, spread, "I/(-dV/dt) after output off at a load")


def reservoir_farads(
    record: Record, profile: Profile, output: Farads | None, rail_loaded: bool = False
) -> Farads | None:
    """Reservoir without the output capacitor beside it; None when no trace shows its fall.

    ``rail_loaded`` says that something may load the rail besides the regulator.
    """
    small = output or Farads(
        OUTPUT_PER_A * profile.unit.current.high,
        Dispersion(OUTPUT_PER_A_U * profile.unit.current.high),
        "",
    )
    least_a = LEAST_LOAD_SHARE * profile.unit.current.high
    rail, line_u = _no_load_fall(record), LINE_U
    slopes, how = _mains_off(record, least_a), "I/(-dV/dt) after mains off at a load"
    if not slopes:
        slopes, rail = _flanks(record, profile, least_a), None
        line_u, how = FLANK_U, "I/(-dV/dt) of the flanks down to the valleys, in dropout"
    if not slopes:
        return None
    besides_a, half_a = RAIL_A, RAIL_HALF_A
    if rail_loaded:
        besides_a = half_a = LOADED_SHARE * profile.unit.current.high / 2
    values = [_both(load_a, fall, rail, besides_a) for load_a, fall in slopes]
    both = float(np.median(values))
    load_a, scatter = slopes[0][0], _scatter(values)
    if both < LEAST_RATIO * small.farad or scatter > SCATTER_SHARE:
        return None
    spread = Dispersion(
        root_sum([both * line_u, both * scatter, small.spread.u]),
        half_width=both * load_limit(record, load_a),
        second_half_width=both * half_a / load_a if rail is None else 0.0,
    )
    if rail is None:
        return Farads(both - small.farad, spread, how)
    u_rail_a = root_sum([spread.u * rail.v_per_s, both * rail.u_v_per_s])
    return Farads(both - small.farad, spread, how, rail.v_per_s * both, u_rail_a)


def _scatter(values: list[float]) -> float:
    """Sigma of a normal from the median deviation, over the median: a shallow flank does not count.

    1.48 is 1/0.6745, the upper quartile of the normal (handbook value).
    """
    middle = float(np.median(values))
    return 1.48 * float(np.median(np.abs(np.array(values) - middle))) / middle


def _both(load_a: float, fall: Fall, rail: Fall | None, besides_a: float) -> float:
    if rail is not None:
        return load_a / (fall.v_per_s - rail.v_per_s)
    return (load_a + besides_a) / fall.v_per_s


def _of(record: Record, event: str) -> list[WaveformLine]:
    return [w for w in record.check("switching").waveforms if w.at.get("event") == event]


def _fall(line: WaveformLine) -> Fall | None:
    floor_v = FLOOR_V if line.at.get("view") == "bottom" else None
    try:
        return fall_after_off(line.volts(), float(line.fields["dt_s"]), floor_v)
    except RecordError:
        return None  # a waveform that is missing or altered tells nothing


def _mains_off(record: Record, least_a: float) -> list[tuple[float, Fall]]:
    return [
        (float(w.at["load_a"]), fall)
        for w in _of(record, "mains off")
        if w.at.get("view") == "top" and float(w.at["load_a"]) >= least_a
        and (fall := _fall(w)) is not None
    ]  # fmt: skip


def _no_load_fall(record: Record) -> Fall | None:
    """Fall after mains off without load, where the rail limited it and not the electronics."""
    rail = [f for w in _of(record, "mains off") if _empty(w) and (f := _fall(w)) is not None]
    top_v = max((float(w.at["set_v"]) for w in _of(record, "mains off")), default=0.0)
    own = [
        f for w in _of(record, "output off")
        if _empty(w) and float(w.at["set_v"]) == top_v and (f := _fall(w)) is not None
    ]  # fmt: skip
    if not rail or not own or rail[0].v_per_s > OWN_SHARE * own[0].v_per_s:
        return None
    return rail[0]


def _empty(line: WaveformLine) -> bool:
    return line.at.get("view") == "top" and float(line.at["load_a"]) == 0.0


def _flanks(record: Record, profile: Profile, least_a: float) -> list[tuple[float, Fall]]:
    mains_hz = profile.unit.mains.frequency_hz
    found = []
    for check in (record.check("headroom"), record.check("ripple")):
        found += _flanks_of(check, mains_hz, least_a)
    return found


def _flanks_of(check: CheckData, mains_hz: float, least_a: float) -> list[tuple[float, Fall]]:
    found = []
    for line in check.waveforms:
        load_a = float(line.at.get("load_a", 0.0))
        if load_a < least_a:
            continue
        try:
            volts = line.volts()
        except RecordError:
            continue
        flank = flank_in_dropout(volts, float(line.fields["dt_s"]), mains_hz)
        if flank is not None:
            found.append((load_a, flank))
    return found
