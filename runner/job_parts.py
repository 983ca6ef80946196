"""Parts that were replaced: is the new one fit for its place, and what can no longer be compared.

Markings are read as they are printed (:mod:`runner.part_codes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from runner.part_codes import Marking, kind_of, read_marking
from runner.profile import StrictModel
from runner.quantity import format_quantity

__all__ = ["Part", "part_line", "remarks", "voids"]

Touched = Literal["reference", "divider", "shunt", "pots", "panel-meter", "tap-sensing"]
SafetyClass = Literal["X1", "X2", "X3", "Y1", "Y2", "Y4"]

SAME_VALUE = 0.01
"""Values closer than this share are one value (rounding of codes)."""

_COVERS: dict[str, tuple[str, ...]] = {
    "X1": ("X1",), "X2": ("X2", "X1", "Y2", "Y1"), "X3": ("X3", "X2", "X1", "Y2", "Y1"),
    "Y1": ("Y1",), "Y2": ("Y2", "Y1"), "Y4": ("Y4", "Y2", "Y1"),
}  # fmt: skip
"""Which class may stand in a place that needs the first: a Y2 may replace an X2, never the
reverse (IEC 60384-14 as tabulated by makers)."""

_VOID: dict[str, dict[str, tuple[str, ...]]] = {
    "reference": {"setting": (), "tap-map": ("tap point", "hysteresis"), "drift": ()},
    "divider": {"setting": (), "tap-map": ("tap point", "hysteresis"), "drift": ()},
    "pots": {"setting": ("error of", "gain", "offset", "bend", "highest", "falls", "knob")},
    "shunt": {"current-limit": (), "load-effect": ("panel",)},
    "panel-meter": {"setting": ("panel",), "load-effect": ("panel",), "current-limit": ("panel",)},
    "tap-sensing": {"tap-map": ("tap point", "hysteresis")},
}
"""Which findings a replaced part makes incomparable: check, and how its findings' words begin
(none: all of them). A repair of reference, divider, shunt, potentiometers or meter ends the
comparison with what was found (common practice)."""


class Part(StrictModel):
    """One replaced part; ``was`` and ``now`` as printed on the old and the new one."""

    place: str = Field(min_length=1)
    what: str = ""
    was: str = ""
    now: str = ""
    needs: tuple[SafetyClass, ...] = ()
    touches: tuple[Touched, ...] = ()

    @model_validator(mode="after")
    def _readable(self) -> Part:
        self.markings()
        return self

    def markings(self) -> tuple[Marking | None, Marking | None]:
        """Old and new marking; None where nothing is given or the kind has no values.

        :raises ValueError: a marking of a resistor or capacitor cannot be read
        """
        kind = kind_of(self.place)
        if kind is None:
            return None, None
        was, now = (read_marking(text, kind) if text else None for text in (self.was, self.now))
        return was, now


def part_line(part: Part) -> str:
    """Return the part as a job sheet prints it."""
    named = f"{part.place} ({part.what})" if part.what else part.place
    if part.was and part.now:
        return f"{named}: {part.was} → {part.now}"
    return f"{named}: {part.now or part.was}" if part.now or part.was else named


def remarks(part: Part) -> list[str]:
    """Return what is to be pointed out about a replacement; empty when nothing is."""
    was, now = part.markings()
    said = []
    if was is not None and now is not None:
        unit = "Ω" if was.kind == "resistor" else "F"
        if abs(now.value - was.value) > SAME_VALUE * was.value:
            old, new = (format_quantity(one.value, unit, 3) for one in (was, now))
            said.append(f"{part.place}: {new} where {old} was")
        if was.voltage_v is not None:
            if now.voltage_v is None:
                said.append(f"{part.place}: no voltage is given where {was.voltage_v:g} V was")
            elif now.voltage_v < was.voltage_v:
                said.append(f"{part.place}: {now.voltage_v:g} V where {was.voltage_v:g} V was")
    needed = part.needs or (was.classes if was is not None else ())
    if now is not None:
        said += [
            f"{part.place}: its place needs class {one}, the new part"
            + (f" is {'/'.join(now.classes)}" if now.classes else " has no class")
            for one in needed
            if not set(_COVERS[one]) & set(now.classes)
        ]
    return said


def voids(parts: Sequence[Part], check: str, what: str) -> list[str]:
    """Return the places of replaced parts that make this finding incomparable."""
    return [
        part.place
        for part in parts
        if any(_is_void(_VOID[touched], check, what) for touched in part.touches)
    ]


def _is_void(by_check: dict[str, tuple[str, ...]], check: str, what: str) -> bool:
    if check not in by_check:
        return False
    beginnings = by_check[check]
    return not beginnings or what.startswith(beginnings)
