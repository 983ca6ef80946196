"""The knee of an ideal limiter (Ohm's law: V until V/R reaches I, then I·R), also with gaps."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.checks import current_limit, current_limit_findings
from runner.checks.current_limit import HALVED, KNEE_FROM, KNEE_HELD, KNEE_POINTS, KNEE_TO
from runner.checks.current_limit_findings import knee
from runner.reading import Reading
from tests.checks.made_up import amps, data, profile, volts

SET_V, SET_A = 5.3, 2.0
CRITICAL_OHM = SET_V / SET_A


def _at(ohm: float) -> tuple[float, float]:
    """Volts and amps of the ideal limiter at a load."""
    if ohm > CRITICAL_OHM:
        return SET_V, SET_V / ohm
    return SET_A * ohm, SET_A


def _swept(lost: set[int], monkeypatch: pytest.MonkeyPatch) -> dict[int, float]:
    """Resistances asked for by number, with the voltage of some points lost."""
    asked: dict[int, float] = {}

    def point(_work: Any, _load: Any, number: int, ohm: float, *_: float) -> float | None:
        asked[number] = ohm
        return None if number in lost else _at(ohm)[0]

    monkeypatch.setattr(current_limit, "_knee_point", point)
    load = SimpleNamespace(set_resistance=lambda _: None, input=lambda _: None)
    work: Any = SimpleNamespace(bench=SimpleNamespace(by_hand=lambda _: False))
    current_limit._knee(work, load, SET_V, SET_A)  # type: ignore[arg-type]
    return asked


@pytest.mark.parametrize("lost", [set(), {5}, {6}, {7}, {5, 6, 7}, {KNEE_POINTS}])
def test_the_search_closes_in_on_the_knee_whatever_reading_is_lost(
    lost: set[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = _swept(lost, monkeypatch)
    assert len(asked) == KNEE_POINTS + HALVED
    known = [ohm for number, ohm in asked.items() if number not in lost]
    edge_ohm = KNEE_HELD * CRITICAL_OHM
    gap = min(o for o in known if o >= edge_ohm) / max(o for o in known if o < edge_ohm)
    # A gap of n lost steps is n + 1 steps wide, and each halving that was read halves it.
    step = (KNEE_FROM / KNEE_TO) ** (1 / (KNEE_POINTS - 1))
    coarse, halvings = lost & set(range(KNEE_POINTS)), HALVED - len(lost - set(range(KNEE_POINTS)))
    assert gap <= step ** ((1 + len(coarse)) / 2**halvings) * (1 + 1e-9)


@pytest.mark.parametrize("factors", [
    (1.5, 1.25, 1.04, 0.866, 0.72, 0.6),
    (1.5, 1.25, 1.04, 1.003, 0.985, 0.95, 0.866, 0.72),
    (1.5, 1.25, 0.866, 0.72, 0.6),  # the points about the knee were lost
    (1.5, 1.04, 0.72, 0.6),
])  # fmt: skip
def test_the_stated_width_holds_that_of_a_sharp_limit(factors: tuple[float, ...]) -> None:
    readings: list[Reading] = []
    for number, factor in enumerate(factors):
        ohm = factor * CRITICAL_OHM
        at: dict[str, float | str] = {"knee": number, "ohm": ohm, "set_v": SET_V, "set_a": SET_A}
        v, a = _at(ohm)
        readings += [volts(v, **at), amps(a, **at)]
    found = current_limit_findings.findings(data("current-limit", readings), profile())
    width = next(one for one in found if one.what == "width of the knee")
    assert width.value is not None
    assert width.u_expanded is not None
    # The limiter has no width: it has the corner that only the triangle's side allows, of which
    # 95 % reach to 1 - sqrt(0.05) = 0.776.
    assert 0.776 * width.value <= width.u_expanded


@pytest.mark.parametrize("lowest_v", [3.0, 5.2])
def test_an_output_that_comes_up_again_has_no_knee(lowest_v: float) -> None:
    swept = [(5.3, 1.0), (5.29, 1.8), (lowest_v, 2.0), (5.3, 2.1)]
    assert "came up again" in str(knee(SET_V, swept))


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.5, 0.74, 0.76, 0.98, 1.0]).map(lambda share: share * SET_V),
            st.floats(0.0, 2 * SET_A),
        ),
        max_size=12,
    )
)
def test_whatever_was_swept_gives_a_knee_or_a_reason(points: list[tuple[float, float]]) -> None:
    found = knee(SET_V, points)
    assert isinstance(found, str) or all(math.isfinite(one.amps) for one in found)
