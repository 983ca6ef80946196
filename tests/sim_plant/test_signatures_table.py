"""The worked example of tests/references/plant_signatures.csv, line by line."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sim_instruments.plant import Parts
from sim_instruments.plant.parts import (
    Diode,
    Mains,
    Rectifier,
    Reservoir,
    TapControl,
    Transformer,
    Winding,
)
from tests.sim_plant.built import NO_EARTH, QUIET, Bench

TABLE = Path(__file__).parent.parent / "references" / "plant_signatures.csv"
ROWS = {row["case"]: row for row in csv.DictReader(TABLE.read_text().splitlines())}

# n·Vt = 2.6 mV: 0.9 V at 8 A, and within 10 mV of it from 0.2 A to 300 A
CONSTANT_DROP = Diode(is_a=8.0 * math.exp(-0.9 / (0.1 * 0.0258649)), n=0.1, rs_ohm=0.0)


def example(fault: str, line: float) -> Bench:
    regulator = replace(
        QUIET, v_max=15.3, i_max=3.0, dropout_v=2.5, line_rejection_db=60.0, line_corner_hz=1e9
    )
    taps = TapControl(
        kind="relay", windings=(Winding(18.0, 0.25), Winding(33.5, 0.4)), up_v=(13.0,),
        down_v=(12.4,), contact_ohm=0.0, sense_noise_v=0.0, coil_kick_v=0.0,
    )  # fmt: skip
    parts = Parts(
        regulator=regulator,
        reservoir=Reservoir(10e-3, 0.03),
        taps=taps,
        rectifier=Rectifier(diode=CONSTANT_DROP),
        mains=Mains(v_rms=230.0 * line, wander=0.0, f_wander_hz=0.0, source_ohm=0.0),
        transformer=Transformer(core_w=0.0, magnetising_a=0.0, aux_w=0.0),
        earth=NO_EARTH,
    )
    return Bench(parts, 1, (fault,) if fault else ())


@pytest.mark.parametrize("case", ROWS)
def test_worked_example(case: str) -> None:
    text = ROWS[case]
    row = {k: float(v) for k, v in text.items() if k not in ("case", "fault")}
    bench = example(text["fault"], row["line"])
    bench.plant.set_current_limit(1e3)  # the example has no limit that could slow a recovery
    bench.at(row["set_v"], row["load_a"], 3.0)
    t = bench.now - 0.08 + np.arange(8000) * 1e-5
    raw = bench.plant.samples_v("raw", "minus", t)
    out = bench.plant.samples_v("plus", "minus", t)
    # printed to 0.1 V; the low end also moves with how long the diodes conduct
    assert raw.min() == pytest.approx(row["raw_min_v"], abs=0.15)
    assert raw.max() == pytest.approx(row["raw_max_v"], abs=0.15)
    assert np.ptp(raw) == pytest.approx(row["raw_pp_v"], rel=0.03)
    # in dropout the output is raw - 2.5 V, so it is known no better than the printed raw
    at_dc = 0.002 + 1e-3 * abs(raw.mean() - 19.9)  # 60 dB for the raw voltage's mean too
    drops = row["out_pp_v"] > 0.1
    assert out.mean() == pytest.approx(row["out_mean_v"], abs=0.1 if drops else at_dc)
    assert np.ptp(out) == pytest.approx(row["out_pp_v"], abs=0.15 if drops else 0.15e-3)
    turn = np.exp(-2j * np.pi * 50.0 * t)
    at_f, at_2f = abs((raw * turn).mean()), abs((raw * turn**2).mean())
    assert (at_f > at_2f) == (row["ripple_hz"] == 50.0)


def test_no_load_of_a_stuck_tap_looks_perfect() -> None:
    """Worked example: 20.000 V at no load with the tap stuck low, raw 23.5 V."""
    bench = example("tap-stuck-low", 1.0).at(20.0, 0.0, 3.0)
    assert bench.volts() == pytest.approx(20.0, abs=0.01)
    assert bench.volts(0.2, "raw") == pytest.approx(23.5, abs=0.2)


def test_inlet_power_steps_with_the_tap() -> None:
    """Worked example: 59.6 W to 118.5 W at 3 A (raw power, losses of the transformer aside)."""
    bench = example("", 1.0).at(12.9, 3.0, 2.0)
    low_w = bench.plant.mean_v("raw", "minus", bench.now - 0.2, bench.now) * 3.0
    bench.at(13.2, 3.0, 2.0)
    high_w = bench.plant.mean_v("raw", "minus", bench.now - 0.2, bench.now) * 3.0
    assert low_w == pytest.approx(59.6, rel=0.01)
    assert high_w == pytest.approx(118.5, rel=0.01)
