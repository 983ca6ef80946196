"""Runs the netlists of tests/references/ngspice and works out their figures.

`python -m tests.sim_plant.ngspice` runs the project's own netlists anew and stores the
figures, for machines where ngspice is not installed.
"""

from __future__ import annotations

import csv
import json
import math
import re
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

FOLDER = Path(__file__).parent.parent / "references" / "ngspice"
CYCLES = 10
FIGURES = ("mean", "min", "max", "pp", "acrms", "amp_f", "amp_2f")
STORED_STEP_S = 50e-6


def installed() -> bool:
    return shutil.which("ngspice") is not None


def read_raw(path: Path) -> dict[str, np.ndarray]:
    """Columns of a binary ngspice result file by lower-case name."""
    data = path.read_bytes()
    split = data.index(b"Binary:\n")
    head = data[:split].decode()
    columns = int(re.search(r"No. Variables: (\d+)", head)[1])  # type: ignore[index]
    points = int(re.search(r"No. Points: (\d+)", head)[1])  # type: ignore[index]
    names = [
        line.split()[1].lower()
        for line in head.split("Variables:\n")[1].strip().splitlines()[:columns]
    ]
    body = np.frombuffer(data, "<f8", columns * points, split + 8).reshape(points, columns)
    return {name: body[:, k] for k, name in enumerate(names)}


def run_netlist(text: str) -> dict[str, np.ndarray]:
    with tempfile.TemporaryDirectory() as folder:
        netlist, raw = Path(folder) / "n.cir", Path(folder) / "n.raw"
        netlist.write_text(text)
        subprocess.run(
            ["ngspice", "-b", "-r", str(raw), str(netlist)], check=True, capture_output=True
        )
        return read_raw(raw)


def window(data: dict[str, np.ndarray], name: str, a_s: float, b_s: float):
    t = data["time"]
    inside = (t > a_s) & (t < b_s)
    grid = np.concatenate([[a_s], t[inside], [b_s]])
    return grid, np.interp(grid, t, data[name])


def figures(t: np.ndarray, v: np.ndarray, f_hz: float) -> dict[str, float]:
    """Mean, bounds, ac rms and amplitudes at f and 2f over whole cycles (trapezoidal)."""
    span = t[-1] - t[0]
    mean = float(np.trapezoid(v, t) / span)

    def amplitude(n: int) -> float:
        turn = np.exp(-2j * np.pi * n * f_hz * t)
        return float(2.0 / span * abs(np.trapezoid(v * turn, t)))

    return {
        "mean": mean,
        "min": float(v.min()),
        "max": float(v.max()),
        "pp": float(np.ptp(v)),
        "acrms": math.sqrt(float(np.trapezoid((v - mean) ** 2, t) / span)),
        "amp_f": amplitude(1),
        "amp_2f": amplitude(2),
    }


def points(name: str) -> list[dict[str, Any]]:
    return json.loads((FOLDER / name).read_text())


def stored(name: str) -> dict[str, dict[str, str]]:
    with (FOLDER / name).open() as file:
        return {row["id"]: row for row in csv.DictReader(file)}


def live_figures(point: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Run a point's netlist; figures of raw, and of out and inlet where it has them."""
    data = run_netlist((FOLDER / f"{point['id']}.cir").read_text())
    f, end = point["f"], point.get("t1", 1.0)
    start = end - CYCLES / f
    t, v = window(data, "v(rawc)", start, end)
    found = {"raw": figures(t, v, f)}
    if "reg" in point:
        t, v = window(data, "v(out)", start, end)
        found["out"] = figures(t, v, f)
    if "primary_ohm" in point:
        t, i = window(data, "i(vline)", start, end)
        _, v = window(data, "v(inlet)", start, end)
        span = t[-1] - t[0]
        found["inlet"] = {
            "v_rms": math.sqrt(float(np.trapezoid(v * v, t) / span)),
            "i_rms": math.sqrt(float(np.trapezoid(i * i, t) / span)),
            "p_w": float(-np.trapezoid(v * i, t) / span),
        }
    return found


def transient(name: str, column: str) -> tuple[np.ndarray, np.ndarray]:
    """A netlist's wave on a 50 µs grid."""
    data = run_netlist((FOLDER / f"{name}.cir").read_text())
    t = np.arange(0.0, data["time"][-1], STORED_STEP_S)
    return t, np.interp(t, data["time"], data[column])


def store() -> None:
    rows = []
    for point in points("own_points.json"):
        for node, values in live_figures(point).items():
            rows.append({"id": point["id"], "node": node, "figures": values})
            print(point["id"], node, {k: round(v, 5) for k, v in values.items()})
    (FOLDER / "own_results.json").write_text(json.dumps(rows, indent=1) + "\n")
    for name in ("T1", "T2"):
        t, v = transient(name, "v(rawc)")
        keep = t > 0.28
        lines = [f"{a:.5f},{b:.5f}" for a, b in zip(t[keep], v[keep], strict=True)]
        (FOLDER / f"{name}_wave.csv").write_text("\n".join(["t_s,v_raw", *lines]) + "\n")


if __name__ == "__main__":
    store()
