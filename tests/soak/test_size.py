"""What a long night may cost, on a short one: bytes a reading, memory that does not grow."""

from __future__ import annotations

from tests.benchmarks.soak_night import measure


def test_a_night_is_small_and_flat() -> None:
    found = measure(for_s=1200.0)
    assert found["bytes_a_reading"] <= 120.0
    assert found["memory_growth_mb"] <= 20.0
