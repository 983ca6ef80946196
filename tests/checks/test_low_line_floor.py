"""The ripple at low line knows the bench's own noise, where the ripple check found it before."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from runner.checks import headroom, headroom_findings
from runner.reading import Reading
from tests.checks.made_up import data, profile, trace, volts

FLOOR_PP_V, SPAN_V = 0.43e-3, 8e-3


@dataclass
class _Log:
    written: list[Reading] = field(default_factory=list)

    def reading(self, reading: Reading) -> None:
        self.written.append(reading)


@dataclass
class _Work:
    log: _Log
    written: Any


def _floor(acquire: str) -> Reading:
    return trace("floor-pp", FLOOR_PP_V, span_v=SPAN_V, acquire=acquire)


def test_floor_of_the_same_acquisition_is_written_again() -> None:
    earlier = data("ripple", [_floor("normal"), _floor("peak"), trace("ripple-pp", 1e-3)])
    log = _Log()
    headroom._keep_floor(_Work(log, lambda name: earlier))  # type: ignore[arg-type]
    assert [one.at["acquire"] for one in log.written] == ["normal"]
    headroom._keep_floor(_Work(log, None))  # type: ignore[arg-type]
    assert len(log.written) == 1


def test_noise_only_adds_to_the_ripple_at_low_line() -> None:
    """1.2 mV read over 0.43 mV of noise: 1.2 - sqrt(1.2² - 0.43²) mV too high at least (arith)."""
    at = {"point": "maximum", "set_v": 24.0, "load_a": 3.0}
    readings = [volts(24.0, line_share=share, **at) for share in (1.0, 0.9)]
    readings += [trace("ripple-pp", 1.2e-3, span_v=SPAN_V, line_share=s, **at) for s in (1.0, 0.9)]

    def line(more: list[Reading]) -> dict[str, Any]:
        found = headroom_findings.findings(data("headroom", readings + more), profile())
        return next(one for one in found if one.what.startswith("ripple")).budget[0]

    assert line([])["shift"] == 0.0
    added_v = 1.2e-3 - (1.2e-3**2 - FLOOR_PP_V**2) ** 0.5
    assert line([_floor("normal")])["shift"] == pytest.approx(-added_v)
    assert line([trace("floor-pp", FLOOR_PP_V, span_v=0.4)])["shift"] == 0.0  # another range
