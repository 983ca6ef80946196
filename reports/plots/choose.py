"""Which plots a check calls for, drawn from what the record holds of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from reports import series
from reports.catalogue import Strings
from reports.plots import choose_curves
from reports.plots.load_line import plot_load_line
from reports.plots.night import plot_night
from reports.plots.over_time import plot_over_time
from reports.plots.ripple import RipplePoint, plot_ripple
from reports.plots.setting import plot_setting
from reports.plots.spectrum import plot_spectrum
from reports.plots.style import Plot
from reports.plots.tap_map import plot_tap_map
from reports.plots.trace import Trace, plot_traces
from runner.errors import RecordError
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import CheckData, Record, WaveformLine
from runner.soak.samples import samples_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from runner.assess import Assessment

__all__ = ["plots_of"]

Maker = Callable[[CheckData, Sequence[Finding], Profile, Strings], list[Plot]]


def plots_of(record: Record, assessment: Assessment, strings: Strings) -> list[Plot]:
    """Draw every plot that the record has readings for, check by check."""
    drawn: list[Plot] = []
    for check, maker in _MAKERS.items():
        if check not in record.check_names():
            continue
        data = record.check(check)
        findings = [f for f in assessment.findings if f.check == check]
        drawn += maker(data, findings, assessment.profile, strings)
    if "drift" in record.check_names():
        drawn += _over_time(record, "drift", strings)
    samples = samples_of(record.check("soak").rows)
    return drawn + (plot_night(samples, strings) if samples is not None else [])


def _setting(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    remote = profile.unit.setting == "remote"
    points = series.setting_points(data, findings, remote=remote)
    limit = profile.limit("setting" if remote else "panel-voltage").limit
    key = "setting" if remote else "panel"
    return [plot_setting(points, limit.at, strings, key=key)] if points else []


def _ripple(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    points = series.ripple_points(data)
    if not points:
        return []
    top = max(p.set_v for p in points)
    drawn = [
        plot_ripple(
            points, profile.limit("ripple-pp").limit.at(top),
            profile.limit("ripple-rms").limit.at(top), strings,
        )
    ]  # fmt: skip
    worst = _worst_waveform(data, points)
    return drawn + (_spectrum(worst, profile, strings) if worst else [])


def _worst_waveform(data: CheckData, points: Sequence[RipplePoint]) -> WaveformLine | None:
    """The record taken where the ripple was greatest."""
    for point in sorted(points, key=lambda p: p.pp_v or 0.0, reverse=True):
        for line in data.waveforms:
            if line.at.get("set_v") == point.set_v and line.at.get("load_a") == point.load_a:
                return line
    return None


def _spectrum(line: WaveformLine, profile: Profile, strings: Strings) -> list[Plot]:
    from runner.signals.spectrum import Spectrum, amplitude_spectrum

    volts = _volts(line)
    found = None if volts is None else amplitude_spectrum(volts, float(line.fields["dt_s"]))
    if not isinstance(found, Spectrum):
        return []
    where = f"{line.at['set_v']:.4g} V, {line.at['load_a']:.3g} A"
    mains_hz = profile.unit.mains.frequency_hz
    return [plot_spectrum(found.f_hz, found.amplitude_v, mains_hz, where, strings)]


def _volts(line: WaveformLine) -> NDArray[np.float64] | None:
    try:
        return line.volts()
    except RecordError:
        return None  # named among the remarks; nothing to draw


def _load_effect(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    points = series.load_points(data)
    limit = profile.limit("load-effect").limit
    allowed = [(set_v, limit.at(set_v)) for set_v in {p.set_v for p in points}]
    return [plot_load_line(points, allowed, strings)] if points else []


def _tap_map(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    points = series.tap_points(data)
    drawn = [plot_tap_map(points, series.tap_bands(profile), strings)] if points else []
    return drawn + _by_direction(data, "tap_change", strings)


def _transient(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    return _by_direction(data, "transient", strings)


def _switching(
    data: CheckData, findings: Sequence[Finding], profile: Profile, strings: Strings
) -> list[Plot]:
    """One trace for each event, at the highest voltage it was tried at, two columns."""
    by_event: dict[str, list[WaveformLine]] = {}
    for line in data.waveforms:
        by_event.setdefault(str(line.at.get("event", "")), []).append(line)
    traces = []
    for event, lines in by_event.items():
        top = max(lines, key=lambda line: float(line.at.get("set_v", 0.0)))
        traces += [replace(one, label=event) for one in _traces([top], strings)]
    columns = [("", traces[0::2]), ("", traces[1::2])]
    title, caption = strings.get("plot.switching.title"), strings.get("plot.switching.caption")
    filled = [column for column in columns if column[1]]
    if not filled:
        return []
    return [plot_traces(filled, title, caption, strings, check=data.name, name="switching")]


def _by_direction(data: CheckData, key: str, strings: Strings) -> list[Plot]:
    """One drawing for each tap (or one in all), a column a direction, at the greatest load."""
    drawn = []
    for tap in dict.fromkeys(line.at.get("tap") for line in data.waveforms):
        mine = [line for line in data.waveforms if line.at.get("tap") == tap]
        directions = dict.fromkeys(str(line.at.get("direction", "")) for line in mine)
        columns = []
        for direction in list(directions)[:2]:
            lines = [line for line in mine if str(line.at.get("direction", "")) == direction]
            traces = _traces(_most_loaded(lines), strings)
            if traces:
                columns.append((strings.get(f"direction.{direction}", direction), traces))
        if columns:
            title = strings.fill(f"plot.{key}.title", tap="" if tap is None else tap)
            caption = strings.get(f"plot.{key}.caption")
            name = f"{key}-{tap or 1}"
            drawn.append(
                plot_traces(columns, title.strip(), caption, strings, check=data.name, name=name)
            )
    return drawn


def _most_loaded(lines: Sequence[WaveformLine]) -> list[WaveformLine]:
    """Records of the greatest share of full load among these, one of each thing shown."""
    top = max((float(line.at.get("share", 0.0)) for line in lines), default=0.0)
    loaded = [line for line in lines if float(line.at.get("share", 0.0)) == top]
    first: dict[str, WaveformLine] = {}
    for line in loaded:
        first.setdefault(str(line.at.get("shows") or line.fields.get("channel")), line)
    return list(first.values())[:3]


def _traces(lines: Sequence[WaveformLine], strings: Strings) -> list[Trace]:
    traces = []
    for line in lines:
        volts = _volts(line)
        if volts is not None and volts.size:
            shows = str(line.at.get("shows") or line.fields.get("channel") or "")
            label = strings.get(f"shows.{shows}", shows)
            traces.append(Trace(label, series.time_axis(line, volts.size), volts))
    return traces


def _over_time(record: Record, check: str, strings: Strings) -> list[Plot]:
    found = series.over_time(record, check)
    if not found:
        return []
    named = [(strings.get(f"quantity.{q}", q), unit, t_s, v) for q, unit, t_s, v in found]
    title = strings.fill("plot.over_time.title", check=strings.get(f"check.{check}.title"))
    caption = strings.get("plot.over_time.caption")
    return [plot_over_time(named, title, caption, strings, check=check)]


_MAKERS: dict[str, Maker] = {
    "setting": _setting,
    "load-effect": _load_effect,
    "tap-map": _tap_map,
    "ripple": _ripple,
    "current-limit": choose_curves.current_limit,
    "transient": _transient,
    "switching": _switching,
    "impedance": choose_curves.impedance,
    "headroom": choose_curves.headroom,
    "source-effect": choose_curves.source_effect,
}
