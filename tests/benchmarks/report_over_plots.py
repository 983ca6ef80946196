"""A whole report from the folder of a record, against matplotlib drawing the same plots.

The report side reads the journal and the waveforms, builds the document, draws, renders and
writes the page. The other side holds the numbers in arrays already and draws the same curves
with matplotlib alone, to SVG of the same size.
"""

from __future__ import annotations

import io
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from reports import series
from reports.html import write_html
from reports.plots.style import WIDTH_IN
from runner.record.reader import Record, open_record
from runner.signals.spectrum import Spectrum, amplitude_spectrum
from tests.reports import made_record

__all__ = ["measure"]

_TURNS = 5
Draw = Callable[[], None]


def measure() -> dict[str, float]:
    """Best of five on each side, alternating; limit 2."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "record"
        record = made_record.write_record(folder)
        assessment = made_record.assessment(record)
        draws = _plain_plots(record)

        def report() -> None:
            write_html(open_record(folder), assessment, Path(name) / "report.html")

        def plots() -> None:
            for draw in draws:
                draw()

        return {"report_over_plots": _ratio(report, plots)}


def _ratio(report: Draw, plots: Draw) -> float:
    ours, theirs = [], []
    for _ in range(_TURNS):
        for times, work in ((theirs, plots), (ours, report)):
            start = time.perf_counter()
            work()
            times.append(time.perf_counter() - start)
    return min(ours) / min(theirs)


def _save(figure: Figure) -> None:
    figure.savefig(io.StringIO(), format="svg")


def _plain_plots(record: Record) -> list[Draw]:
    return [_setting(record), _load_line(record), _tap_map(record), _traces(record),
            _ripple(record), _spectrum(record)]  # fmt: skip


def _setting(record: Record) -> Draw:
    points = series.setting_points(record.check("setting"), [], remote=True)

    def draw() -> None:
        figure = Figure(figsize=(WIDTH_IN, 3.1))
        axes = figure.subplots()
        x = np.linspace(0, 24.5, 60)
        axes.fill_between(x, -0.01 - 1e-3 * x, 0.01 + 1e-3 * x)
        axes.plot(x, 0.01 + 1e-3 * x, "--", label="limit")
        axes.plot(x, -0.01 - 1e-3 * x, "--")
        axes.axhline(0)
        for direction, marker in (("rising", "^"), ("falling", "v")):
            mine = [p for p in points if p.direction == direction]
            axes.errorbar([p.set_v for p in mine], [p.error_v for p in mine],
                          yerr=[1e-3] * len(mine), marker=marker, capsize=2,
                          label=direction)  # fmt: skip
        axes.grid()
        axes.legend()
        _label(axes, "set point / V", "error / V")
        _save(figure)

    return draw


def _label(axes: object, x: str, y: str) -> None:
    axes.set_xlabel(x)  # type: ignore[attr-defined]
    axes.set_ylabel(y)  # type: ignore[attr-defined]


def _load_line(record: Record) -> Draw:
    points = series.load_points(record.check("load-effect"))

    def draw() -> None:
        figure = Figure(figsize=(WIDTH_IN, 2.9))
        axes = figure.subplots()
        for set_v in (4.8, 24.0):
            mine = [p for p in points if p.set_v == set_v]
            axes.plot([p.load_a for p in mine], [p.output_v for p in mine], "o-", label=str(set_v))
        axes.axhline(0)
        axes.axhline(-0.01)
        axes.grid()
        axes.legend()
        _label(axes, "load / A", "change / V")
        _save(figure)

    return draw


def _tap_map(record: Record) -> Draw:
    points = series.tap_points(record.check("tap-map"))

    def draw() -> None:
        figure = Figure(figsize=(WIDTH_IN, 3.0))
        axes = figure.subplots()
        axes.axvspan(12.0, 13.0)
        axes.axvline(12.0)
        axes.axvline(13.0)
        for direction, marker in (("rising", ">"), ("falling", "<")):
            mine = [p for p in points if p.direction == direction]
            x, y = [p.output_v for p in mine], [p.load_a for p in mine]
            axes.plot(x, y, marker, label=direction)
            axes.plot(x[::3], y[::3])
        axes.grid()
        axes.legend()
        axes.set_title("tap map")
        _label(axes, "output / V", "load / A")
        _save(figure)

    return draw


def _traces(record: Record) -> Draw:
    lines = record.check("tap-map").waveforms
    traces = [(series.time_axis(line, 5000), line.volts()) for line in lines]

    def draw() -> None:
        figure = Figure(figsize=(WIDTH_IN, 3.6))
        grid = figure.subplots(2, 2, sharex="col")
        for axes, (t_s, v) in zip(grid.flat, traces, strict=True):
            axes.plot(t_s, v)
            axes.axvline(0)
            axes.grid()
            axes.set_title("trace")
            _label(axes, "time / s", "V")
        _save(figure)

    return draw


def _ripple(record: Record) -> Draw:
    points = series.ripple_points(record.check("ripple"))

    def draw() -> None:
        figure = Figure(figsize=(WIDTH_IN, 3.1))
        for axes, field in zip(figure.subplots(1, 2), ("pp_v", "rms_v"), strict=True):
            for share in (0.1, 1.0):
                mine = [p for p in points if p.share == share]
                axes.plot([p.set_v for p in mine], [getattr(p, field) for p in mine], "o-",
                          label=str(share))  # fmt: skip
            axes.axhline(0.01, label="limit")
            axes.grid()
            axes.legend()
            _label(axes, "set point / V", field)
        _save(figure)

    return draw


def _spectrum(record: Record) -> Draw:
    line = record.check("ripple").waveforms[0]
    found = amplitude_spectrum(line.volts(), float(line.fields["dt_s"]))
    if not isinstance(found, Spectrum):
        raise RuntimeError(found.reason)
    level = 20 * np.log10(np.maximum(found.amplitude_v[1:], 1e-9) / 1e-6)

    def draw() -> None:
        figure = Figure(figsize=(WIDTH_IN, 3.0))
        axes = figure.subplots()
        axes.plot(found.f_hz[1:], level)
        axes.set_xscale("log")
        for order in (1, 2):
            axes.plot([50 * order], [40], "v", label=f"{order}f")
        axes.grid()
        axes.legend()
        _label(axes, "frequency / Hz", "dBµV")
        _save(figure)

    return draw


if __name__ == "__main__":
    print(measure())
