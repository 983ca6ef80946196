"""The role load, driven by the words of a dialect."""

from __future__ import annotations

from typing import Any

from runner.errors import BenchError, InstrumentError
from runner.instruments.decode import as_bool, as_integer, as_word
from runner.instruments.dialect import LoadWords, Question
from runner.instruments.driven import Driven, Seat
from runner.instruments.roles import LoadState
from runner.instruments.settings import in_words
from runner.reading import Reading

__all__ = ["DrivenLoad"]

_OFF_TRIES = 2
_PULSE_LOOKS = 8  # a load that integrates for less than a pulse shows either level by chance
_PULSE_SHOWS = 0.2  # of the swing: above it the reading cannot be the lower level


class DrivenLoad(Driven):
    """An electronic load; never set up again by itself after a restart."""

    passive = False

    def __init__(self, seat: Seat, words: LoadWords) -> None:
        super().__init__(seat)
        self._words = words
        self.max_current_a = seat.ratings.get("current_max") or words.max_current_a or 0.0
        self.max_voltage_v = seat.ratings.get("voltage_max") or words.max_voltage_v or 0.0
        self.max_power_w = seat.ratings.get("power_max") or words.max_power_w or 0.0
        self._range_a: float | None = None
        self._range_v: float | None = None
        self._mode = ""
        self._low_a = 0.0
        self._slew_set = False
        self._pulses_a: tuple[float, float] | None = None

    def set_current(self, level_a: float, *, slew_a_per_s: float | None = None) -> None:
        """Constant current, range chosen for ``level_a``; the input is not switched."""
        self._choose_mode("current")
        self._choose_range(level_a)
        if slew_a_per_s is None and not self._slew_set:
            slew_a_per_s = self._words.default_slew_a_per_s
        if slew_a_per_s is not None and "slew" in self._words.settings:
            self._set("slew", slew_a_per_s, **self._context())
            self._slew_set = True
        self._set("current", level_a, **self._context())
        self._low_a = level_a

    def set_resistance(self, level_ohm: float, *, expect_a: float | None = None) -> None:
        """Constant resistance, range chosen for ``expect_a``; the input is not switched."""
        if "resistance" not in self._words.settings:
            raise InstrumentError(f"{self.name}: constant resistance is not in its dialect")
        self._choose_mode("resistance")
        if expect_a is not None:
            self._choose_range(expect_a)
        self._set("resistance", level_ohm, **self._context())

    def _choose_mode(self, mode: str) -> None:
        if self._mode != mode and "mode" in self._words.settings:
            self._set("mode", mode, **self._context())
            self._forget("current", "resistance")
        self._mode = mode

    def _choose_range(self, level_a: float) -> None:
        setting = self._words.settings.get("current-range")
        if setting is None or (self._range_a is not None and level_a <= self._range_a):
            self._range_a = self._range_a or self._only_range()
            return
        was_on = self._words.range_needs_input_off and self.state().input_on
        if was_on:
            self.input(False)
        wanted = level_a if setting.choices else max(level_a, 1e-3)
        self._range_a = float(self._set("current-range", wanted, **self._context()))
        if was_on:
            self.input(True)

    def _only_range(self) -> float | None:
        ranges = self._words.ranges.get("amps", ())
        return ranges[-1] if ranges else (self.max_current_a or None)

    def input(self, on: bool) -> None:
        """Switch the input and read the state back."""
        try:
            self._set("input", on, **self._context())
        except InstrumentError as error:
            tripped = self._tripped_words()
            said = f"; protection: {tripped}" if tripped else ""
            raise InstrumentError(f"{error}{said}") from None
        if on and self._pulses_a is not None:
            self._start_pulses(*self._pulses_a)

    def short(self, on: bool) -> None:
        """Switch the input's short on or off, where the load has one."""
        if "short" not in self._words.settings:
            raise InstrumentError(f"{self.name}: a short is not in its dialect")
        self._set("short", on, **self._context())
        mode = self._words.settings.get("mode")
        if mode is not None and mode.get == self._words.settings["short"].get:
            self._mode = ""  # the short is a mode, and took the place of the one before

    def cut_below(self, volts: float) -> bool:
        """Draw only above this voltage (0: always), read back; False where it cannot."""
        if "cut-below" not in self._words.settings:
            return False
        self._set("cut-below", volts, **self._context())
        return True

    def pulse(self, low_a: float, high_a: float, frequency_hz: float, slew_a_per_s: float) -> None:
        """Run between two currents, 50 % duty, while the input is on; it is not switched.

        :raises InstrumentError: the load cannot, or its own reading shows no pulses
        """
        if "pulse" not in self._words.actions:
            raise InstrumentError(f"{self.name}: pulsing is not in its dialect")
        self.set_current(low_a, slew_a_per_s=slew_a_per_s)
        self._choose_range(high_a)
        self._do(
            "pulse", low=low_a, high=high_a, frequency_hz=frequency_hz,
            frequency_khz=frequency_hz / 1e3, half_s=0.5 / frequency_hz,
            half_ms=500.0 / frequency_hz, slew_a_per_s=slew_a_per_s,
            slew_a_per_us=slew_a_per_s / 1e6, **self._context(),
        )  # fmt: skip
        if "pulsing" in self._words.settings:
            self._set("pulsing", True, **self._context())
        errors = self.errors()
        if errors:
            raise InstrumentError(f"{self.name}: pulsing was not taken ({in_words(errors)})")
        self._pulses_a = (low_a, high_a)
        if self.state().input_on:
            self._start_pulses(low_a, high_a)

    def _start_pulses(self, low_a: float, high_a: float) -> None:
        """Begin where that takes a word of its own, and see the pulses in the readback."""
        if "pulse-start" in self._words.actions:
            self._do("pulse-start", **self._context())
        least_a = low_a + _PULSE_SHOWS * (high_a - low_a)
        for _ in range(_PULSE_LOOKS):
            reading = self.read_amps()
            if reading.value is not None and reading.value > least_a:
                return
        said = in_words(self._errors_now()) or self._tripped_words() or "it reports nothing"
        raise InstrumentError(
            f"{self.name}: pulses of {low_a:g} to {high_a:g} A do not show in its own reading"
            f" ({reading.value} A; {said})"
        )

    def pulse_off(self) -> None:
        """End pulsing; constant current at the low level remains set."""
        self._pulses_a = None
        if "pulsing" in self._words.settings:
            self._set("pulsing", False, **self._context())
        if "pulse-off" in self._words.actions:
            self._do("pulse-off", **self._context())

    def read_amps(self, quantity: str = "load-current") -> Reading:
        """Current into the load in A; where readings are renewed by time, one begun after now."""
        self._wait_for_fresh()
        beyond = 1.2 * self.max_current_a if self.max_current_a else None
        return self._reading(
            self._words.queries["amps"], quantity=quantity, unit="A", function="dc-amps",
            range_=self._table_range("amps", self._range_a), beyond=beyond, **self._context(),
        )  # fmt: skip

    def read_volts(self, quantity: str = "load-voltage") -> Reading:
        """Voltage at the load's terminals in V, as fresh as a current."""
        self._wait_for_fresh()
        return self._reading(
            self._words.queries["volts"], quantity=quantity, unit="V", function="dc-volts",
            range_=self._table_range("volts", self._range_v), **self._context(),
        )  # fmt: skip

    def _wait_for_fresh(self) -> None:
        if self._words.renew_s:
            self._clock.sleep(self._words.renew_s)

    def _table_range(self, kind: str, set_to: float | None) -> float | None:
        ranges = self._words.ranges.get(kind, ())
        if not ranges:
            return set_to
        if set_to is None:
            return ranges[-1]
        return next((full for full in ranges if full >= set_to * (1 - 1e-9)), ranges[-1])

    def state(self) -> LoadState:
        """Input and protection state, asked now."""
        question = self._words.settings["input"].get
        if question is None:
            raise InstrumentError(f"{self.name}: its input state cannot be asked")
        status = self._words.status
        asked: dict[str, tuple[Question, Any]] = {"on": (question, self._is_on)}
        if status is not None:
            asked["status"] = (status.get, as_integer)
        said = self._ask_all(asked, **self._context())
        on = bool(said["on"])
        meanings = [] if status is None else status.meanings(said["status"])
        tripped = [word for word in meanings if word != "unregulated"]
        if "switched-off" in tripped and len(tripped) > 1:
            tripped.remove("switched-off")
        return LoadState(
            input_on=on,
            tripped=" and ".join(tripped) or None,
            unregulated="unregulated" in meanings,
        )

    def _is_on(self, question: Question, text: str) -> bool:
        answers = self._words.settings["input"].answers
        if answers:
            word = as_word(question, text)
            if word in answers.get("on", ()):
                return True
            if word in answers.get("off", ()):
                return False
        return as_bool(question, text)

    def _status_words(self) -> list[str]:
        status = self._words.status
        if status is None:
            return []
        return status.meanings(self._ask(status.get, as_integer, **self._context()))

    def _tripped_words(self) -> str:
        try:
            return ", ".join(word for word in self._status_words() if word != "unregulated")
        except BenchError:
            return ""

    def off_confirmed(self) -> bool:
        """Put the input off and say whether it was read back off; never raises."""
        for _ in range(_OFF_TRIES):
            try:
                self._set("input", False, **self._context())
            except Exception as error:  # noqa: BLE001 - whatever it was, the answer is "not confirmed"
                self._session.lose_step(f"load off not confirmed: {error}")
                continue
            return True
        return False

    def make_safe(self) -> None:
        """Input off first; then pulses, short and level."""
        if not self.off_confirmed():
            raise InstrumentError(f"{self.name}: the load could not be confirmed off")
        super().make_safe()

    def _context(self) -> dict[str, Any]:
        return {"range": self._range_a or 0.0}
