"""The circuit that decides on a tap point: where it should change, from its parts.

A divider joins the output, a reference rail and (for hysteresis) the stage it drives to one
node; the winding changes when that node reaches the threshold of a transistor or comparator:

    sign·V = Vt - R_output·[(V_rail - Vt)/R_rail + (V_fb - Vt)/R_fb]

(currents into the node add up to nothing; the base or input current is left out). Rising, the
feedback is what it is below the tap point; falling, what it is above. Each part enters the
result monotonically, so the extremes lie at the corners of the tolerances.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    WithJsonSchema,
    model_validator,
)

from runner.part_codes import read_marking
from runner.quantity import Tolerance, parse_limit, parse_tolerance

__all__ = ["Expected", "SenseCircuit"]


@dataclass(frozen=True, slots=True)
class Expected:
    """What a circuit should do: nominal parts, and the corners of their tolerances (V)."""

    nominal: float
    low: float
    high: float

    def band(self) -> Tolerance:
        """Return the corners as a tolerance about their middle."""
        return Tolerance((self.low + self.high) / 2, (self.high - self.low) / 2, "V")


def _tolerance_in(unit: str) -> tuple[BeforeValidator, PlainSerializer, WithJsonSchema]:
    def read(value: Any) -> Any:
        if isinstance(value, Tolerance):
            return value
        found = _read(str(value), unit)
        return Tolerance(float(f"{found.nominal:.12g}"), float(f"{found.half_width:.12g}"), unit)

    return (
        BeforeValidator(read),
        PlainSerializer(
            lambda t: None if t is None else f"{t.nominal:.12g} {unit} ± {t.half_width:.12g} {unit}"
        ),
        WithJsonSchema({"type": "string", "examples": [f"10 {unit} ± 1 %"]}),
    )


def _read(text: str, unit: str) -> Tolerance:
    if unit != "Ω":
        return parse_tolerance(text, unit)
    value, _, tolerance = text.partition("±")
    marking = read_marking(value, "resistor")
    if tolerance:
        half = parse_limit(tolerance, unit).at(marking.value)
    elif marking.tolerance is not None:
        half = marking.tolerance * marking.value
    else:
        raise ValueError(f"expected a resistance with its tolerance, found {text!r}")
    return Tolerance(marking.value, half, unit)


VoltsWithin = Annotated[Tolerance, *_tolerance_in("V")]
OhmsWithin = Annotated[Tolerance, *_tolerance_in("Ω")]


class SenseCircuit(BaseModel):
    """One tap point's sensing circuit; ``output`` is the sign of the output at the divider."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    threshold: VoltsWithin
    to_output: OhmsWithin
    output: Literal["positive", "negative"] = "positive"
    rail: VoltsWithin | None = None
    to_rail: OhmsWithin | None = None
    feedback: OhmsWithin | None = None
    feedback_below: VoltsWithin | None = None
    feedback_above: VoltsWithin | None = None

    @model_validator(mode="after")
    def _whole(self) -> SenseCircuit:
        if (self.rail is None) != (self.to_rail is None):
            raise ValueError("expected rail and to_rail together, found one of them")
        given = [self.feedback, self.feedback_below, self.feedback_above]
        if any(given) and not all(given):
            raise ValueError(
                "expected feedback, feedback_below and feedback_above together, found some of them"
            )
        if min(self.to_output.low, *(r.low for r in (self.to_rail, self.feedback) if r), 1.0) <= 0:
            raise ValueError("expected resistances above zero, found one that may be zero")
        if self.rising.low <= 0:
            raise ValueError(
                f"expected a tap point above 0 V, found {self.rising.nominal:.4g} V from the parts"
            )
        return self

    @property
    def rising(self) -> Expected:
        """Output at which the winding should change on the way up."""
        return self._expected(lambda one: _point(one, "feedback_below"))

    @property
    def falling(self) -> Expected:
        """Output at which it should change back."""
        return self._expected(lambda one: _point(one, "feedback_above"))

    @property
    def hysteresis(self) -> Expected:
        """Difference of both: the parts that they share move them together."""
        return self._expected(
            lambda one: _point(one, "feedback_below") - _point(one, "feedback_above")
        )

    def _expected(self, of: Callable[[dict[str, float]], float]) -> Expected:
        values = [of(one) for one in self._corners()]
        nominal = {name: part.nominal for name, part in self._parts().items()}
        return Expected(of({**nominal, "sign": self._sign}), min(values), max(values))

    @property
    def _sign(self) -> float:
        return 1.0 if self.output == "positive" else -1.0

    def _parts(self) -> dict[str, Tolerance]:
        names = ("threshold", "to_output", "rail", "to_rail", "feedback", "feedback_below",
                 "feedback_above")  # fmt: skip
        return {name: part for name in names if (part := getattr(self, name)) is not None}

    def _corners(self) -> Iterator[dict[str, float]]:
        parts = self._parts()
        for values in product(*((part.low, part.high) for part in parts.values())):
            yield {**dict(zip(parts, values, strict=True)), "sign": self._sign}


def _point(part: dict[str, float], feedback_level: str) -> float:
    """Output voltage, counted positive, at which the node stands at the threshold."""
    node_v = part["threshold"]
    into_a = (part["rail"] - node_v) / part["to_rail"] if "rail" in part else 0.0
    if "feedback" in part:
        into_a += (part[feedback_level] - node_v) / part["feedback"]
    return part["sign"] * (node_v - part["to_output"] * into_a)
