"""From an instrument's accuracy in the record to what its readings are worth on the day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from runner.metrology.accuracy import Accuracy
from runner.metrology.certificate import Certificate
from runner.metrology.scale import Scale
from runner.metrology.scope import ScopeAccuracy, ScopeScale
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["DIVISIONS", "scale_of", "scope_scale_of", "valid_values"]

DIVISIONS = 8.0
"""Vertical divisions of a screen, by which accuracy statements of scopes are given."""


def valid_values(readings: Sequence[Reading]) -> list[float]:
    """Values of the readings that have one, in order."""
    return [one.value for one in readings if one.value is not None]


def scale_of(data: CheckData, reading: Reading) -> Scale:
    """Return the scale (errors common to readings of one instrument on one range).

    An instrument whose accuracy is not known gets a scale without limit of error and with a
    caveat, so that nothing read on it can be a plain pass.
    """
    identity = data.instruments.get(reading.instrument, {})
    plain = _table(identity, reading.function)
    if plain is None:
        return _unknown(reading, "the accuracy is not known, only its scatter counts")
    try:
        accuracy = Accuracy.from_dict(plain)
        range_ = reading.range or accuracy.holding(reading.value or 0.0).range
        return accuracy.scale(
            range_,
            on=data.day or date.max,
            instrument=reading.instrument,
            certificate=_certificate(identity),
            nplc=_number(reading.at.get("nplc")),
        )
    except ValueError as error:
        return _unknown(reading, f"the accuracy cannot be used ({error})")


def scope_scale_of(
    data: CheckData, instrument: str, span_v: float, probe_ratio: float
) -> ScopeScale:
    """Return what traces at this full scale (V at the tip) are worth; unknown: with a caveat."""
    identity = data.instruments.get(instrument, {})
    plain = _table(identity, "scope")
    v_per_div = span_v / DIVISIONS
    why = "the accuracy is not known, only its scatter counts"
    if plain is not None:
        try:
            return ScopeAccuracy.from_dict(plain).scale(
                v_per_div,
                instrument=instrument,
                on=data.day or date.max,
                probe_ratio=probe_ratio,
                certificate=_certificate(identity),
            )
        except ValueError as error:
            why = f"the accuracy cannot be used ({error})"
    return ScopeScale(
        instrument=instrument,
        v_per_div=v_per_div,
        gain_rel=0.0,
        difference_v=0.0,
        averaged_v=0.0,
        step_v=v_per_div * DIVISIONS / 256,
        source="none",
        caveats=(f"{instrument}: {why}",),
    )


def _number(value: float | str | None) -> float | None:
    return None if value is None else float(value)


def _table(identity: Mapping[str, Any], function: str) -> Mapping[str, Any] | None:
    tables = identity.get("accuracy") or {}
    found = tables.get(function) if isinstance(tables, Mapping) else None
    return found if isinstance(found, Mapping) else None


def _certificate(identity: Mapping[str, Any]) -> Certificate:
    plain = dict(identity.get("certificate") or {})
    due = identity.get("calibration_due")
    if due and "due_on" not in plain:
        plain["due_on"] = str(due)
    return Certificate.from_dict(plain)


def _unknown(reading: Reading, why: str) -> Scale:
    return Scale(
        unit=reading.unit,
        range=reading.range or 0.0,
        gain_rel=0.0,
        offset=0.0,
        difference_rel=0.0,
        instrument=reading.instrument,
        function=reading.function,
        source="none",
        caveats=(f"{reading.instrument}, {reading.function}: {why}",),
    )
