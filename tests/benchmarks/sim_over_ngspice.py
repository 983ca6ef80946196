"""The plant against ngspice: same circuit, same simulated time, same agreement.

Agreement is the largest relative difference of mean, minimum, maximum, peak-to-peak and ac
rms from ngspice's own run at 5 µs steps. ngspice is then given the longest step with which it
is as near to that run as the plant is. Steady time costs the plant nothing, so the ratio
grows with the simulated time: it is taken over 10 s, and over 1 s beside it.
"""

from __future__ import annotations

import re
import time
from typing import Any

import numpy as np

from tests.sim_plant import ngspice
from tests.sim_plant.built import bench_of_point

__all__ = ["measure"]

POINTS = ("A1", "A4")
STEPS_S = (200e-6, 100e-6, 50e-6, 20e-6, 10e-6)
KEYS = ("mean", "min", "max", "pp", "acrms")


def _error(found: dict[str, float], exact: dict[str, float]) -> float:
    return max(abs(found[k] - exact[k]) / abs(exact[k]) for k in KEYS)


def _netlist(name: str, step_s: float, span_s: float) -> str:
    text = (ngspice.FOLDER / f"{name}.cir").read_text()
    return re.sub(r"\.tran .*", f".tran {step_s} {span_s} 0 {step_s} uic", text)


def _ngspice_run(point: dict[str, Any], step_s: float, span_s: float) -> tuple[float, float]:
    """Seconds taken, and the error of the last ten cycles."""
    start = time.perf_counter()
    data = ngspice.run_netlist(_netlist(point["id"], step_s, span_s))
    taken_s = time.perf_counter() - start
    t, v = ngspice.window(data, "v(rawc)", span_s - 10 / point["f"], span_s)
    return taken_s, _error(ngspice.figures(t, v, point["f"]), _exact(point["id"]))


def _exact(name: str) -> dict[str, float]:
    row = ngspice.stored("results.csv")[name]
    return {k: float(row[f"raw_{k}"]) for k in KEYS}


def _plant_run(point: dict[str, Any], span_s: float) -> tuple[float, float]:
    start = time.perf_counter()
    bench = bench_of_point(point, span_s)
    f = point["f"]
    t = bench.now - 10 / f + np.arange(10 * 400 + 1) / (400 * f)
    v = bench.plant.samples_v("raw", "minus", t)
    taken_s = time.perf_counter() - start
    return taken_s, _error(ngspice.figures(t, v, f), _exact(point["id"]))


def _ratio(point: dict[str, Any], span_s: float) -> float:
    _plant_run(point, 0.2)  # both sides warm: caches of the interpreter, files in memory
    mine_s, mine_error = min(_plant_run(point, span_s) for _ in range(3))
    for step_s in STEPS_S:
        theirs_s, error = _ngspice_run(point, step_s, span_s)
        if error <= mine_error:
            break
    return theirs_s / mine_s


def measure() -> dict[str, float]:
    """Return ``sim_over_ngspice`` (10 s simulated) and ``sim_over_ngspice_1s``, the lower point."""
    if not ngspice.installed():
        return {}
    points = [p for p in ngspice.points("points.json") if p["id"] in POINTS]
    return {
        "sim_over_ngspice": min(_ratio(p, 10.0) for p in points),
        "sim_over_ngspice_1s": min(_ratio(p, 1.0) for p in points),
    }
