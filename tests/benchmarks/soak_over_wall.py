"""How much faster than the wall clock the plant soaks, read once a second on three channels."""

from __future__ import annotations

import time

from sim_instruments.plant import design_unit
from tests.sim_plant.built import TWO_TAP, Bench

__all__ = ["measure"]


def measure(span_s: int = 3600) -> dict[str, float]:
    """Return ``soak_over_wall``: output, load current and inlet power, line and ambient wandering.

    A 12 h soak in under a minute needs 720.
    """
    bench = Bench(design_unit(TWO_TAP, 1), 1).at(12.0, 3.0)
    plant, start = bench.plant, time.perf_counter()
    for _ in range(span_s):
        now = bench.wait(1.0)
        plant.mean_v("plus", "minus", now - 0.2, now)
        plant.load_a(now - 0.2, now)
        plant.inlet(now - 0.2, now)
    return {"soak_over_wall": span_s / (time.perf_counter() - start)}
