"""Readings as a check would have written them, made up for one case at a time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from runner.profile import Profile, find_profile, load_profile
from runner.reading import Reading
from runner.record.reader import CheckData, WaveformLine

METER = {
    "accuracy": {
        "dc-volts": {
            "function": "dc-volts",
            "unit": "V",
            "ranges": [
                {"range": 10.0, "pct_reading": 0.0035, "pct_range": 0.0005, "resolution": 1e-5},
                {"range": 100.0, "pct_reading": 0.0045, "pct_range": 0.0006, "resolution": 1e-4},
            ],
        }
    },
    "calibration_due": "2030-01-01",
}
LOAD = {
    "accuracy": {
        "dc-amps": {
            "function": "dc-amps",
            "unit": "A",
            "ranges": [{"range": 5.0, "pct_reading": 0.05, "pct_range": 0.05, "resolution": 1e-4}],
        }
    },
    "calibration_due": "2030-01-01",
}
SCOPE = {
    "accuracy": {"scope": {"gain_pct": 2.0, "difference_v": 0.3e-3, "bits": 12}},
    "calibration_due": "2030-01-01",
}
INSTRUMENTS = {"meter": METER, "load": LOAD, "scope": SCOPE}


def profile(name: str = "lb-2403") -> Profile:
    """A profile that comes along."""
    return load_profile(find_profile(name))


def data(
    name: str,
    readings: Sequence[Reading] = (),
    events: Sequence[dict[str, Any]] = (),
    waveforms: Sequence[WaveformLine] = (),
    instruments: dict[str, dict[str, Any]] | None = None,
) -> CheckData:
    """All that one check wrote."""
    return CheckData(
        name, list(readings), list(events), [], list(waveforms),
        INSTRUMENTS if instruments is None else instruments, day=date(2026, 5, 1),
    )  # fmt: skip


def volts(value: float | None, reason: str | None = None, **at: float | str) -> Reading:
    """One reading of the meter, 10 V or 100 V range."""
    range_v = 10.0 if abs(value or 0.0) < 10 else 100.0
    return Reading(
        "output-voltage", value, "V", "meter", "dc-volts", range=range_v, reason=reason, at=at
    )


def amps(value: float | None, reason: str | None = None, **at: float | str) -> Reading:
    """One reading of the load's own ammeter."""
    return Reading("load-current", value, "A", "load", "dc-amps", range=5.0, reason=reason, at=at)


def trace(quantity: str, value: float | None, span_v: float = 0.08, **at: float | str) -> Reading:
    """One figure of a scope record."""
    at = {"probe": 1.0, "acquire": "normal", **at}
    reason = None if value is not None else "no trigger came in time"
    return Reading(quantity, value, "V", "scope", "scope", range=span_v, reason=reason, at=at)


class Wave(WaveformLine):  # a subclass without slots may keep its samples
    """A waveform kept in memory."""

    def __init__(self, name: str, samples: Any, dt_s: float, t0_s: float, **at: Any) -> None:
        fields = {
            "dt_s": dt_s, "t0_s": t0_s, "span_v": at.pop("span_v", 0.4), "probe": 1.0,
            "instrument": "scope", "clipped": False, "at": at,
        }  # fmt: skip
        super().__init__(name, fields, Path())
        object.__setattr__(self, "_samples", samples)

    def volts(self) -> Any:
        """The samples as they were given."""
        return self._samples  # type: ignore[attr-defined]
