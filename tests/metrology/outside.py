"""The outside values of tests/references/metrology.toml, and small builders for the tests."""

from __future__ import annotations

import math
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

from runner.metrology.accuracy import Accuracy, RangeAccuracy
from runner.metrology.budget import Budget, Line
from runner.metrology.certificate import Certificate
from runner.metrology.scale import Scale

_FILE = Path(__file__).parents[1] / "references" / "metrology.toml"
OUTSIDE: dict[str, dict[str, Any]] = tomllib.loads(_FILE.read_text(encoding="utf-8"))

TODAY = date(2025, 6, 1)
IN_DATE = Certificate(number="K-1", calibrated_on=date(2025, 1, 15))


def known(value: float, u: float, dof: float = math.inf, unit: str = "V") -> Budget:
    """Return a budget of one normal or t line."""
    kind = "B" if math.isinf(dof) else "A"
    line = Line("as stated", kind, u, value, unit, dof)
    return Budget("quantity", unit, value, (line,))


def meter_scale(
    range_: float = 10.0, pct_reading: float = 0.0035, pct_range: float = 0.0005, **more: Any
) -> Scale:
    """Return the scale of an in-date meter in a room at 23 degC."""
    row = RangeAccuracy(range_, pct_reading=pct_reading, pct_range=pct_range, **more)
    accuracy = Accuracy("dc-volts", "V", (row,))
    return accuracy.scale(
        range_, instrument="meter", on=TODAY, temperature_c=23.0, certificate=IN_DATE
    )
