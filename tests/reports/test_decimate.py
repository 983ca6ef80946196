"""Thinning keeps every peak."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.decimate import keep_extremes


@given(
    st.integers(1, 5000), st.integers(4, 300), st.integers(0, 2**32 - 1),
)  # fmt: skip
def test_least_and_greatest_first_and_last_stay(n: int, most: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.arange(n, dtype=float), rng.standard_cauchy(n)
    thin_x, thin_y = keep_extremes(x, y, most)
    assert thin_y.min() == y.min()
    assert thin_y.max() == y.max()
    assert (thin_x[0], thin_x[-1]) == (x[0], x[-1])
    assert np.all(np.diff(thin_x) > 0)
    assert thin_x.size <= max(n if n <= most else most + 4, 1)
    assert np.array_equal(y[thin_x.astype(int)], thin_y)


def test_a_single_sample_spike_in_a_night_is_still_drawn() -> None:
    y = np.zeros(432_000)
    y[123_457] = 1.0
    _, thin = keep_extremes(np.arange(y.size, dtype=float), y)
    assert thin.max() == 1.0
    assert thin.size <= 2404


@pytest.mark.parametrize(
    ("x", "y", "most"), [((3,), (4,), 10), ((2, 2), (2, 2), 10), ((9,), (9,), 3)]
)
def test_unfit_input_is_refused(x: tuple[int, ...], y: tuple[int, ...], most: int) -> None:
    with pytest.raises(ValueError, match="expected"):
        keep_extremes(np.zeros(x), np.zeros(y), most)
