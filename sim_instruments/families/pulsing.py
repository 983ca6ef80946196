"""What twins of load families share: two levels of their own, a trigger, old readings.

The plain load goes to and fro as soon as it is told; the real ones are armed first and begin with
a trigger, with the input on. Until then they draw the lower level.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import ClassVar

from sim_instruments.families.family import Family, Figure
from sim_instruments.load import WINDOW_S, Load, LoadRating
from sim_instruments.meter_front import next_up
from sim_instruments.plant.settings import LoadDemand
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Later
from sim_instruments.scpi.kinds import Number, Word
from sim_instruments.scpi.tree import Command

__all__ = ["PulsingLoad", "per_us"]


def per_us(fastest_a_per_us: float = 5.0) -> Figure:
    """A slew counted in A/us."""
    return Figure(1e-6, fastest_a_per_us, 0.5, form="{:.6f}", per=1e6)


class PulsingLoad(Family, Load):
    """Subclasses give their rating, `idn` and `words`.

    `settings["transient"]` says armed, `running` that a trigger came. `renews_s` is how often a
    readback is renewed, where it is not taken when asked.
    """

    rated: ClassVar[LoadRating] = LoadRating()
    renews_s = 0.0
    first_slew_a_per_s = 1e5

    def commands(self) -> Iterable[Command]:
        """The family's words, with the defaults that pulses need."""
        made = list(super().commands())
        for key in ("slew up", "slew down"):
            self.default(key, self.first_slew_a_per_s)
        for key, value in (("running", False), ("pulse low", 0.0), ("pulse high", 0.0),
                           ("pulse hertz", 1e3), ("pulse duty", 50.0)):  # fmt: skip
            self._defaults.setdefault(key, value)
        return made

    # --- pulses

    def arm(self, on: bool) -> None:
        """Wait for the trigger at the lower level, or go back to the plain level."""
        self.settings["transient"], self.settings["running"] = on, False
        self.apply()

    def trigger(self) -> None:
        """Begin; a trigger that finds nothing armed, or the input off, is ignored (-211)."""
        if not (self.settings["transient"] and self.settings["input"]):
            raise ScpiError(-211)
        self.settings["running"] = True
        self.apply()

    def pulse_low(self) -> float:
        """The lower level in A."""
        return float(self.settings["pulse low"])

    def pulse_share(self) -> tuple[float, float]:
        """Frequency in Hz and how much of a period is at the higher level, in percent."""
        settings = self.settings
        if "pulse a s" in settings:
            whole_s = settings["pulse a s"] + settings["pulse b s"]
            return 1.0 / whole_s, 100.0 * settings["pulse a s"] / whole_s
        return settings["pulse hertz"], settings["pulse duty"]

    def demand(self) -> LoadDemand:
        """As the plain load, with the levels of the pulses in place of the plain level."""
        if not self.settings["transient"]:
            return super().demand()
        hertz, duty = self.pulse_share()
        for_now = {
            "mode": "CURR", "CURR": self.pulse_low(), "tlevel": self.settings["pulse high"],
            "frequency": hertz if self.settings["running"] else 0.0, "duty": duty,
            "slew up": self.settings.get("pulse up", self.settings["slew up"]),
            "slew down": self.settings.get("pulse down", self.settings["slew down"]),
        }  # fmt: skip
        kept = {key: self.settings[key] for key in for_now}
        self.settings.update(for_now)
        try:
            return super().demand()
        finally:
            self.settings.update(kept)

    # --- words that several families have

    def switch(self, on: bool) -> None:
        """Put the input on or off; off ends pulses that run, which stay armed."""
        if on and self.guard.latched:
            raise ScpiError(-221)
        self.settings["input"] = on
        if not on:
            self.settings["running"] = self.guard.fully_on = False
        self.apply()

    def input_word(self) -> str:
        """State of the input."""
        return str(int(self.settings["input"]))

    def both_slews(self, a_per_s: float) -> None:
        """Up and down alike."""
        self.settings["slew up"] = self.settings["slew down"] = a_per_s
        self.apply()

    def slews(self, head: str) -> list[Command]:
        """Slew in A/us, for both directions and for each."""
        kind = per_us()

        def ask() -> str:
            return kind.write(self.settings["slew up"])

        return [
            Command(head, self.both_slews, ask, (kind,)),
            self.setting(f"{head}:POSitive", "slew up", kind, 1e5, self.apply),
            self.setting(f"{head}:NEGative", "slew down", kind, 1e5, self.apply),
        ]

    def level_and_width(self, head: str) -> list[Command]:
        """Levels A and B with their times in seconds; A is the higher one here."""
        level = Number(0.0, self.span, 0.0, ("A",))
        width = Number(2e-5, 3600.0, 5e-4, ("S",))
        return [
            Command(f"{head}:MODE", lambda _: None, takes=(Word("CONTinuous", "PULSe", "TOGGle"),)),
            self.setting(f"{head}:ALEVel", "pulse high", level, 0.0, self.apply),
            self.setting(f"{head}:BLEVel", "pulse low", level, 0.0, self.apply),
            self.setting(f"{head}:AWIDth", "pulse a s", width, 5e-4, self.apply),
            self.setting(f"{head}:BWIDth", "pulse b s", width, 5e-4, self.apply),
        ]

    def span(self) -> float:
        """Current range in force, A."""
        return self.current_range_a

    def fitting(self, amperes: float) -> float:
        """The range that holds this current, A."""
        return next_up(self.rating.current_ranges_a, amperes)

    def range_while_off(self, span_a: float) -> None:
        """Choose a range; refused (-221) while the input is on."""
        if self.settings["input"]:
            raise ScpiError(-221)
        self.settings["range CURR"] = span_a
        self._ranged()

    # --- readback

    def fresh(self, read: Callable[[float], float], form: str) -> Later:
        """A readback taken when it is asked for."""
        end_s = self.now_s + WINDOW_S
        return Later(end_s, lambda: form.format(read(end_s)))

    def renewed(self, read: Callable[[float], float]) -> float:
        """The readback that was renewed last: the mean of the 0.2 s before that moment."""
        renewed_s = int(self.now_s / self.renews_s) * self.renews_s
        key = f"{read.__name__} at"
        if self.last.get(key) != renewed_s:
            ends = [renewed_s - n * WINDOW_S for n in range(10)]
            self.last[key] = renewed_s
            self.last[read.__name__] = sum(map(read, ends)) / len(ends)
        return self.last[read.__name__]
