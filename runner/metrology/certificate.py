"""The certificate of one instrument: its dates, and what it says better than the maker's sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from runner.metrology.plain import STRICT, finite, from_plain, not_negative, positive, to_plain

__all__ = ["Certificate", "CertificateEntry", "calendar_caveats"]


@dataclass(frozen=True)
class CertificateEntry:
    """Correction and uncertainty of one function on one range, in the function's unit.

    The corrected value is reading + correction + correction_pct_reading/100 * reading. The
    expanded uncertainty is u_expanded + u_expanded_pct_reading/100 * |reading| with the
    certificate's k. Drift is the change to be allowed for since the calibration, as the
    half-width of a rectangle; None means that nobody stated it, which the report says.
    """

    __pydantic_config__ = STRICT

    function: str
    range: float
    correction: float = 0.0
    correction_pct_reading: float = 0.0
    u_expanded: float = 0.0
    u_expanded_pct_reading: float = 0.0
    drift: float | None = None
    drift_pct_reading: float | None = None

    def __post_init__(self) -> None:
        positive("range", self.range)
        finite("correction", self.correction)
        finite("correction_pct_reading", self.correction_pct_reading)
        not_negative("u_expanded", self.u_expanded)
        not_negative("u_expanded_pct_reading", self.u_expanded_pct_reading)
        not_negative("drift", self.drift or 0.0)
        not_negative("drift_pct_reading", self.drift_pct_reading or 0.0)
        if self.u_expanded == 0 and self.u_expanded_pct_reading == 0:
            raise ValueError("u_expanded: expected an uncertainty above zero, found 0")


@dataclass(frozen=True)
class Certificate:
    """Calibration of one instrument; without entries it only dates the maker's figures."""

    __pydantic_config__ = STRICT

    number: str = ""
    calibrated_on: date | None = None
    due_on: date | None = None
    k: float = 2.0
    entries: tuple[CertificateEntry, ...] = ()

    def __post_init__(self) -> None:
        positive("k", self.k)
        if self.calibrated_on and self.due_on and self.due_on <= self.calibrated_on:
            raise ValueError(
                f"due_on: expected a date after {self.calibrated_on}, found {self.due_on}"
            )
        keys = [(entry.function, entry.range) for entry in self.entries]
        if len(set(keys)) != len(keys):
            raise ValueError(f"entries: expected one for each function and range, found {keys}")

    def entry(self, function: str, range_: float) -> CertificateEntry | None:
        """Return what the certificate says of this function and range, None if nothing."""
        for entry in self.entries:
            if entry.function == function and abs(entry.range / range_ - 1) < 1e-9:
                return entry
        return None

    def due(self, interval_days: int | None) -> date | None:
        """Return the day the calibration runs out; None when neither date nor interval tells."""
        if self.due_on is not None:
            return self.due_on
        if self.calibrated_on is None or interval_days is None:
            return None
        return self.calibrated_on + timedelta(days=interval_days)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return to_plain(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Certificate:
        """Build from plain values; ValueError names key, expected and found."""
        return from_plain(cls, plain)


def calendar_caveats(due: date | None, on: date) -> tuple[str, ...]:
    """Return what must be said of a calibration that ends on `due`, seen on day `on`."""
    if due is None:
        return ("no calibration date known",)
    if on > due:
        return (f"calibration was due {due.isoformat()}, {(on - due).days} days ago",)
    return ()
