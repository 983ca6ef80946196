"""Curves of the checks that need no drawing of their own kind."""

from __future__ import annotations

from collections.abc import Sequence

from reports.catalogue import Strings
from reports.plots.curves import plot_curves
from reports.plots.style import Plot
from reports.series import impedance_points, knee_points
from runner.finding import Finding
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["current_limit", "headroom", "impedance", "source_effect"]

Curves = dict[str, list[tuple[float, float]]]


def _means(readings: Sequence[Reading], *keys: str) -> dict[tuple[object, ...], float]:
    """Mean of the valid values at each place."""
    groups: dict[tuple[object, ...], list[float]] = {}
    for one in readings:
        if one.value is not None and all(key in one.at for key in keys):
            groups.setdefault(tuple(one.at[key] for key in keys), []).append(one.value)
    return {place: sum(values) / len(values) for place, values in groups.items()}


def current_limit(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    """Output voltage against current across the knee."""
    curves: Curves = {
        strings.fill("plot.at_set_a", set_a=f"{set_a:.3g}"): points
        for set_a, points in knee_points(data).items()
    }
    return _drawn(curves, "knee", strings, data.name)


def source_effect(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    """Output against line voltage, as change from the mean at each set point, in mV."""
    volts = _means(data.of("output-voltage"), "set_v", "line")
    line = _means(data.of("line-voltage"), "set_v", "line")
    curves: Curves = {}
    for place in volts.keys() & line.keys():
        mean_v = _mean([v for (set_v, _), v in volts.items() if set_v == place[0]])
        label = strings.fill("plot.at_set", set_v=f"{place[0]:.4g}")
        curves.setdefault(label, []).append((line[place], 1e3 * (volts[place] - mean_v)))
    return _drawn(curves, "source_effect", strings, data.name)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def headroom(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    """Ripple peak to peak against line voltage, one curve a point."""
    ripple = _means(data.of("ripple-pp"), "point", "line_share")
    curves: Curves = {}
    for (point, share), pp_v in ripple.items():
        if isinstance(share, int | float):
            curves.setdefault(str(point), []).append((100 * share, 1e3 * pp_v))
    limit_mv = 1e3 * profile.limit("headroom").limit.at(profile.unit.voltage.high)
    return _drawn(curves, "headroom", strings, data.name, limits=(limit_mv,))


def impedance(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    """Output impedance in mΩ against frequency; the limit holds to 1 kHz only."""
    points = impedance_points(data)
    curves = {strings.get("plot.impedance.curve"): points} if points else {}
    return _drawn(curves, "impedance", strings, data.name, logarithmic=True)


def _drawn(
    curves: Curves, key: str, strings: Strings, check: str, *,
    limits: Sequence[float] = (), logarithmic: bool = False,
) -> list[Plot]:  # fmt: skip
    if not curves:
        return []
    return [
        plot_curves(
            dict(sorted(curves.items())), key, strings,
            check=check, limits=limits, logarithmic=logarithmic,
        )
    ]  # fmt: skip
