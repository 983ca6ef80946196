"""The role scope, driven by the words of a dialect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np

from runner.errors import DeadlineError, FramingError, InstrumentError
from runner.instruments.decode import as_integer, as_number, as_word, same_word
from runner.instruments.dialect import Question, ScopeWords
from runner.instruments.driven import Driven, Seat
from runner.instruments.roles import Capture, ChannelSetup, TimebaseSetup, Trigger
from runner.instruments.scope_record import RecordReader
from runner.instruments.settings import in_words
from runner.instruments.waveforms import Record

__all__ = ["DrivenScope"]

_ARM_S = 0.5
_PATIENCE_S = 2.0
_OUT_OF_REACH = 0.6
"""Of the screen from its middle: where a trigger level can be set and the signal is not."""
_OF_SPAN = {"mean": 0.05, "swing": 0.1}


class DrivenScope(Driven):
    """An oscilloscope."""

    def __init__(self, seat: Seat, words: ScopeWords) -> None:
        super().__init__(seat)
        self._words = words
        self.max_points = words.max_points
        self._channels: dict[str, ChannelSetup] = {}
        self._timebase = TimebaseSetup(duration_s=0.01, points=1000)
        self._trigger = Trigger(source="none")
        self._on: dict[int, bool] = {}
        self._count: int | None = None
        self._counted: int | None = None
        """The number of captures when the last record was complete; nothing was done since."""
        self._seen_armed = False
        self._triggered_at_s: float | None = None
        self._records = RecordReader(self._session, words, self._set_all, self._ask)
        self._previous: dict[str, bytes] = {}
        self._proved: set[str] = set()

    # ---- set up -----------------------------------------------------------------------------

    def setup(
        self, channels: Sequence[ChannelSetup], timebase: TimebaseSetup, trigger: Trigger
    ) -> None:
        """Set up and read back; other channels are switched off."""
        self.stop()
        self._proved.clear()
        wanted = {_number(one.channel): one for one in channels}
        for n in range(1, self._words.channels + 1):
            on = n in wanted
            if self._on.get(n) is not on:
                self._set("channel-on", on, n=n)
                self._on[n] = on
        self._channels = {one.channel: self._set_channel(one) for one in channels}
        self._timebase = self._set_timebase(timebase)
        self._set_trigger(trigger)
        errors = self.errors()
        if errors:
            raise InstrumentError(f"{self.name}: it reports {in_words(errors)} after set-up")

    def _set_channel(self, one: ChannelSetup) -> ChannelSetup:
        n, factor = _number(one.channel), self._factor(one.channel)
        wanted: list[tuple[str, float | str | bool]] = [
            ("probe", factor), ("coupling", one.coupling), ("bandwidth-limit", one.bandwidth_limit)
        ]  # fmt: skip
        spans = tuple(span * factor for span in self._words.settings["span"].choices)
        due_v = self._chosen("span", one.span_v, spans)
        wanted += [("span", one.span_v), ("offset", one.offset_v)]
        known = [(k, v) for k, v in wanted if k in self._words.settings]
        found = self._set_all(known, choices={"span": spans}, n=n, span=due_v)
        span_v, offset_v = float(found["span"]), float(found.get("offset", one.offset_v))
        if "offset" in found and span_v != due_v:
            offset_v = float(self._set("offset", one.offset_v, n=n, span=span_v))
        return ChannelSetup(one.channel, span_v, offset_v, one.coupling, one.bandwidth_limit)

    def _factor(self, channel: str) -> float:
        probe = self._seat.probes.get(channel)
        return float(probe.factor) if probe is not None else 1.0

    def _set_timebase(self, timebase: TimebaseSetup) -> TimebaseSetup:
        settings = self._words.settings
        if "position" not in settings:  # the trigger stays in the middle: longer on both sides
            longer = 2 * max(timebase.pre_fraction, 1 - timebase.pre_fraction)
            timebase = replace(timebase, duration_s=longer * timebase.duration_s, pre_fraction=0.5)
        wanted: list[tuple[str, float | str]] = [("duration", timebase.duration_s)]
        late, due_s = 0.5 - timebase.pre_fraction, self._chosen("duration", timebase.duration_s)
        if "position" in settings:
            wanted.append(("position", due_s * late))
        if "acquire" in settings and timebase.acquire in settings["acquire"].words:
            wanted.append(("acquire", timebase.acquire))
            if timebase.acquire == "average":
                wanted.append(("averages", float(timebase.averages)))
        elif timebase.acquire != "normal":
            raise InstrumentError(f"{self.name}: it cannot acquire in mode {timebase.acquire}")
        depth = float(min(timebase.points, self.max_points))
        if self._words.shared_memory:
            found = self._set_all(wanted)
            found["points"] = self._set("points", depth, choices=self._own_depths())
        else:
            found = self._set_all([*wanted, ("points", depth)])
        duration_s, points = float(found["duration"]), int(found["points"])
        if "position" in settings and duration_s != due_s:
            self._set("position", duration_s * late)
        return TimebaseSetup(
            duration_s, points, timebase.pre_fraction, timebase.acquire, timebase.averages
        )

    def _own_depths(self) -> tuple[float, ...]:
        on = len(self._channels)
        share = on if on < 3 else 4
        return tuple(deep / share for deep in self._words.settings["points"].choices)

    def _set_trigger(self, trigger: Trigger) -> None:
        settings = self._words.settings
        self._trigger = trigger
        sweep = [("sweep", "normal")] if "sweep" in settings else []
        if trigger.source == "none":
            self._set_all(sweep)
            return
        line = trigger.source == "line"
        source = (
            self._words.line_source
            if line
            else self._words.channel.format(n=_number(trigger.source))
        )
        self._set_all([*sweep, ("trigger-source", source)])
        if line:
            return
        n = _number(trigger.source)
        edge = (("trigger-slope", trigger.slope), ("trigger-level", trigger.level_v))
        self._set_all(edge, source=source, n=n)

    # ---- acquire ----------------------------------------------------------------------------

    def capture(self, timeout_s: float | None = None) -> dict[str, Capture]:
        """Arm, wait for the trigger (or force it when the source is "none"), fetch."""
        try:
            self._arm_twice()
        except InstrumentError as error:
            return self._nothing(str(error))
        if self._trigger.source == "none" and self._state() == "armed":
            self._do("force")
        end_s = self._clock.mono_s() + (self._patience_s() if timeout_s is None else timeout_s)
        if self._seen_armed:
            self._clock.sleep(max(0.0, min(self._least_s(), end_s - self._clock.mono_s())))
        asked_s = self._clock.mono_s()
        while not self.triggered():
            if self._clock.mono_s() >= end_s:
                self.stop()
                return self._nothing("no trigger came in time")
            self._clock.sleep(max(0.0, asked_s + self._poll_s() - self._clock.mono_s()))
            asked_s = self._clock.mono_s()
        return self.fetch()

    def _arm_twice(self) -> None:
        # Some scopes fall from single to stopped without a trigger: once more, then no further.
        try:
            self.arm()
        except InstrumentError:
            self.stop()
            self._clock.sleep(_ARM_S)
            self.arm()

    def _patience_s(self) -> float:
        return 1.25 * self._timebase.duration_s * max(1, self._timebase.averages) + _PATIENCE_S

    def _least_s(self) -> float:
        """What follows the trigger has to be recorded; it is not asked for before."""
        timebase = self._timebase
        sweeps = timebase.averages if timebase.acquire == "average" else 1
        return timebase.duration_s * (1.0 - timebase.pre_fraction) * max(1, sweeps)

    def _poll_s(self) -> float:
        return max(1.0 / self._words.polls_a_second, self._timebase.duration_s / 50)

    def arm(self) -> None:
        """Arm a single acquisition and return when it is armed.

        A scope that counts nothing and is found stopped may have been quicker than the question:
        then it is armed with the trigger out of reach, and its level is set once it waits.

        :raises InstrumentError: it does not arm
        """
        try:
            self._arm_once()
        except InstrumentError:
            if self._count is not None or self._trigger.source in {"none", "line"}:
                raise
            edge, n = self._trigger, _number(self._trigger.source)
            source = self._words.channel.format(n=n)
            channel = self._channels[edge.source]
            away = 1.0 if edge.level_v < channel.offset_v else -1.0
            far_v = channel.offset_v + away * _OUT_OF_REACH * channel.span_v
            self._set("trigger-level", far_v, source=source, n=n)
            self._arm_once()
            self._set("trigger-level", edge.level_v, source=source, n=n)

    def _arm_once(self) -> None:
        known, self._counted = self._counted, None
        self._seen_armed, self._triggered_at_s = False, None
        before_s = self._timebase.duration_s * self._timebase.pre_fraction
        if known is None:
            self._count = self._count_and_arm()
        else:
            self._count = known
            self._do("arm")
        self._clock.sleep(before_s)  # what precedes the trigger has to be recorded first
        end_s = self._clock.mono_s() + before_s * 0.25 + _ARM_S
        while True:
            state, count = self._state_and_count()
            if state in {"armed", "running", "auto"}:
                self._seen_armed = True
                return
            self._seen_armed |= state == "filling"
            if state == "idle" and self._count is not None and count != self._count:
                return
            if self._clock.mono_s() >= end_s:
                raise InstrumentError(f"{self.name}: it did not arm (state {state})")
            self._clock.sleep(max(before_s / 50, 1e-3))

    def _count_and_arm(self) -> int | None:
        """Arm; the number of captures before, in the same message where the dialect allows it."""
        question, arm = self._words.queries.get("captures"), self._words.actions["arm"]
        if question is not None and len(arm) == 1 and self._dialect.compound:
            (said,) = self._ask_joined([question.ask, *arm], 1)
            if said is not None:
                with suppress(FramingError):
                    return as_integer(question, said)
            self.stop()  # it may be armed or not
        count = self._captures()
        self._do("arm")
        return count

    def _captures(self) -> int | None:
        question = self._words.queries.get("captures")
        return None if question is None else int(self._ask(question, as_integer))

    def _state_and_count(self) -> tuple[str, int | None]:
        """Trigger state and number of captures; in one message where the dialect allows it."""
        state, count = self._words.queries["state"], self._words.queries.get("captures")
        if count is None or self._count is None:
            return self._state(), None
        said, number = self._ask_joined([state.ask, count.ask], 2)
        if said is not None and number is not None and state.decode == "word":
            with suppress(FramingError):
                return self._state_named(state, said), as_integer(count, number)
        return self._state(), self._captures()

    def _state(self) -> str:
        question = self._words.queries["state"]
        if question.decode == "integer":
            value = int(self._ask(question, as_integer))
            bits = [name for name, keys in self._words.states.items() if _any_bit(value, keys)]
            return bits[0] if bits else "idle"
        return str(self._ask(question, self._state_named))

    def _state_named(self, question: Question, text: str) -> str:
        word = as_word(question, text)
        for name, keys in self._words.states.items():
            if any(same_word(word, key) for key in keys):
                return name
        raise FramingError(f"{self.name}: its trigger state {word!r} is not in the dialect")

    def triggered(self) -> bool:
        """Whether the armed acquisition is complete."""
        state, count = self._state_and_count()
        done = state == "idle" and (
            self._seen_armed if self._count is None else count != self._count
        )
        if done and self._triggered_at_s is None:
            self._triggered_at_s = self._clock.mono_s()
        self._counted = count if done else None
        return done

    def stop(self) -> None:
        """Stop; an armed acquisition is given up."""
        self._counted = None
        self._do("stop")

    # ---- fetch ------------------------------------------------------------------------------

    def fetch(self) -> dict[str, Capture]:
        """Fetch the completed acquisition."""
        if self._words.waveform.wait_s:
            self._clock.sleep(self._words.waveform.wait_s)
        return {name: self._fetch_one(one) for name, one in self._channels.items()}

    def _fetch_one(self, one: ChannelSetup) -> Capture:
        n = _number(one.channel)
        try:
            record, data = self._records.read(n, one, self._timebase)
        except InstrumentError as error:
            return self._empty(one, str(error))
        except (FramingError, DeadlineError) as error:
            self._session.lose_step(str(error))
            return self._empty(one, str(error))
        clipped = self._records.clipped(data, record, one)
        reason = None
        if not np.all(np.isfinite(record.v)):
            reason = "clipped: some samples have no value"
        elif self._count is None and self._previous.get(one.channel) == data:
            reason = "stale: the same record as before"
        elif one.coupling == "ac" and record.v.size > 1 and np.ptp(record.v) == 0 and not clipped:
            reason = "flat: all samples are equal"  # off the screen it is clipped, not flat
        else:
            reason = self._disagreement(record, one)
        self._previous[one.channel] = data
        if reason is not None:
            return self._empty(one, reason)
        return self._filled(one, record.v, record.dt_s, record.t0_s, record.lsb_v, clipped)

    def _disagreement(self, record: Record, one: ChannelSetup) -> str | None:
        """The scope's own mean and swing against the record's, once after each set-up.

        A wrong formula, sign, width or order of bytes shows here.
        """
        if one.channel in self._proved:
            return None
        n = _number(one.channel)
        source = self._words.channel.format(n=n)
        own = {"mean": float(np.mean(record.v)), "swing": float(np.ptp(record.v))}
        words = self._words.queries
        asked = {name: (words[name], as_number) for name in own if name in words}
        for name, said in self._ask_all(asked, n=n, source=source).items():
            found_v = own[name]
            if said.value is not None and abs(said.value - found_v) > _OF_SPAN[name] * one.span_v:
                return f"scaling: {name} {found_v:.4g} V, the scope itself says {said.value:.4g} V"
        self._proved.add(one.channel)
        return None

    def _filled(
        self, one: ChannelSetup, v: np.ndarray, dt_s: float, t0_s: float, lsb_v: float,
        clipped: bool, reason: str | None = None,
    ) -> Capture:  # fmt: skip
        probe = self._seat.probes.get(one.channel)
        limits = [self._words.bandwidth_limit_hz] if one.bandwidth_limit else []
        if probe is not None and probe.bandwidth_hz is not None:
            limits.append(probe.bandwidth_hz)
        return Capture(
            channel=one.channel, instrument=self.name, v=v, dt_s=dt_s, t0_s=t0_s, lsb_v=lsb_v,
            span_v=one.span_v, offset_v=one.offset_v, coupling=one.coupling,
            probe=self._factor(one.channel), bandwidth_hz=min(limits) if limits else None,
            acquire=self._timebase.acquire, clipped=clipped,
            t_trigger_mono_s=self._trigger_moment(t0_s, dt_s * v.size), reason=reason,
        )  # fmt: skip

    def _trigger_moment(self, t0_s: float, duration_s: float) -> float | None:
        if self._triggered_at_s is None:
            return None
        return self._triggered_at_s - max(0.0, duration_s + t0_s)

    def _empty(self, one: ChannelSetup, reason: str) -> Capture:
        return self._filled(one, np.zeros(0), math.nan, math.nan, 0.0, False, reason)

    def _nothing(self, reason: str) -> dict[str, Capture]:
        return {name: self._empty(one, reason) for name, one in self._channels.items()}


def _number(channel: str) -> int:
    return int(channel.removeprefix("ch"))


def _any_bit(value: int, keys: Sequence[str]) -> bool:
    return any(value & int(key) for key in keys)
