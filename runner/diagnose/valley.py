"""Headroom in the valleys of the raw voltage at 10 % low line, and where a tap point belongs.

In dropout the output's lowest instant is the valley less the drop of the regulator, so what lacks
is the set voltage less that instant: read, not computed. Where regulation holds at 90 % of the
line but is lost further down at the share s, the valley is V + drop there and goes with the line
like S·s, S = (V + D)/s; D is what stands between the peak of the winding and the output: drop of
regulator and diodes, ripple, charging current in the winding.

In dropout the output capacitor feeds the load beside the reservoir, so what lacks is more than is
read, by part of C_out/C_reservoir: all of it less what the mains, rising meanwhile, takes off.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from runner.diagnose.estimate import Estimate, about, root_sum
from runner.errors import RecordError
from runner.metrology.dispersion import Dispersion
from runner.profile import Profile
from runner.record.reader import CheckData, Record

__all__ = ["valley_estimates"]

LOW = 0.9
BETWEEN_V, BETWEEN_SHARE, BETWEEN_U_V = 4.5, 0.14, 1.5
"""D is the drop of diodes and regulator, and a share of the voltage that the charging current
loses in the winding: a transformer of 5 % to 8 % resistance (common practice)."""
SCOPE_U, OUTPUT_U_V, LINE_U = 0.02 / 3**0.5, 0.015, 0.0015
"""Scope gain, ±2 % evenly (common practice); noise at the lowest instant; line at the inlet,
wander between two readings."""
DEEP_V = 0.05
BESIDE, BESIDE_U = 0.5, 12**-0.5
"""Part of C_out/C_reservoir that adds to what lacks: anything from none to all, evenly (four fifths
with an ideal regulator, ngspice)."""


@dataclass(frozen=True, slots=True)
class Place:
    """One point of the headroom check: means at each line share that was set."""

    name: str
    set_v: float
    load_a: float
    volts: dict[float, float]
    pp_v: dict[float, float]
    inlet: dict[float, float]


def valley_estimates(
    record: Record, profile: Profile, moved: bool, beside: float = 0.0
) -> list[Estimate]:
    """Headroom at each point; with ``moved`` by how much a tap point must come down.

    ``beside`` is the output capacitor over the reservoir, both in farads.
    """
    data = record.check("headroom")
    found = []
    for place in _places(data, profile.unit.mains.voltage_v):
        room = _headroom(data, place, profile, beside)
        if room is None:
            continue
        value_v, u_v, how = room
        at = f"{place.name}, {place.set_v:.4g} V, {place.load_a:.3g} A"
        found.append(
            about(f"headroom {place.name}", f"headroom of the valleys at 90 % line, {at}",
                  value_v, Dispersion(u_v), "V", how)
        )  # fmt: skip
        tap = re.match(r"below tap point (\d+)", place.name)
        if moved and tap is not None and value_v < 0.0:
            found.append(
                about(f"threshold-move {tap[1]}", f"tap point {tap[1]} must come down by at least",
                      -value_v, Dispersion(u_v), "V", how,
                      "if reservoir, rectifier and winding are in order")
            )  # fmt: skip
    return found


def _places(data: CheckData, nominal_v: float) -> list[Place]:
    places: dict[str, Place] = {}
    sums: dict[tuple[str, str, float], list[float]] = {}
    for r in data.readings:
        if r.value is None or "line_share" not in r.at or "point" not in r.at:
            continue
        name, share = str(r.at["point"]), float(r.at["line_share"])
        places.setdefault(
            name, Place(name, float(r.at["set_v"]), float(r.at["load_a"]), {}, {}, {})
        )
        sums.setdefault((name, r.quantity, share), []).append(r.value)
    for (name, quantity, share), values in sums.items():
        mean = sum(values) / len(values)
        place = places[name]
        if quantity == "output-voltage":
            place.volts[share] = mean
        elif quantity == "ripple-pp":
            place.pp_v[share] = max(values)
        elif quantity == "line-voltage":
            place.inlet[share] = mean / nominal_v
    return list(places.values())


def _headroom(
    data: CheckData, place: Place, profile: Profile, beside: float
) -> tuple[float, float, str] | None:
    """Volts, standard uncertainty, how; None where the point was not measured at low line."""
    if LOW not in place.volts or LOW not in place.pp_v or _limited(place):
        return None
    held_v, u_held_v = _held(place, profile)
    lowest_v = _lowest(data, place)
    share = place.inlet.get(LOW, LOW)
    if lowest_v is not None and held_v - lowest_v > max(DEEP_V, 4.0 * u_held_v):
        seen_v = held_v - lowest_v
        lacks_v = seen_v * (1.0 + BESIDE * beside)
        slope_v, u_slope_v = _slope(place.set_v - lacks_v, LOW)
        moved_v = slope_v * (share - LOW)
        u = root_sum([u_held_v, OUTPUT_U_V, SCOPE_U * lacks_v, slope_v * LINE_U,
                      u_slope_v * (share - LOW), BESIDE_U * beside * seen_v])  # fmt: skip
        how = "set voltage - lowest instant of the output at 90 % line"
        how += ", and half of that by C_out/C of the reservoir" if beside else ""
        return -(lacks_v + moved_v), u, how
    return _from_margin(place)


def _held(place: Place, profile: Profile) -> tuple[float, float]:
    """Output while it regulates, with its standard uncertainty (V)."""
    normal_v, pp_v = place.volts.get(1.0), place.pp_v.get(1.0)
    allowed_v = profile.limit("setting").limit.at(place.set_v)
    regulated = normal_v is not None and pp_v is not None and pp_v < DEEP_V
    if normal_v is not None and regulated and abs(normal_v - place.set_v) < 20.0 * allowed_v:
        return normal_v, 0.002
    return place.set_v, max(allowed_v, 0.01 * place.set_v) / 3**0.5


def _limited(place: Place) -> bool:
    """Whether the output is down without ripple: the current limit, not a valley."""
    down_v = max(DEEP_V, 0.05 * place.set_v)
    return any(
        place.set_v - place.volts[share] > down_v and place.pp_v[share] < DEEP_V
        for share in (1.0, LOW)
        if share in place.volts and share in place.pp_v
    )


def _lowest(data: CheckData, place: Place) -> float | None:
    """Lowest instant at 90 % line: mean from the meter, the way down from the scope (V)."""
    for line in data.waveforms:
        if line.at.get("point") == place.name and line.at.get("line_share") == LOW:
            if line.fields.get("clipped"):
                return None
            try:
                volts = line.volts()
            except RecordError:
                return None
            return place.volts[LOW] + float(volts.min() - volts.mean())
    return None


def _slope(volts_v: float, share: float) -> tuple[float, float]:
    """Volts of the valley for the whole of the line, and its standard uncertainty."""
    return ((1.0 + BETWEEN_SHARE) * volts_v + BETWEEN_V) / share, BETWEEN_U_V / share


def _from_margin(place: Place) -> tuple[float, float, str] | None:
    """From the line at which regulation is lost, between two shares."""
    lost = [s for s in place.pp_v if s < 1.0 and _is_lost(place, s)]
    if not lost:
        return None
    first = max(lost)
    held = min((s for s in place.pp_v if s > first), default=None)
    if held is None or first >= LOW + 0.02:
        return None
    shares = [place.inlet.get(s, s) for s in (held, first)]
    share = sum(shares) / 2
    slope_v, u_slope_v = _slope(place.set_v, share)
    u = root_sum([u_slope_v * (LOW - share), slope_v * LINE_U,
                  slope_v * abs(shares[0] - shares[1]) / 12**0.5])  # fmt: skip
    return slope_v * (LOW - share), u, "S·(0.9 - s), s the line share at which regulation is lost"


def _is_lost(place: Place, share: float) -> bool:
    """As the headroom check itself decides: a sag of 10 mV, or twice the ripple."""
    if not {1.0, share} <= set(place.volts) & set(place.pp_v):
        return False
    sag_v = place.volts[1.0] - place.volts[share]
    return sag_v > 0.01 or place.pp_v[share] > 2.0 * place.pp_v[1.0]
