"""One measured value, as instruments hand it over and as the journal keeps it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

__all__ = ["At", "Reading"]

At = Mapping[str, float | str]
"""Where in the check a reading belongs: set point, load, direction, pass number…"""


@dataclass(frozen=True, slots=True)
class Reading:
    """A measured value with all that is needed to judge it later.

    ``quantity`` is the word findings look for ("output-voltage", "load-current",
    "inlet-power"…). ``value`` is in ``unit`` and is None exactly when ``reason`` says why the
    reading is invalid. ``u`` is its standard uncertainty from the instrument's accuracy
    (same unit, None when the accuracy is unknown), ``dof`` its degrees of freedom.
    ``instrument`` is the name in the bench file; ``function`` and ``range`` select the row of
    its accuracy table. ``raw`` is the reply as received. ``t_mono_s`` is the middle of the
    measurement on the injected clock.
    """

    quantity: str
    value: float | None
    unit: str
    instrument: str
    function: str
    range: float | None = None
    u: float | None = None
    dof: float | None = None
    raw: str = ""
    t_mono_s: float = 0.0
    reason: str | None = None
    at: At = field(default_factory=dict)

    def __post_init__(self) -> None:
        if (self.value is None) == (self.reason is None):
            raise ValueError("a reading has either a value or the reason why it has none")
        if self.value is not None and not math.isfinite(self.value):
            raise ValueError(f"a reading's value is finite, found {self.value}")

    @property
    def valid(self) -> bool:
        """Whether there is a value."""
        return self.value is not None

    def placed(self, **at: float | str) -> Reading:
        """Return the same reading with its place in the check added."""
        return replace(self, at={**self.at, **at})

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the journal; infinite degrees of freedom become None."""
        data = asdict(self)
        data["at"] = dict(self.at)
        data["t_read_s"] = data.pop("t_mono_s")  # the journal line has a t_mono_s of its own
        if data["dof"] is not None and not math.isfinite(data["dof"]):
            data["dof"] = None
        return data

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Reading:
        """Rebuild from a journal line; keys that are not fields are ignored."""
        names = cls.__dataclass_fields__.keys() - {"t_mono_s"}
        fields = {key: value for key, value in data.items() if key in names}
        return cls(**fields, t_mono_s=float(data.get("t_read_s", 0.0)))
