"""A scope maker's vertical accuracy as data, and what traces are worth at one setting.

Makers state a difference of two samples on one trace as +-(gain % of the difference + a share
of a division + a fixed part); after averaging the share of a division shrinks. All quantities
are at the probe's tip, in V.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from runner.metrology.certificate import Certificate, calendar_caveats
from runner.metrology.coverage import divisor
from runner.metrology.plain import STRICT, from_plain, not_negative, positive, to_plain

__all__ = ["ScopeAccuracy", "ScopeScale"]


@dataclass(frozen=True)
class ScopeAccuracy:
    """A maker's vertical accuracy as data; half-widths of rectangles unless `coverage` says else.

    `gain_pct` holds from `gain_from_v_div` up, `gain_low_pct` below it (None: the same).
    `difference_div` and `difference_v` belong to a difference of two samples, `averaged_div`
    to one of averaged traces. `full_divisions` is the converter's span in divisions.
    """

    __pydantic_config__ = STRICT

    gain_pct: float
    gain_low_pct: float | None = None
    gain_from_v_div: float = 0.0
    difference_div: float = 0.15
    difference_v: float = 1.2e-3
    averaged_div: float = 0.05
    bits: int = 8
    full_divisions: float = 8.0
    calibration_interval_days: int | None = 365
    coverage: str = "rectangular"
    source: str = ""
    from_memory: bool = False

    def __post_init__(self) -> None:
        positive("gain_pct", self.gain_pct)
        positive("gain_low_pct", self.gain_pct if self.gain_low_pct is None else self.gain_low_pct)
        for key in ("gain_from_v_div", "difference_div", "difference_v", "averaged_div"):
            not_negative(key, getattr(self, key))
        positive("full_divisions", self.full_divisions)
        if not 4 <= self.bits <= 24:
            raise ValueError(f"bits: expected from 4 to 24, found {self.bits!r}")
        divisor(self.coverage)

    def scale(
        self,
        v_per_div: float,
        *,
        instrument: str,
        on: date,
        probe_ratio: float = 1.0,
        probe_pct: float = 0.0,
        certificate: Certificate | None = None,
    ) -> ScopeScale:
        """Return what traces are worth at this setting on day `on`.

        `v_per_div` as shown, that is at the tip of the probe; `probe_ratio` is 10 for a 10:1
        probe, whose division by ten the scope's fixed part is multiplied with again;
        `probe_pct` the limit of the probe's own error.
        """
        positive("v_per_div", v_per_div)
        positive("probe_ratio", probe_ratio)
        not_negative("probe_pct", probe_pct)
        if not instrument:
            raise ValueError("instrument: expected its name on the bench, found nothing")
        low = v_per_div / probe_ratio < self.gain_from_v_div * (1 - 1e-9)
        gain_pct = self.gain_low_pct if low and self.gain_low_pct is not None else self.gain_pct
        due = (certificate or Certificate()).due(self.calibration_interval_days)
        caveats = calendar_caveats(due, on)
        if self.from_memory:
            caveats += ("accuracy figures are from memory, not from a document",)
        return ScopeScale(
            instrument=instrument,
            v_per_div=v_per_div,
            gain_rel=gain_pct / 100,
            difference_v=self.difference_div * v_per_div + self.difference_v * probe_ratio,
            averaged_v=self.averaged_div * v_per_div,
            step_v=self.full_divisions * v_per_div / 2**self.bits,
            probe_rel=probe_pct / 100,
            coverage=self.coverage,
            source=self.source or "maker's accuracy statement",
            caveats=tuple(f"{instrument}: {sentence}" for sentence in caveats),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return to_plain(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> ScopeAccuracy:
        """Build from plain values; ValueError names key, expected and found."""
        return from_plain(cls, plain)


@dataclass(frozen=True)
class ScopeScale:
    """One scope at one vertical setting: limits of error (half-widths) at the tip, in V."""

    instrument: str
    v_per_div: float
    gain_rel: float
    difference_v: float
    averaged_v: float
    step_v: float
    probe_rel: float = 0.0
    coverage: str = "rectangular"
    source: str = ""
    caveats: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Scope and setting in words; traces with the same name share gain and probe."""
        return f"{self.instrument}, {self.v_per_div:g} V/div"
