"""A link that gets worse: counts by hand."""

from __future__ import annotations

import pytest

from runner.link.worsening import GROWTH, MANY, WINDOW, Worsening


def _windows(*repeats: int) -> list[str]:
    """What is said at the end of each window with that many repeats in it."""
    watch, said = Worsening(), []
    for many in repeats:
        told = [watch.asked(1 if n < many else 0) for n in range(WINDOW)]
        assert not any(told[:-1])
        said.append(told[-1])
    return said


@pytest.mark.parametrize(
    "repeats",
    [
        (WINDOW,),  # a bad start alone is no rise
        (7, 7, 7, 7),  # one answer lost in seven is borne
        (MANY, int(GROWTH * MANY) - 1),
        (0, MANY - 1),
    ],
)
def test_a_steady_loss_is_borne(repeats: tuple[int, ...]) -> None:
    assert not any(_windows(*repeats))


def test_a_rising_count_is_said_with_both_numbers() -> None:
    first, second, third = _windows(4, MANY, MANY)
    assert not first and not third  # said once, where it rose
    assert f"{MANY} for the last {WINDOW} questions, 4 for the {WINDOW} before" in second
