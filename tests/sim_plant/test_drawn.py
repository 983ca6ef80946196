"""Cycles mixed from solved neighbours, against solving them outright (the plant's own solver,
which is itself held against ngspice)."""

from __future__ import annotations

import copy
import math
import random
from dataclasses import replace

import numpy as np
import pytest

from runner.clock import VirtualClock
from runner.profile import find_profile, load_profile
from sim_instruments.plant import LoadDemand, Plant, design_unit
from sim_instruments.plant.steadiness import SteadyStore


@pytest.mark.parametrize("name", ["lb-2403", "lb-3605", "kn-1502"])
def test_a_mixed_cycle_is_the_solved_one(name: str) -> None:
    clock = VirtualClock()
    unit = design_unit(load_profile(find_profile(name)), 1)
    plant = Plant(unit, clock, 1)
    plant.set_voltage(4.0)
    plant.set_output(True)
    plant.set_load(LoadDemand(mode="cc", level=1.0))
    clock.sleep(3.0)
    plant.mean_v("plus", "minus", 2.0, 2.5)
    base, _ = plant._engine.circuit()
    store, rng, mixed = SteadyStore(), random.Random(3), 0
    for _ in range(40):
        circuit = replace(
            base, emf_v=base.emf_v * rng.uniform(0.95, 1.06), goal_v=rng.uniform(1.0, 5.0),
            load_level=math.exp(rng.uniform(math.log(0.02), math.log(1.8))),
            f_hz=base.f_hz + rng.uniform(-0.05, 0.05),
        )  # fmt: skip
        state = copy.copy(plant._engine.state)
        state.v_out = state.target_v = circuit.goal_v
        state.i_pass = circuit.load_level
        drawn = store._drawn.cycle(circuit, state)
        if drawn is None:
            continue
        mixed += 1
        solved = store._solve_exactly(circuit, state)
        assert solved is not None
        assert drawn.mean("raw") == pytest.approx(solved.mean("raw"), abs=1e-3)
        assert drawn.mean("out") == pytest.approx(solved.mean("out"), abs=1e-6)
        assert drawn.mean("pass") == pytest.approx(solved.mean("pass"), abs=1e-6)
        spans = [one.high("raw") - one.low("raw") for one in (drawn, solved)]
        assert spans[0] == pytest.approx(spans[1], rel=2e-3)
        rms = [float(np.std(one.waves[2])) for one in (drawn, solved)]
        assert rms[0] == pytest.approx(rms[1], rel=2e-3)
    assert mixed >= 30
