"""Messages that one point of a sweep costs: load level, meter reading, load reading."""

from __future__ import annotations

from runner.bench import find_bench, load_bench
from runner.bench_provider import BenchSetup, open_simulated
from runner.instruments.open import open_instruments
from runner.profile import find_profile, load_profile

__all__ = ["measure"]


def measure(points: int = 20) -> dict[str, float]:
    """Return ``round_trips_per_point``; three is the least that proves each setting."""
    bench = load_bench(find_bench("memory"))
    profile = load_profile(find_profile("lb-2403"))
    opened = open_simulated("memory", BenchSetup(bench, profile, seed=1))
    instruments = open_instruments(bench, opened, opened.clock)
    try:
        meter, load, supply = instruments.meter, instruments.load, instruments.supply
        if meter is None or load is None or supply is None:
            raise RuntimeError("the simulated bench lacks an instrument")
        supply.set_current_limit(3.0)
        supply.set_voltage(5.0)
        supply.output(True)
        meter.set_dc_volts(expect_v=5.0, nplc=1.0)
        load.set_current(0.1)
        load.input(True)
        before = _transactions(instruments.link_health())
        for number in range(points):
            load.set_current(0.1 + 0.01 * number)
            meter.read_volts()
            load.read_amps()
        after = _transactions(instruments.link_health())
    finally:
        instruments.close()
        opened.close()
    return {"round_trips_per_point": (after - before) / points}


def _transactions(health: dict[str, dict[str, int]]) -> int:
    return sum(counts["transactions"] for counts in health.values())
