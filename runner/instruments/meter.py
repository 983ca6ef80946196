"""The role meter, driven by the words of a dialect."""

from __future__ import annotations

from dataclasses import replace

from runner.errors import InstrumentError
from runner.instruments.decode import as_bool, as_number
from runner.instruments.dialect import MeterWords, Question
from runner.instruments.driven import Driven, Seat
from runner.reading import Reading

__all__ = ["DrivenMeter"]

_HEADROOM = 1.02
_AC_AGREE = 0.02
_AC_READINGS = 4
_JUMP = 0.2
_FRESH_S = 3.0


class DrivenMeter(Driven):
    """A multimeter."""

    def __init__(self, seat: Seat, words: MeterWords) -> None:
        super().__init__(seat)
        self._words = words
        self._range_v: float | None = None
        self._auto = False
        self._dc: tuple[float | None, float] = (None, 10.0)
        self._nplc = words.nplc or 1.0
        self._line_hz = seat.ratings.get("line_hz", 50.0)
        self.last_v: float | None = None
        self._begun_s: float | None = None

    def set_dc_volts(self, *, expect_v: float | None, nplc: float = 10.0) -> None:
        """Fixed range that holds ``expect_v`` (None: autorange), integration in mains cycles."""
        self._dc = (expect_v, nplc)
        setting = self._words.settings["dc-volts"]
        self.last_v = None
        if expect_v is None and "dc-auto" in self._words.settings:
            self._set("dc-auto", True)
            self._auto, self._range_v = True, None
            self._forget("dc-volts", "ac-volts")
        else:
            self._auto = False
            self._forget("dc-auto", "ac-volts")
            self._range_v = self._fixed(self._holding(setting.choices, expect_v), nplc)
        if self._auto and "nplc" in self._words.settings:
            self._nplc = float(self._set("nplc", nplc))
        for key in ("impedance", "auto-zero"):
            if key in self._words.settings:
                self._set(key, key == "auto-zero")

    def _fixed(self, range_v: float, nplc: float) -> float:
        """Set a fixed dc range, and the integration after it: the range may reset it."""
        wanted: list[tuple[str, float]] = [("dc-volts", range_v)]
        if "nplc" in self._words.settings:
            wanted.append(("nplc", nplc))
        found = self._set_all(wanted)
        self._nplc = float(found.get("nplc", self._nplc))
        return float(found["dc-volts"])

    def _holding(self, ranges: tuple[float, ...], expect_v: float | None) -> float:
        """The smallest range whose over-range still holds the value with headroom."""
        if expect_v is None or not ranges:
            return ranges[-1] if ranges else abs(expect_v or 0.0)
        for full_v in ranges:
            if abs(expect_v) * _HEADROOM <= full_v * self._words.over_range:
                return full_v
        raise InstrumentError(f"{self.name}: no range holds {expect_v:g} V")

    def read_volts(self, quantity: str = "output-voltage") -> Reading:
        """One dc reading in V."""
        reading = self._read(quantity)
        if self._words.lossy and self._jumped(reading):
            again = self._read(quantity)
            reading = again if not self._jumped(again, reading.value) else self._read(quantity)
        if reading.value is not None:
            self.last_v = reading.value
        return reading

    def _read(self, quantity: str) -> Reading:
        self._wait_for_fresh()
        reading = self._once(quantity, self._range_v)
        if self._auto and (range_v := self._range_now()) != self._range_v:
            # The first reading after a range change is not settled: it is dropped.
            self._range_v = range_v
            reading = self._once(quantity, range_v)
        return reading

    def _once(
        self, quantity: str, range_v: float | None, question: Question | None = None
    ) -> Reading:
        reading = self._reading(
            question or self._words.queries["reading"], quantity=quantity, unit="V",
            function="dc-volts",
            range_=range_v, within_s=self._takes_s(), limit=self._words.overload_from,
            beyond=None if range_v is None else range_v * self._words.over_range * 1.02,
        )  # fmt: skip
        return self._at_speed(reading) if "nplc" in self._words.settings else reading

    def _at_speed(self, reading: Reading) -> Reading:
        """The integration time decides how much the last digit is worth: kept with the reading."""
        placed = reading.placed(nplc=self._nplc)
        if reading.value is None:
            return placed
        u = self._seat.worth.u("dc-volts", reading.value, reading.range, self._nplc)
        return replace(placed, u=u)

    def _jumped(self, reading: Reading, from_v: float | None = None) -> bool:
        # A lost character leaves a plausible number; two that agree are believed.
        before = self.last_v if from_v is None else from_v
        if reading.value is None or before is None:
            return False
        return abs(reading.value - before) > _JUMP * max(abs(before), 0.1)

    def _range_now(self) -> float | None:
        question = self._words.queries.get("range")
        return None if question is None else self._ask(question, as_number).value

    def _wait_for_fresh(self) -> None:
        """Where only the shown value can be asked: until it is one that was begun after now."""
        if self._words.renew_s:
            self._clock.sleep(2.0 * self._words.renew_s)
        question = self._words.queries.get("fresh")
        if question is None:
            return
        end_s = self._clock.mono_s() + _FRESH_S
        while not self._ask(question, as_bool) and self._clock.mono_s() < end_s:
            self._clock.sleep(0.02)

    def _takes_s(self) -> float:
        one_s = self._nplc / self._line_hz * self._words.cycles_a_reading
        return 1.25 * (one_s + self._words.extra_s)

    def read_volts_many(self, n: int, quantity: str = "output-voltage") -> list[Reading]:
        """``n`` dc readings in V, one after another."""
        return [self.read_volts(quantity) for _ in range(n)]

    def begin_reading(self) -> None:
        """Start one dc reading; where the dialect has no word for it, the end does all."""
        self._begun_s = self._clock.mono_s()
        if self._overlaps():
            self._do("begin")

    def end_reading(self, quantity: str = "output-voltage") -> Reading:
        """The reading that was begun, V; its time is the middle of begin and end."""
        begun_s, self._begun_s = self._begun_s, None
        if begun_s is None:
            raise InstrumentError(f"{self.name}: no reading was begun")
        if not self._overlaps():
            return self.read_volts(quantity)
        reading = self._once(quantity, self._range_v, self._words.queries["end"])
        if reading.value is not None:
            self.last_v = reading.value
        return replace(reading, t_mono_s=begun_s + self._takes_s() / 2.5)

    def _overlaps(self) -> bool:
        words = self._words
        return not self._auto and "begin" in words.actions and "end" in words.queries

    def read_ac_volts(self, *, expect_v: float | None, quantity: str = "ac-voltage") -> Reading:
        """True-rms ac reading in V after settling; dc function is restored."""
        setting = self._words.settings.get("ac-volts")
        if setting is None:
            return Reading(
                quantity=quantity, value=None, unit="V", instrument=self.name,
                function="ac-volts", reason="this meter's ac function is not in its dialect",
                t_mono_s=self._clock.mono_s(),
            )  # fmt: skip
        range_v = float(self._set("ac-volts", self._holding(setting.choices, expect_v)))
        try:
            self._clock.sleep(self._words.ac_settle_s)
            return self._settled_ac(quantity, range_v)
        finally:
            self.set_dc_volts(expect_v=self._dc[0], nplc=self._dc[1])

    def _settled_ac(self, quantity: str, range_v: float) -> Reading:
        question = self._words.queries.get("ac-reading", self._words.queries["reading"])
        last: Reading | None = None
        for _ in range(_AC_READINGS):
            reading = self._reading(
                question, quantity=quantity, unit="V", function="ac-volts", range_=range_v,
                within_s=2.5, limit=self._words.overload_from,
                beyond=range_v * self._words.over_range * 1.02,
            )  # fmt: skip
            if _agree(last, reading, range_v):
                return reading
            last = reading
        return reading

    @property
    def input_ohms(self) -> float:
        """Input resistance in the present dc range."""
        return self._words.input_ohms


def _agree(a: Reading | None, b: Reading, range_v: float) -> bool:
    if a is None or a.value is None or b.value is None:
        return False
    return abs(a.value - b.value) <= _AC_AGREE * abs(b.value) + 1e-4 * range_v
