"""The ripple of one capture as a self-contained page: figures, limits, trace, spectrum, lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reports.catalogue import Strings, load_strings
from reports.decimate import keep_extremes
from reports.files import write_whole
from reports.html import render_template
from reports.numbers import finding_numbers, quantity, scale_for
from reports.plots.style import COLOURS, INK, LIMIT, Plot, drawing, finish, to_svg
from runner.captures.ripple import CaptureRipple
from runner.finding import Decision, Finding
from runner.signals.analysis import RippleAnalysis
from runner.signals.mains import MainsFit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from runner.signals.spectrum import Spectrum

__all__ = ["RipplePage", "render_ripple_page", "write_ripple_page"]

_POINTS = 2400
_PERIODS = 5


@dataclass(frozen=True)
class RipplePage:
    """The words and numbers of the page, ready to print."""

    file: str
    channel: str
    mains: str
    headline: str
    result_class: str
    figures: tuple[tuple[str, str], ...]
    findings: tuple[dict[str, str], ...]
    lines: tuple[tuple[str, str, str, str], ...]
    notes: tuple[str, ...]


def write_ripple_page(found: CaptureRipple, findings: Sequence[Finding], path: Path) -> None:
    """Write the page; RecordError when the disk refuses it."""
    write_whole(path, render_ripple_page(found, findings).encode())


def render_ripple_page(
    found: CaptureRipple, findings: Sequence[Finding], *, language: str = "en"
) -> str:
    """Return the page's text; every value is escaped."""
    t = load_strings(language)
    plots = [_plot_trace(found, t)]
    if isinstance(found.analysis, RippleAnalysis):
        plots += [_plot_detail(found, t), _plot_spectrum(found, found.analysis, t)]
    drawn = [plot for plot in plots if plot is not None]
    return render_template(
        "ripple.html.j2", page=_page(found, findings, t), plots=drawn, t=t.get, language=language
    )


def _page(found: CaptureRipple, findings: Sequence[Finding], t: Strings) -> RipplePage:
    headline, result_class = _headline(found, findings, t)
    figures = [
        (t.get(f"ripple_page.{name}"), reason if volts is None else quantity(volts, "V"))
        for name, volts, reason in (
            ("pp", found.pp_v, found.pp_reason),
            ("rms", found.rms_v, found.rms_reason),
        )
    ]
    if found.rated_v is not None and found.rms_db_of_rated is not None:
        name = t.fill("ripple_page.rms_db", rated=quantity(found.rated_v, "V"))
        figures.append((name, f"{found.rms_db_of_rated:.2f} dB"))
    if found.pp_v and found.rms_v:
        ratio = t.fill("ripple_page.ratio_value", ratio=f"{found.pp_v / found.rms_v:.3g}")
        figures.append((t.get("ripple_page.ratio"), ratio))
    return RipplePage(
        file=found.capture.path.name,
        channel=found.channel,
        mains=f"{found.mains_hz:g} Hz",
        headline=headline,
        result_class=result_class,
        figures=tuple(figures),
        findings=tuple(_finding_row(finding) for finding in findings),
        lines=tuple(_lines(found, t)),
        notes=(*found.capture.notes, *found.notes),
    )


def _headline(found: CaptureRipple, findings: Sequence[Finding], t: Strings) -> tuple[str, str]:
    if found.pp_v is None:
        return t.get("ripple_page.headline.not_measured"), "partly"
    if not findings:
        return t.get("ripple_page.headline.no_limit"), ""
    decisions = {finding.decision for finding in findings}
    if decisions & {Decision.FAIL, Decision.CONDITIONAL_FAIL}:
        return t.get("ripple_page.headline.fail"), "fail"
    if decisions == {Decision.PASS}:
        return t.get("ripple_page.headline.pass"), "pass"
    return t.get("ripple_page.headline.partly"), "partly"


def _finding_row(finding: Finding) -> dict[str, str]:
    numbers = finding_numbers(finding)
    return {
        "what": finding.what, "value": numbers.value, "u": numbers.u, "limit": numbers.limit,
        "unit": numbers.unit, "decision": str(finding.decision), "reason": finding.reason,
    }  # fmt: skip


def _lines(found: CaptureRipple, t: Strings) -> list[tuple[str, str, str, str]]:
    if not isinstance(found.analysis, RippleAnalysis):
        return []
    rows = []
    if isinstance(found.analysis.mains, MainsFit):
        rows += [
            (
                t.get("ripple_page.mains_line") if line.order == 1 else f"{line.order} f",
                f"{line.f_hz:.2f} Hz", quantity(line.amplitude_v, "V", 3),
                quantity(line.u_amplitude_v, "V", 3),
            )
            for line in found.analysis.mains.lines
            if line.order in (1, 2, 3, 4, 6)
        ]  # fmt: skip
    rows += [
        (
            t.get("ripple_page.other_line"),
            quantity(line.f_hz, "Hz"), quantity(line.amplitude_v, "V", 3), "",
        )
        for line in found.analysis.others
    ]  # fmt: skip
    return rows


def _finite_rows(found: CaptureRipple) -> tuple[Any, ...]:
    import numpy as np

    there = np.all([np.isfinite(row) for row in found.trace], axis=0)
    return tuple(row[there] for row in found.trace)


def _plot_trace(found: CaptureRipple, t: Strings) -> Plot | None:
    """Draw the whole capture, every peak kept."""
    t_s, *rows = _finite_rows(found)
    if t_s.size < 2:
        return None
    return _draw_trace(found, t_s, rows, "trace", t.get("ripple_page.trace.caption"), t)


def _plot_detail(found: CaptureRipple, t: Strings) -> Plot | None:
    """Draw a few mains periods from the middle, when the capture holds many."""
    t_s, *rows = _finite_rows(found)
    span_s = _PERIODS / found.mains_hz
    middle_s = (t_s[0] + t_s[-1]) / 2
    inside = abs(t_s - middle_s) <= span_s / 2
    if t_s[-1] - t_s[0] < 3 * span_s or inside.sum() < 16:
        return None
    words = t.fill("ripple_page.detail.caption", periods=_PERIODS)
    kept = [row[inside] for row in rows]
    return _draw_trace(found, t_s[inside], kept, "detail", words, t)


def _draw_trace(
    found: CaptureRipple, t_s: Any, rows: Sequence[Any], name: str, words: str, t: Strings
) -> Plot:
    middle_v = float(sum(row.mean() for row in rows)) / len(rows)
    swing_v = max(float(abs(row - middle_v).max()) for row in rows)
    time, volts = scale_for(float(t_s[-1] - t_s[0]), "s"), scale_for(swing_v, "V")
    labels = [""] if len(rows) == 1 else [t.get(f"ripple_page.{x}") for x in ("low", "high")]
    with drawing(height_in=2.7) as (figure, axes):
        for number, row in enumerate(rows):
            x, y = keep_extremes(t_s / time.factor, (row - middle_v) / volts.factor, _POINTS)
            axes.plot(x, y, color=COLOURS[number], linewidth=0.8, label=labels[number])
        if len(rows) == 1 and found.pp_v is not None and name == "trace":
            for edge in (float(rows[0].min()), float(rows[0].max())):
                axes.axhline((edge - middle_v) / volts.factor, color=INK, lw=0.7, ls=":")
        middle = quantity(middle_v, "V")
        finish(
            axes,
            t.fill("ripple_page.time_axis", unit=time.unit),
            t.fill("ripple_page.volt_axis", middle=middle, unit=volts.unit),
        )
        svg = to_svg(figure)
    span, swing = quantity(float(t_s[-1] - t_s[0]), "s"), quantity(swing_v, "V")
    alt = t.fill("ripple_page.trace.alt", span=span, swing=swing)
    return Plot("ripple", name, t.get(f"ripple_page.{name}.title"), words, alt, svg)


def _plot_spectrum(found: CaptureRipple, analysis: RippleAnalysis, t: Strings) -> Plot:
    """Draw amplitude against frequency; the mains multiples marked by shape."""
    with drawing(height_in=3.2) as (figure, axes):
        two = analysis.wide is not analysis.low
        _draw_spectrum(axes, analysis.low, COLOURS[0], 0.0)
        if two:
            _draw_spectrum(axes, analysis.wide, COLOURS[2], float(analysis.low.f_hz[-1]))
        axes.set_xscale("log")
        axes.set_yscale("log")
        if isinstance(analysis.mains, MainsFit):
            for order, marker in ((1, "o"), (2, "s")):
                _mark_multiple(axes, analysis.mains, order, marker, t)
        if analysis.others:
            axes.plot(
                [x.f_hz for x in analysis.others], [x.amplitude_v for x in analysis.others], "v",
                mfc="none", mec=COLOURS[1], ms=6, mew=1.2, label=t.get("ripple_page.other_line"),
            )  # fmt: skip
        _engineering(axes)
        finish(axes, t.get("ripple_page.f_axis"), t.get("ripple_page.amplitude_axis"))
        svg = to_svg(figure)
    top = quantity(float(analysis.wide.f_hz[-1]), "Hz")
    alt, title = t.fill("ripple_page.spectrum.alt", top=top), t.get("ripple_page.spectrum.title")
    return Plot("ripple", "spectrum", title, _spectrum_words(analysis, t), alt, svg)


def _mark_multiple(axes: Axes, mains: MainsFit, order: int, marker: str, t: Strings) -> None:
    """Mark a multiple of the mains by shape, or say in the legend below what it stays."""
    line = next((one for one in mains.lines if one.order == order), None)
    if line is None:
        return
    name = "f" if order == 1 else f"{order} f"
    at, label = ([line.f_hz], [line.amplitude_v]), f"{name}, {quantity(line.amplitude_v, 'V', 3)}"
    if line.amplitude_v < 2 * line.u_amplitude_v:
        least = quantity(3 * line.u_amplitude_v, "V", 3)
        at, label = ([], []), t.fill("ripple_page.not_seen", name=name, least=least)
    axes.plot(*at, marker, mfc="none", mec=LIMIT, ms=7, mew=1.4, label=label)


def _draw_spectrum(axes: Axes, spectrum: Spectrum, colour: str, from_hz: float) -> None:
    import numpy as np

    keep = (spectrum.f_hz >= max(from_hz, 2 * spectrum.bin_hz)) & (spectrum.amplitude_v > 0)
    x, y = np.log10(spectrum.f_hz[keep]), np.log10(spectrum.amplitude_v[keep])
    if x.size == 0:
        return
    # Thinned on the logarithmic axis, where a decade must not be drawn by a few bins only.
    edges = np.searchsorted(x, np.linspace(x[0], x[-1], _POINTS // 2)[:-1])
    starts = np.unique(edges)
    highest = np.maximum.reduceat(y, starts)
    axes.plot(10 ** x[starts], 10**highest, color=colour, linewidth=0.9)


def _engineering(axes: Axes) -> None:
    from matplotlib.ticker import EngFormatter, NullFormatter

    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(EngFormatter(sep=" "))
        axis.set_minor_formatter(NullFormatter())


def _spectrum_words(analysis: RippleAnalysis, t: Strings) -> str:
    low, wide = analysis.low, analysis.wide
    narrow = quantity(low.enbw_hz, "Hz", 3)
    if wide is low:
        return t.fill("ripple_page.spectrum.caption", narrow=narrow)
    return t.fill(
        "ripple_page.spectrum.caption_two",
        narrow=narrow, edge=quantity(float(low.f_hz[-1]), "Hz", 2),
        broad=quantity(wide.enbw_hz, "Hz", 3), averages=wide.averages,
    )  # fmt: skip
