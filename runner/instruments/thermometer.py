"""The role thermometer."""

from __future__ import annotations

from runner.instruments.dialect import ThermometerWords
from runner.instruments.driven import Driven, Seat
from runner.reading import Reading

__all__ = ["DrivenThermometer"]


class DrivenThermometer(Driven):
    """One or more temperatures by quantity."""

    def __init__(self, seat: Seat, words: ThermometerWords) -> None:
        super().__init__(seat)
        self._words = words

    def read_celsius(self, quantity: str = "heatsink-temperature") -> Reading:
        """Temperature in °C."""
        return self._reading(
            self._words.queries["celsius"], quantity=quantity, unit="°C", function="celsius",
            range_=None, n=self._words.channel_of.get(quantity, "1"),
        )  # fmt: skip
