"""A maker's accuracy statement as data, and what it is worth on one range on one day.

Statements come as +-(a % of reading + b % of range + n counts + a fixed part); the sum is one
limit of error (worked so by a maker for 5 V on a 10 V range: 100 uV + 50 uV = 150 uV, u =
150 uV/sqrt 3), so its parts add linearly and are one rectangular line of a budget.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

from runner.metrology.certificate import Certificate, calendar_caveats
from runner.metrology.coverage import divisor
from runner.metrology.plain import STRICT, finite, from_plain, not_negative, positive, to_plain
from runner.metrology.scale import Scale

__all__ = ["Accuracy", "RangeAccuracy"]


@dataclass(frozen=True)
class RangeAccuracy:
    """Limits of error on one range; values in the function's unit, percentages in percent.

    `range` is the full scale the percentages of range refer to, `resolution` the size of one
    count, `resolution_by_nplc` pairs of integration time (line periods) and count where the
    count follows it, `fixed` a limit that depends on nothing, `noise_rms` the scatter of one
    reading, `linearity_pct_range` the bend that does not leave a difference of two readings. The
    temperature terms are per kelvin outside the band. `coverage` says how the limit is
    distributed: rectangular, triangular, u-shaped or normal-k<number> (normal-k2).
    """

    __pydantic_config__ = STRICT

    range: float
    pct_reading: float = 0.0
    pct_range: float = 0.0
    counts: float = 0.0
    resolution: float = 0.0
    resolution_by_nplc: tuple[tuple[float, float], ...] = ()
    fixed: float = 0.0
    tempco_pct_reading: float = 0.0
    tempco_pct_range: float = 0.0
    linearity_pct_range: float = 0.0
    noise_rms: float = 0.0
    coverage: str = "rectangular"
    source: str = ""
    from_memory: bool = False

    def __post_init__(self) -> None:
        positive("range", self.range)
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, int | float) and not isinstance(value, bool):
                not_negative(field.name, value)
        for nplc, count in self.resolution_by_nplc:
            positive("resolution_by_nplc", nplc)
            positive("resolution_by_nplc", count)
        divisor(self.coverage)
        if self.counts > 0 and self.resolution == 0:
            raise ValueError("resolution: expected the size of one count, found 0")
        if self.gain_limit_rel + self.offset_limit == 0:
            raise ValueError("pct_reading: expected some limit of error, found none at all")

    @property
    def gain_limit_rel(self) -> float:
        """Limit of the proportional error, as a share of the reading."""
        return self.pct_reading / 100

    @property
    def offset_limit(self) -> float:
        """Limit of the constant error (function's unit)."""
        counts = self.counts * self.resolution
        return self.pct_range / 100 * self.range + counts + self.fixed

    def count_at(self, nplc: float | None) -> float:
        """Return one count at an integration time in line periods (None: not known).

        Between two stated times the shorter one's count holds, below all of them the shortest
        one's.
        """
        steps = sorted(self.resolution_by_nplc)
        if nplc is None or not steps:
            return self.resolution
        slower = [count for time, count in steps if time <= nplc * (1 + 1e-9)]
        return slower[-1] if slower else steps[0][1]

    def limit(self, value: float) -> float:
        """Return the limit of error at a reading (function's unit), inside the band."""
        finite("value", value)
        return self.gain_limit_rel * abs(value) + self.offset_limit


@dataclass(frozen=True)
class Accuracy:
    """What a maker states for one function of one instrument family.

    `calibration_interval_days` is how long after calibration the figures hold (None: not
    stated); they hold within `temperature_band_c` of `reference_temperature_c`.
    """

    __pydantic_config__ = STRICT

    function: str
    unit: str
    ranges: tuple[RangeAccuracy, ...]
    calibration_interval_days: int | None = 365
    reference_temperature_c: float = 23.0
    temperature_band_c: float = 5.0
    conditions: str = ""

    def __post_init__(self) -> None:
        finite("reference_temperature_c", self.reference_temperature_c)
        not_negative("temperature_band_c", self.temperature_band_c)
        if self.calibration_interval_days is not None:
            positive("calibration_interval_days", self.calibration_interval_days)
        if not self.ranges:
            raise ValueError("ranges: expected at least one, found none")
        full = [row.range for row in self.ranges]
        if len(set(full)) != len(full):
            raise ValueError(f"ranges: expected each range once, found {full}")

    def on_range(self, range_: float) -> RangeAccuracy:
        """Return the row whose full scale is `range_`; ValueError when there is none."""
        for row in self.ranges:
            if math.isclose(row.range, range_, rel_tol=1e-6):
                return row
        known = ", ".join(f"{row.range:g}" for row in self.ranges)
        raise ValueError(f"range: expected one of {known} {self.unit}, found {range_!r}")

    def holding(self, value: float) -> RangeAccuracy:
        """Return the row of the smallest range that holds `value`; ValueError when none does."""
        finite("value", value)
        fitting = [row for row in self.ranges if row.range >= abs(value)]
        if not fitting:
            top = max(row.range for row in self.ranges)
            raise ValueError(f"value: expected at most {top:g} {self.unit}, found {value!r}")
        return min(fitting, key=lambda row: row.range)

    def scale(
        self,
        range_: float,
        *,
        instrument: str,
        on: date,
        temperature_c: float | None = None,
        certificate: Certificate | None = None,
        nplc: float | None = None,
    ) -> Scale:
        """Return what readings of `instrument` on this range are worth on day `on`.

        `instrument` is its name on the bench: readings that share it share their errors.
        `temperature_c` is the room's; None is noted and taken as inside the band. `nplc` is the
        integration time of the readings in line periods, None where it is not known. Raises
        ValueError for a range that the statement does not have.
        """
        if not instrument:
            raise ValueError("instrument: expected its name on the bench, found nothing")
        row = self.on_range(range_)
        certificate = certificate or Certificate()
        entry = certificate.entry(self.function, row.range)
        outside_k, caveats, notes = self._temperature(row, temperature_c)
        caveats += calendar_caveats(certificate.due(self.calibration_interval_days), on)
        if entry is None and row.from_memory:
            caveats += ("accuracy figures are from memory, not from a document",)
        share = divisor(row.coverage)
        scale = Scale(
            instrument=instrument,
            function=self.function,
            unit=self.unit,
            range=row.range,
            gain_rel=row.gain_limit_rel / share,
            offset=row.offset_limit / share,
            difference_rel=row.gain_limit_rel / share,
            tempco_rel=outside_k * row.tempco_pct_reading / 100 / share,
            tempco_offset=outside_k * row.tempco_pct_range / 100 * row.range / share,
            linearity=row.linearity_pct_range / 100 * row.range / share,
            resolution=row.count_at(nplc),
            noise_rms=row.noise_rms,
            distribution="normal" if row.coverage.startswith("normal") else row.coverage,
            source=row.source or "maker's accuracy statement",
            caveats=tuple(f"{instrument}: {sentence}" for sentence in caveats),
            notes=tuple(f"{instrument}: {sentence}" for sentence in notes),
        )
        if entry is None:
            return scale
        return scale.certified(entry, certificate.k, certificate.number)

    def _temperature(
        self, row: RangeAccuracy, temperature_c: float | None
    ) -> tuple[float, tuple[str, ...], tuple[str, ...]]:
        middle, band = self.reference_temperature_c, self.temperature_band_c
        if temperature_c is None:
            said = f"room temperature not recorded, taken as within {middle:g} ± {band:g} °C"
            return 0.0, (), (said,)
        finite("temperature_c", temperature_c)
        outside_k = max(0.0, abs(temperature_c - middle) - band)
        unknown = row.tempco_pct_reading == 0 and row.tempco_pct_range == 0
        if outside_k > 0 and unknown:
            said = (
                f"room at {temperature_c:g} °C is outside {middle:g} ± {band:g} °C and the "
                "accuracy's temperature term is not known"
            )
            return 0.0, (said,), ()
        return outside_k, (), ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return to_plain(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Accuracy:
        """Build from plain values (dialect file, journal); ValueError names key and finding."""
        return from_plain(cls, plain)
