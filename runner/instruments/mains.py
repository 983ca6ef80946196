"""The roles mains meter and mains source."""

from __future__ import annotations

from runner.errors import DeadlineError, FramingError
from runner.instruments.decode import as_numbers
from runner.instruments.dialect import MainsMeterWords, MainsSourceWords
from runner.instruments.driven import Driven, Seat
from runner.link.numbers import Number
from runner.reading import Reading

__all__ = ["DrivenMainsMeter", "DrivenMainsSource"]

_UNITS = {
    "line-voltage": ("V", "line-volts"),
    "inlet-current": ("A", "line-amps"),
    "inlet-power": ("W", "line-watts"),
    "line-frequency": ("Hz", "line-hertz"),
}


class DrivenMainsMeter(Driven):
    """A power meter in the unit's mains lead."""

    def __init__(self, seat: Seat, words: MainsMeterWords) -> None:
        super().__init__(seat)
        self._words = words

    def read_mains(self) -> dict[str, Reading]:
        """One moment's line voltage (V), inlet current (A), power (W) and frequency (Hz)."""
        if self._words.shows_last:  # one update is under way, the next lies wholly after now
            self._clock.sleep(2 * self._words.update_s)
        if "all" in self._words.queries:
            return self._all_at_once()
        return {
            quantity: self._reading(
                self._words.queries[quantity], quantity=quantity, unit=unit, function=function,
                range_=None, within_s=2 * self._words.update_s,
            )
            for quantity, (unit, function) in _UNITS.items()
            if quantity in self._words.queries
        }  # fmt: skip

    def _all_at_once(self) -> dict[str, Reading]:
        question = self._words.queries["all"]
        begun_s = self._clock.mono_s()
        raw: list[str] = []

        def read(asked: object, text: str) -> list[Number]:
            raw[:] = [text]
            return as_numbers(question, text)

        try:
            numbers = self._ask(question, read, 2 * self._words.update_s)
        except (FramingError, DeadlineError) as error:
            numbers = [Number(None, str(error))] * question.fields
        t_mono_s = (begun_s + self._clock.mono_s()) / 2
        readings = {}
        for quantity, number in zip(self._words.order, numbers, strict=False):
            if quantity not in _UNITS:
                continue
            unit, function = _UNITS[quantity]
            worth = None
            if number.value is not None:
                worth = self._seat.worth.u(function, number.value, None)
            readings[quantity] = Reading(
                quantity=quantity, value=number.value, unit=unit, instrument=self.name,
                function=function, u=worth, raw=raw[0] if raw else "", reason=number.reason,
                t_mono_s=t_mono_s,
            )  # fmt: skip
        return readings


class DrivenMainsSource(Driven):
    """A settable mains source feeding the unit."""

    passive = False

    def __init__(self, seat: Seat, words: MainsSourceWords) -> None:
        super().__init__(seat)
        self._words = words

    def set_line(self, volts: float, hertz: float) -> None:
        """Line voltage (rms) and frequency, read back."""
        self._set("line-hertz", hertz)
        self._set("line-volts", volts)

    def output(self, on: bool) -> None:
        """Switch the unit's mains."""
        self._set("output", on)
