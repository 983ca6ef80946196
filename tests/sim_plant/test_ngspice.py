"""The plant against ngspice: tests/references/ngspice (see its README)."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from sim_instruments.plant import LoadDemand
from sim_instruments.plant.circuit import Circuit, State, run
from tests.sim_plant import ngspice
from tests.sim_plant.built import bench_of_point

GIVEN = {p["id"]: p for p in ngspice.points("points.json")}
OWN = {p["id"]: p for p in ngspice.points("own_points.json")}
LEVEL = 2e-3  # mean, min, max: 0.2 %
SWING = 1e-2  # pp, ac rms, A(f), A(2f): 1 %


def plant_figures(point: dict[str, Any]) -> dict[str, dict[str, float]]:
    bench = bench_of_point(point)
    f = point["f"]
    cycles = 2
    start = np.ceil((bench.now - (cycles + 1) / f) * f) / f
    t = start + np.arange(cycles * 4000 + 1) / (4000 * f)
    plant = bench.plant
    found = {"raw": ngspice.figures(t, plant.samples_v("raw", "minus", t), f)}
    if "reg" in point:
        found["out"] = ngspice.figures(t, plant.samples_v("plus", "minus", t), f)
    if "primary_ohm" in point:
        inlet = plant.inlet(float(t[0]), float(t[-1]))
        found["inlet"] = {"v_rms": inlet.v_rms, "i_rms": inlet.i_rms, "p_w": inlet.p_w}
    return found


def assert_agrees(mine: dict[str, float], other: dict[str, float], where: str) -> None:
    scale = abs(other.get("pp", 0.0))
    for name, want in other.items():
        part = LEVEL if name in ("mean", "min", "max", "v_rms") else SWING
        # a component that is not there (< 0.1 % of pp) has no relative error
        absent = name in ("amp_f", "amp_2f") and want < 1e-3 * scale
        floor = 1e-3 * scale if absent else 1e-9  # 1 nV: rounding
        assert abs(mine[name] - want) <= part * abs(want) + floor, (
            f"{where} {name}: plant {mine[name]:.6g}, ngspice {want:.6g}"
        )


def given_figures(row: dict[str, str], node: str) -> dict[str, float]:
    prefix = {"raw": "raw_", "out": "out_"}[node]
    keys = {k: f"{prefix}{k}" for k in ("mean", "min", "max", "pp", "acrms")}
    keys |= (
        {"amp_f": "amp_f", "amp_2f": "amp_2f"}
        if node == "raw"
        else {"amp_f": "out_amp_f", "amp_2f": "out_amp_2f"}
    )
    return {k: float(row[v]) for k, v in keys.items()}


@pytest.mark.parametrize("name", GIVEN)
def test_given_points(name: str) -> None:
    row = ngspice.stored("results.csv")[name]
    mine = plant_figures(GIVEN[name])
    for node in mine:
        assert_agrees(mine[node], given_figures(row, node), f"{name} {node}")


@pytest.mark.parametrize("name", OWN)
def test_own_points(name: str) -> None:
    """Netlists run here when ngspice is installed, their stored figures otherwise."""
    if ngspice.installed():
        theirs = ngspice.live_figures(OWN[name])
    else:
        rows = json.loads((ngspice.FOLDER / "own_results.json").read_text())
        theirs = {r["node"]: r["figures"] for r in rows if r["id"] == name}
    mine = plant_figures(OWN[name])
    assert set(mine) == set(theirs)
    for node in mine:
        assert_agrees(mine[node], theirs[node], f"{name} {node}")


@pytest.mark.slow
@pytest.mark.parametrize("name", GIVEN)
def test_given_netlists_run_here(name: str) -> None:
    if not ngspice.installed():
        pytest.skip("ngspice is not installed")
    live = ngspice.live_figures(GIVEN[name])
    mine = plant_figures(GIVEN[name])
    for node in mine:
        assert_agrees(mine[node], live[node], f"{name} {node}")


def wave(name: str) -> tuple[np.ndarray, np.ndarray]:
    if ngspice.installed():
        t, v = ngspice.transient(name, "v(rawc)")
    else:
        t, v = np.loadtxt(ngspice.FOLDER / f"{name}_wave.csv", delimiter=",", skiprows=1).T
    keep = t > 0.28
    return t[keep], v[keep]


def assert_wave_agrees(mine: np.ndarray, theirs: np.ndarray) -> None:
    assert abs(mine.mean() - theirs.mean()) < LEVEL * abs(theirs.mean())
    assert abs(mine.min() - theirs.min()) < LEVEL * abs(theirs.min())
    assert abs(mine.max() - theirs.max()) < LEVEL * abs(theirs.max())
    assert np.sqrt(np.mean((mine - theirs) ** 2)) < SWING * theirs.std()


def test_load_step_of_the_reservoir() -> None:
    """T1: 0.1 A to 3 A at 400 ms, through the plant."""
    point = GIVEN["A1"] | {"il": 0.1}
    bench = bench_of_point(point)
    start = np.ceil(bench.now * 50.0) / 50.0  # an upward zero crossing, 400 ms of the netlist
    bench.wait(start - bench.now)
    bench.plant.set_load(LoadDemand("cc", 3.0))
    bench.wait(0.1)
    t, theirs = wave("T1")
    late = t > 0.4
    mine = bench.plant.samples_v("raw", "minus", start + t[late] - 0.4)
    assert_wave_agrees(mine, theirs[late])


def test_tap_change_of_the_reservoir() -> None:
    """T2: one winding leaves, 2 ms later the other arrives; the circuit alone."""
    low = Circuit(50.0, 15.0, 0.35, 0.35, 6800e-6, 0.03, i_quiescent_a=2.0)
    none = Circuit(50.0, 0.0, 1.0, 1.0, 6800e-6, 0.03, pos=False, neg=False, i_quiescent_a=2.0)
    high = Circuit(50.0, 28.0, 0.6, 0.6, 6800e-6, 0.03, i_quiescent_a=2.0)
    state = State(0.0, 0.0, v_c=16.0)
    parts = []
    for circuit, until_s in ((low, 0.303), (none, 0.305), (high, 0.4)):
        parts.append(run(circuit, state, until_s)[1])
    t, theirs = wave("T2")
    rows = np.concatenate(parts)
    mine = np.interp(t, rows[:, 0], rows[:, 1])
    assert_wave_agrees(mine, theirs)
