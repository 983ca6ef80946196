"""The safety tester's values read from a file instead of typed in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from runner.checks.before_power_limits import QUESTIONS
from runner.operator.requests import Answer, AskNumber, AskYesNo, Confirm, Operator, Request
from runner.profile import StrictModel, quantity_in
from runner.toml_source import load_model

__all__ = ["TOPIC", "FiledAnswers", "SafetyValues", "load_safety_values"]

TOPIC = "before-power"

Ohms = Annotated[float, Field(ge=0), *quantity_in("Ω")]
Amperes = Annotated[float, Field(ge=0), *quantity_in("A")]


class SafetyValues(StrictModel):
    """What the tester showed, in a TOML file; what it did not show may be left out.

    ``waiver`` is the reason for which the values that are missing are done without.
    """

    format: Literal[1]
    tester: str = Field(min_length=1)
    tested_on: str = Field(min_length=1)
    looked_over: bool
    cord_length_m: float = Field(default=2.0, gt=0, le=100)
    earth_bond: Ohms | None = None
    insulation: Ohms | None = None
    output_insulation: Ohms | None = None
    earth_current: Amperes | None = None
    touch_current: Amperes | None = None
    waiver: str = ""

    @model_validator(mode="after")
    def _something(self) -> SafetyValues:
        if not self.waiver and all(self.value(key) is None for key in QUESTIONS):
            raise ValueError("expected at least one value or a waiver, found neither")
        return self

    def value(self, key: str) -> float | None:
        """Value of one question in SI units, None when the file has none."""
        found: float | None = getattr(self, key.replace("-", "_"))
        return found


def load_safety_values(path: Path) -> SafetyValues:
    """Read the file.

    :raises InputError: with file, line, key, expected and found
    """
    return load_model(SafetyValues, path)


class FiledAnswers:
    """Answers the questions of the check ``before-power`` from the file, hands on all others."""

    def __init__(self, values: SafetyValues, operator: Operator) -> None:
        self._values, self._operator = values, operator

    def answer(self, request: Request) -> Answer:
        """Answer from the file, or ask the person."""
        topic, _, key = request.topic.partition(":")
        if topic != TOPIC:
            return self._operator.answer(request)
        words = f"file of {self._values.tester}, {self._values.tested_on}"
        if isinstance(request, AskYesNo):
            looked = self._values.looked_over
            return Answer(done=looked, value=float(looked), words=words)
        if isinstance(request, Confirm):
            return Answer(done=bool(self._values.waiver), words=self._values.waiver)
        if isinstance(request, AskNumber) and key == "cord-length":
            return Answer(done=True, value=self._values.cord_length_m, words=words)
        found = self._values.value(key) if key in QUESTIONS else None
        if found is None:
            return Answer(done=False, words="not in the file", skip=True)
        return Answer(done=True, value=found / QUESTIONS[key].factor, words=words)
