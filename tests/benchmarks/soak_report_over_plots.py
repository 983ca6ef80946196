"""The report of a night of twelve hours from its folder, against matplotlib drawing its curves.

The report side reads the journal, checks its chain, decides, draws, renders and writes the page.
The other side holds the numbers in arrays already and draws the same panels of the same size with
matplotlib alone, to SVG. Ten readings a second are a row of five every half second; ``_rows`` is
the same with ten rows a second (fifty readings). ``_thinned``: the other side draws what is left
after thinning, which it did not have to do.
"""

from __future__ import annotations

import io
import math
import tempfile
import time
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from reports.decimate import keep_extremes
from reports.html import write_html
from reports.plots.style import WIDTH_IN
from runner.assess import assess
from runner.record.reader import open_record
from runner.soak.samples import Samples, samples_of
from tests.soak.made_night import MadeNight

__all__ = ["measure"]

_TURNS = 3
NIGHT_S = 43200.0


def measure(for_s: float = NIGHT_S) -> dict[str, float]:
    """Best of three on each side, alternating; limit 2."""
    ten = _ratios(for_s, 0.5)
    rows = _ratios(for_s, 0.1)
    return {
        "soak_report_over_plots": ten[0],
        "soak_report_over_plots_thinned": ten[1],
        "soak_report_over_plots_rows": rows[0],
        "soak_report_over_plots_rows_thinned": rows[1],
    }


def _ratios(for_s: float, every_s: float) -> tuple[float, float]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "night"
        _write(folder, for_s, every_s)
        samples = samples_of(open_record(folder).check("soak").rows)
        if samples is None:
            raise RuntimeError("no rows were written")

        def report() -> None:
            record = open_record(folder)
            write_html(record, assess(record), Path(name) / "report.html")

        times: tuple[list[float], list[float], list[float]] = ([], [], [])
        for _ in range(_TURNS):
            for own, work in zip(
                times, (lambda: _draw(samples, None), lambda: _draw(samples, 2400), report),
                strict=True,
            ):  # fmt: skip
                begun = time.process_time()
                work()
                own.append(time.process_time() - begun)
        whole, thinned, ours = (min(own) for own in times)
        return ours / whole, ours / thinned


def _write(folder: Path, for_s: float, every_s: float) -> None:
    rng = np.random.default_rng(1)
    night = MadeNight(folder, serial="M-1", lasts_s=for_s, model="LB-2403", every_s=every_s)
    for number in range(int(for_s / every_s)):
        hum = math.sin(number / 9000)
        v = 24.0 + 1e-3 * hum + rng.normal(0, 5e-5)
        night.row(
            round(v, 6), every_s, amps=round(rng.normal(3.0, 1e-3), 5),
            watts=round(110 + hum, 3), heat_c=round(41.5 + 2 * hum, 2),
            line_v=round(rng.normal(230, 0.4), 2),
        )  # fmt: skip
    night.event("plan", lasts_s=for_s)
    night.journal.write("check-end", check="soak")
    night.journal.write("safe", load_off_confirmed=True)
    night.journal.write("end", how="complete", reason="")
    night.journal.close()


def _draw(samples: Samples, most: int | None) -> None:
    columns = samples.values.shape[1]
    figure = Figure(figsize=(WIDTH_IN, 0.9 + 1.35 * columns))
    for axes, values, label in zip(
        figure.subplots(columns, 1, sharex=True), samples.values.T, samples.quantities, strict=True
    ):
        t, y = samples.t_s / 3600, values
        if most is not None:
            t, y = keep_extremes(t, y, most)
        axes.plot(t, y, linewidth=0.8)
        axes.grid()
        axes.set_title(label)
        axes.set_ylabel("value")
    figure.savefig(io.StringIO(), format="svg")


if __name__ == "__main__":
    print(measure())
