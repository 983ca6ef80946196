"""What a reading is worth: its standard uncertainty from the accuracy of the instrument."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

__all__ = ["Worth"]


class Worth:
    """Turns a value into its standard uncertainty; None where the accuracy is not known."""

    def __init__(
        self, name: str, accuracy: Mapping[str, Any], certificate: Mapping[str, Any], on: date
    ) -> None:
        self._name, self._accuracy = name, accuracy
        self._certificate, self._on = certificate, on
        self._scales: dict[tuple[str, float, float | None], Any] = {}

    def u(
        self, function: str, value: float, range_: float | None, nplc: float | None = None
    ) -> float | None:
        """Standard uncertainty of one reading, in its unit.

        ``range_`` None means the smallest range that holds the value; ``nplc`` is the integration
        time in line periods, where it is known.
        """
        from runner.metrology.accuracy import Accuracy
        from runner.metrology.certificate import Certificate

        plain = self._accuracy.get(function)
        if plain is None:
            return None
        try:
            if range_ is None:
                range_ = Accuracy.from_dict(plain).holding(value).range
            key = (function, range_, nplc)
            if key not in self._scales:
                self._scales[key] = Accuracy.from_dict(plain).scale(
                    range_,
                    instrument=self._name,
                    on=self._on,
                    certificate=Certificate.from_dict(self._certificate),
                    nplc=nplc,
                )
            worth: float = self._scales[key].components(value).u
        except ValueError:
            return None
        return worth
