"""Takes from a check's readings what its plots draw; invalid readings stay out of drawings."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from reports.plots.load_line import LoadPoint
from reports.plots.ripple import RipplePoint
from reports.plots.setting import SettingPoint
from reports.plots.tap_map import TapBand, TapPoint
from runner.finding import Finding
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData, Record, WaveformLine

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "impedance_points", "knee_points", "load_points", "over_time", "ripple_points",
    "setting_points", "tap_bands", "tap_points", "time_axis",
]  # fmt: skip


def _number(reading: Reading, key: str) -> float | None:
    value = reading.at.get(key)
    return float(value) if isinstance(value, int | float) else None


def _grouped(readings: Iterable[Reading], *keys: str) -> dict[tuple[object, ...], list[float]]:
    """Valid values by their place."""
    groups: dict[tuple[object, ...], list[float]] = {}
    for one in readings:
        place = tuple(one.at.get(key) for key in keys)
        if one.value is not None and None not in place:
            groups.setdefault(place, []).append(one.value)
    return groups


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def setting_points(
    data: CheckData, findings: Iterable[Finding], *, remote: bool
) -> list[SettingPoint]:
    """Mean error at each set point and direction, in V; U is the largest of the findings'.

    On a unit set by hand there is no set value: the error is that of its panel voltmeter.
    """
    u = [f.u_expanded for f in findings if f.unit == "V" and f.u_expanded is not None]
    u_v = max(u, default=None)
    output = _grouped(data.of("output-voltage"), "set_v", "direction")
    shown = {} if remote else _grouped(data.of("panel-voltage"), "set_v", "direction")
    points = []
    for (set_v, direction), values in output.items():
        if not isinstance(set_v, int | float):
            continue
        if remote:
            error_v = _mean(values) - set_v
        elif (set_v, direction) in shown:
            error_v = _mean(shown[set_v, direction]) - _mean(values)
        else:
            continue
        points.append(SettingPoint(float(set_v), error_v, u_v, str(direction)))
    return points


def ripple_points(data: CheckData) -> list[RipplePoint]:
    """Ripple by set point and load: the greatest peak to peak, the mean rms, as read."""
    pp = _grouped(data.of("ripple-pp"), "set_v", "share", "load_a")
    rms = _grouped(data.of("ripple-rms"), "set_v", "share", "load_a")
    points = []
    for place in dict.fromkeys([*pp, *rms]):
        set_v, share, load_a = (float(p) for p in place if isinstance(p, int | float))
        pp_v = max(pp[place]) if place in pp else None
        rms_v = _mean(rms[place]) if place in rms else None
        points.append(RipplePoint(set_v, share, load_a, pp_v, rms_v))
    return points


def load_points(data: CheckData) -> list[LoadPoint]:
    """Mean output voltage against mean load current, for each share of the full load."""
    volts = _grouped(data.of("output-voltage"), "set_v", "share")
    amps = _grouped(data.of("load-current"), "set_v", "share")
    points = []
    for place, values in volts.items():
        set_v, share = place
        load_a = 0.0 if share == 0 else _mean(amps[place]) if place in amps else None
        if isinstance(set_v, int | float) and load_a is not None:
            points.append(LoadPoint(float(set_v), load_a, _mean(values)))
    return points


def knee_points(data: CheckData) -> dict[float, list[tuple[float, float]]]:
    """(load in A, output in V) across the knee by the current set, in A."""
    volts = _grouped(data.of("output-voltage"), "set_a", "knee")
    amps = _grouped(data.of("load-current"), "set_a", "knee")
    found: dict[float, list[tuple[float, float]]] = {}
    for place in volts.keys() & amps.keys():
        if isinstance(place[0], int | float):
            point = (_mean(amps[place]), _mean(volts[place]))
            found.setdefault(float(place[0]), []).append(point)
    return found


def impedance_points(data: CheckData) -> list[tuple[float, float]]:
    """(frequency in Hz, output impedance in mΩ)."""
    return [
        (float(f_hz), 1e3 * _mean(values) / float(amps))
        for (f_hz, amps), values in _grouped(data.of("response"), "f_hz", "amps").items()
        if isinstance(f_hz, int | float) and isinstance(amps, int | float) and amps > 0
    ]


def tap_points(data: CheckData) -> list[TapPoint]:
    """Every change of winding that the check located."""
    return [
        TapPoint(int(e["tap"]), str(e["direction"]), float(e["load_a"]), float(e["output_v"]))
        for e in data.events_of("tap-change")
        if {"tap", "direction", "load_a", "output_v"} <= e.keys()
    ]


def tap_bands(profile: Profile) -> list[TapBand]:
    """Where the up points may lie."""
    taps = profile.tap_points
    return [TapBand(n, t.low, t.high) for n, t in enumerate(taps.up, 1)] if taps else []


def time_axis(line: WaveformLine, n_samples: int) -> NDArray[np.float64]:
    """Seconds of each sample, zero at the trigger, shape (n_samples,)."""
    import numpy as np

    dt_s, t0_s = float(line.fields["dt_s"]), float(line.fields.get("t0_s") or 0.0)
    return np.asarray(t0_s + dt_s * np.arange(n_samples), dtype=np.float64)


def over_time(
    record: Record, check: str, most_quantities: int = 5
) -> list[tuple[str, str, NDArray[np.float64], NDArray[np.float64]]]:
    """(quantity, unit, seconds since the first reading, values) of a check's valid readings.

    Works on the journal's lines, not on readings made of them: a night has half a million.
    """
    import numpy as np

    found: dict[tuple[str, str], tuple[list[float], list[float]]] = {}
    for line in record.lines:
        if line["kind"] != "reading" or line.get("check") != check or line.get("value") is None:
            continue
        key = (line["quantity"], line["unit"])
        times, values = found.setdefault(key, ([], []))
        times.append(line.get("t_read_s", line["t_mono_s"]))
        values.append(line["value"])
    begin_s = min((times[0] for times, _ in found.values()), default=0.0)
    return [
        (quantity, unit, np.array(times) - begin_s, np.array(values, dtype=np.float64))
        for (quantity, unit), (times, values) in list(found.items())[:most_quantities]
        if len(values) >= 2
    ]
