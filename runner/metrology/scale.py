"""What the readings of one instrument on one range are worth on one day."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from runner.metrology.certificate import CertificateEntry
from runner.metrology.coverage import divisor
from runner.metrology.plain import finite

__all__ = ["Components", "Scale"]


@dataclass(frozen=True)
class Components:
    """Standard uncertainties of one reading, in its unit, by how they hang together.

    `gain` and `tempco` grow with the reading; with `offset` they are the same error in every
    reading on this range. `resolution` and `noise` are new in every reading.
    """

    value: float
    gain: float
    offset: float
    tempco: float
    resolution: float
    noise: float

    @property
    def limit_u(self) -> float:
        """The statement's one limit: gain, offset and temperature added."""
        return self.gain + self.offset + self.tempco

    @property
    def u(self) -> float:
        """Standard uncertainty of the single reading."""
        return math.sqrt(self.limit_u**2 + self.resolution**2 + self.noise**2)


@dataclass(frozen=True)
class Scale:
    """Errors common to all readings of one instrument on one range, as standard uncertainties.

    `gain_rel` is a share of the reading, `offset` in the unit; `difference_rel` is the share
    that counts for a difference of two readings, in which the offset is gone; `linearity` is
    what stays of it per reading. `resolution` is one count (not a standard uncertainty),
    `noise_rms` one reading's scatter. `caveats` forbid a plain pass, `notes` are only said.
    """

    instrument: str
    function: str
    unit: str
    range: float
    gain_rel: float
    offset: float
    difference_rel: float
    tempco_rel: float = 0.0
    tempco_offset: float = 0.0
    linearity: float = 0.0
    resolution: float = 0.0
    noise_rms: float = 0.0
    correction: float = 0.0
    correction_rel: float = 0.0
    distribution: str = "rectangular"
    source: str = ""
    caveats: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Instrument and range in words; readings with the same name share their errors."""
        return f"{self.instrument}, {self.range:g} {self.unit} range"

    @property
    def resolution_u(self) -> float:
        """Standard uncertainty from the last digit d: d/sqrt 12 (GUM F.2.2.1)."""
        return self.resolution / math.sqrt(12)

    def corrected(self, value: float) -> float:
        """Return the reading with the certificate's correction applied (unit of the scale)."""
        finite("value", value)
        return value + self.correction + self.correction_rel * value

    def components(self, value: float) -> Components:
        """Split the standard uncertainty of one reading; ValueError unless `value` is finite."""
        finite("value", value)
        return Components(
            value=value,
            gain=self.gain_rel * abs(value),
            offset=self.offset,
            tempco=self.tempco_rel * abs(value) + self.tempco_offset,
            resolution=self.resolution_u,
            noise=self.noise_rms,
        )

    def difference_u(self, difference: float) -> float:
        """Return the scale's standard uncertainty of a difference of two readings on it.

        The offset is the same in both and leaves; the gain acts on the difference alone.
        """
        finite("difference", difference)
        return (self.difference_rel + self.tempco_rel) * abs(difference)

    def certified(self, entry: CertificateEntry, k: float, number: str) -> Scale:
        """Return the scale with a certificate's figures in place of the maker's.

        Drift since calibration is rectangular and joins in quadrature. In a difference the
        constant part may still be gain at full scale, so it is counted as such.
        """
        drift_u = (entry.drift or 0.0) / divisor("rectangular")
        drift_rel = (entry.drift_pct_reading or 0.0) / 100 / divisor("rectangular")
        gain_rel = math.hypot(entry.u_expanded_pct_reading / 100 / k, drift_rel)
        offset = math.hypot(entry.u_expanded / k, drift_u)
        notes = self.notes
        if entry.drift is None and entry.drift_pct_reading is None:
            said = "certificate used without an allowance for change since calibration"
            notes += (f"{self.instrument}: {said}",)
        return replace(
            self,
            gain_rel=gain_rel,
            offset=offset,
            difference_rel=gain_rel + offset / self.range,
            correction=entry.correction,
            correction_rel=entry.correction_pct_reading / 100,
            distribution="normal",
            source=f"certificate {number}".strip(),
            notes=notes,
        )
