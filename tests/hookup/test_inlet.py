"""The line at the inlet: within ten per cent, and no lamp in it."""

from __future__ import annotations

import pytest

from runner.bench import find_bench, load_bench
from runner.hookup.inlet import line_refusal
from runner.profile import find_profile, load_profile

BENCH = load_bench(find_bench("by-hand"))
PROFILE = load_profile(find_profile("lb-2403"))


@pytest.mark.parametrize(
    ("line_v", "refused"),
    # Nominal 230 V ± 10 % (common practice): 207.0 to 253.0 V.
    [(230.0, False), (207.0, False), (253.0, False), (206.8, True), (253.2, True), (120.0, True),
     (None, False)],
)  # fmt: skip
def test_ten_per_cent(line_v: float | None, refused: bool) -> None:
    assert (line_refusal(BENCH, PROFILE, line_v) is not None) is refused


def test_a_lamp_refuses_whatever_the_voltage() -> None:
    mains = BENCH.mains.model_copy(update={"chain": ("lamp-limiter",)})
    said = line_refusal(BENCH.model_copy(update={"mains": mains}), PROFILE, 230.0)
    assert said is not None
    assert "lamp" in said
