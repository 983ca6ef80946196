"""An electronic load: CC, CV, CR, CP, dynamic; protections that trip and latch.

Limits of the front end (ranges, rating, lowest voltage) and its own errors are the instrument's;
what flows is the plant's business.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from sim_instruments.accuracy import ErrorClass, TrueError, draw, stream
from sim_instruments.bench_clock import BenchTime
from sim_instruments.load_guard import LoadGuard
from sim_instruments.meter_front import next_up
from sim_instruments.plant.settings import LoadDemand
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Identity, Later, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Number, Word
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.tree import Command
from sim_instruments.site import Leads, Site

__all__ = ["Load", "LoadRating", "LoadTruth"]

WINDOW_S = 0.02  # one 50 Hz cycle; the readback integrates this long
SHORT_OHM = 0.02
OWN_NOISE_A = 0.5e-3  # rms that the regulating load adds to what it draws; common for bench loads
CURRENT_CLASS = ErrorClass(5e-4, 5e-4)
VOLTAGE_CLASS = ErrorClass(2.5e-4, 2.5e-4)
_MODES = {"CURR": "cc", "VOLT": "cv", "RES": "cr", "POW": "cp"}


@dataclass(frozen=True)
class LoadRating:
    """What the load can take."""

    current_a: float = 30.0
    voltage_v: float = 150.0
    power_w: float = 300.0
    v_min: float = 0.5
    own_ranges_a: tuple[float, ...] = ()
    own_ranges_v: tuple[float, ...] = ()

    @property
    def current_ranges_a(self) -> tuple[float, ...]:
        """Current ranges, lowest first."""
        return self.own_ranges_a or (self.current_a / 10, self.current_a)

    @property
    def voltage_ranges_v(self) -> tuple[float, ...]:
        """Voltage ranges, lowest first."""
        return self.own_ranges_v or (self.voltage_v / 5, self.voltage_v)


@dataclass
class LoadTruth:
    """Real errors by range: level set, current read, voltage read; `noise` scales all noise.

    `swing` is how much more than set a pulse's step is, as a share of it.
    """

    level: dict[float, TrueError]
    current: dict[float, TrueError]
    voltage: dict[float, TrueError]
    noise: float = 1.0
    swing: float = 0.0


class Load(ScpiInstrument):
    """The load. `truth` holds its real errors."""

    level_class = CURRENT_CLASS
    current_class = CURRENT_CLASS
    voltage_class = VOLTAGE_CLASS
    counts = 200_000.0  # steps of a range in the readback

    def __init__(
        self,
        identity: Identity,
        clock: BenchTime,
        plant: Site,
        leads: Leads,
        *,
        name: str = "load",
        seed: int = 1,
        rating: LoadRating | None = None,
    ) -> None:
        self.plant, self.leads = plant, leads
        self.alarms = clock.alarms
        self.rating = rating or LoadRating()
        self.random = stream(seed, name)
        levels = dict.fromkeys(self.rating.current_ranges_a, self.level_class)
        currents = dict.fromkeys(self.rating.current_ranges_a, self.current_class)
        voltages = dict.fromkeys(self.rating.voltage_ranges_v, self.voltage_class)
        self.truth = LoadTruth(
            draw(self.random, levels), draw(self.random, currents), draw(self.random, voltages)
        )
        self._drawn_a = 0.0
        self._slewed_s = float("-inf")
        self.last: dict[str, float] = {}
        self._given: LoadDemand | None = None
        super().__init__(identity, clock)
        self.guard = LoadGuard(self)

    # --- words

    def commands(self) -> Iterable[Command]:
        """Words of the load."""
        mode = Word("CURRent", "VOLTage", "RESistance", "POWer")
        return [
            self.setting("[SOURce]:FUNCtion", "mode", mode, "CURR", self.apply),
            self.setting("[SOURce]:MODE", "mode", mode, "CURR", self.apply),
            *self._current(),
            *self._other_levels(),
            *self._dynamic(),
            *self._input(),
        ]

    def _current(self) -> list[Command]:
        ranges = self.rating.current_ranges_a
        high = ranges[-1]
        level = Number(0.0, lambda: self.current_range_a, 0.0, ("A",))
        full = Number(0.0, high, high, ("A",), lambda a: next_up(ranges, a))
        slew = Number(1.0, 5e6, 1e5, ("A/S",))
        tail = "[:LEVel][:IMMediate][:AMPLitude]"
        head = "[SOURce]:CURRent"

        def both(value: float) -> None:
            self.settings["slew up"] = self.settings["slew down"] = value
            self.apply()

        return [
            self.setting(f"{head}{tail}", "CURR", level, 0.0, self.apply),
            self.setting(f"{head}:TLEVel", "tlevel", level, 0.0, self.apply),
            self.setting(f"{head}:RANGe", "range CURR", full, high, self._ranged),
            Command(
                f"{head}:SLEW[:BOTH]", both, lambda: nr3(self.settings["slew up"]), (slew,),
                limits_of=slew,
            ),
            self.setting(f"{head}:SLEW:POSitive", "slew up", slew, 1e5, self.apply),
            self.setting(f"{head}:SLEW:NEGative", "slew down", slew, 1e5, self.apply),
            self.setting(
                f"{head}:PROTection[:LEVel]", "oc level",
                Number(0.0, high * 1.05, high * 1.05, ("A",)), high * 1.05,
            ),
            self.setting(f"{head}:PROTection:STATe", "oc on", Boolean(), False),
            self.setting(
                f"{head}:PROTection:DELay", "oc delay", Number(0.0, 60.0, 0.1, ("S",)), 0.1
            ),
        ]  # fmt: skip

    def _other_levels(self) -> list[Command]:
        rating, tail = self.rating, "[:LEVel][:IMMediate][:AMPLitude]"
        ranges = rating.voltage_ranges_v
        high = ranges[-1]
        volts = Number(0.0, rating.voltage_v, rating.voltage_v, ("V",))
        full = Number(0.0, high, high, ("V",), lambda v: next_up(ranges, v))
        most_w = rating.power_w * 1.05
        return [
            self.setting(f"[SOURce]:VOLTage{tail}", "VOLT", volts, rating.voltage_v, self.apply),
            self.setting("[SOURce]:VOLTage:RANGe", "range VOLT", full, high, self.apply),
            self.setting(
                "[SOURce]:VOLTage:ON", "von", Number(0.0, high, 0.0, ("V",)), 0.0, self.apply
            ),
            self.setting(
                f"[SOURce]:RESistance{tail}", "RES", Number(0.05, 1e4, 1e4, ("OHM",)), 1e4,
                self.apply,
            ),
            self.setting(
                f"[SOURce]:POWer{tail}", "POW", Number(0.0, rating.power_w, 0.0, ("W",)), 0.0,
                self.apply,
            ),
            self.setting(
                "[SOURce]:POWer:PROTection[:LEVel]", "op level",
                Number(0.0, most_w, most_w, ("W",)), most_w,
            ),
        ]  # fmt: skip

    def _dynamic(self) -> list[Command]:
        return [
            self.setting("[SOURce]:TRANsient[:STATe]", "transient", Boolean(), False, self.apply),
            self.setting(
                "[SOURce]:TRANsient:FREQuency", "frequency",
                Number(0.1, 25e3, 1000.0, ("HZ",)), 1000.0, self.apply,
            ),
            self.setting(
                "[SOURce]:TRANsient:DCYCle", "duty", Number(3.0, 97.0, 50.0, ("PCT",)), 50.0,
                self.apply,
            ),
        ]  # fmt: skip

    def _input(self) -> list[Command]:
        def switch(on: bool) -> None:
            if on and self.guard.latched:
                raise ScpiError(-221)
            self.settings["input"] = on
            if not on:
                self.guard.fully_on = False
            self.apply()

        self.default("input", False)
        return [
            Command(
                "INPut[:STATe]", switch, lambda: str(int(self.settings["input"])), (Boolean(),)
            ),
            self.setting("INPut:SHORt[:STATe]", "short", Boolean(), False, self.apply),
            Command("INPut:PROTection:CLEar", act=self._clear_protection),
            *self._measuring(),
        ]

    def _measuring(self) -> list[Command]:
        return [
            *self._measured("VOLTage", self.volts),
            *self._measured("CURRent", self.amperes),
            *self._measured("POWer", self.watts),
        ]

    def _measured(self, word: str, read: Callable[[float], float]) -> list[Command]:
        def fresh() -> Later:
            end_s = self.now_s + WINDOW_S
            return Later(end_s, lambda: self._shown(word, read(end_s)))

        def last() -> str:
            if word not in self.last:
                raise ScpiError(-230)
            return nr3(self.last[word])

        return [
            Command(f"MEASure[:SCALar]:{word}[:DC]", ask=fresh),
            Command(f"FETCh[:SCALar]:{word}[:DC]", ask=last),
        ]

    def _clear_protection(self) -> None:
        self.guard.clear()

    def _shown(self, word: str, value: float) -> str:
        self.last[word] = value
        return nr3(value)

    def volts(self, end_s: float) -> float:
        """Readback of the voltage over the window that ends at `end_s`."""
        true_v = self.true_volts(end_s - WINDOW_S, end_s)
        full = self.settings["range VOLT"]
        shown = self.truth.voltage[full].shown(true_v) + self._noise(2e-6 * full)
        return _stepped(shown, full / self.counts)

    def amperes(self, end_s: float) -> float:
        """Readback of the current."""
        full = self.current_range_a
        true_a = self.plant.load_a(end_s - WINDOW_S, end_s) if self.wired else 0.0
        shown = self.truth.current[full].shown(true_a) + self._noise(3e-6 * full)
        return _stepped(shown, full / self.counts)

    def watts(self, end_s: float) -> float:
        """Readback of the power: the product of the other two."""
        return self.volts(end_s) * self.amperes(end_s)

    def true_volts(self, from_s: float, to_s: float) -> float:
        """Voltage at the terminals."""
        if not self.leads.on:
            return 0.0
        return self.plant.mean_v(self.leads.hi, self.leads.lo, max(0.0, from_s), to_s)

    def _noise(self, rms: float) -> float:
        return float(self.random.standard_normal()) * rms * self.truth.noise

    # --- doing

    @property
    def current_range_a(self) -> float:
        """Current range in force."""
        return float(self.settings.get("range CURR", self.rating.current_a))

    @property
    def wired(self) -> bool:
        """The leads are across the output."""
        return {self.leads.hi, self.leads.lo} == {"plus", "minus"}

    def apply(self) -> None:
        """Make the plant feel the settings."""
        self.guard.watch()
        demand = self.demand()
        if demand != self._given:
            self._given = demand
            self.plant.set_load(demand)
            drawing = demand.mode not in ("off", "short")
            self.plant.load_noise(OWN_NOISE_A * self.truth.noise if drawing else 0.0)

    def reset(self) -> None:
        """Input off, everything at its default; a latched protection stays."""
        super().reset()
        self.apply()

    def provoke(self, what: str) -> None:
        """A protection trips though nothing measurable asked for it."""
        self.guard.trip(what)

    def busy_until_s(self) -> float:
        """A slew under way is work not finished."""
        return self._slewed_s

    def refresh(self) -> None:
        """Condition bits."""
        self.status.questionable.update(self.guard.condition())

    def _ranged(self) -> None:
        for key in ("CURR", "tlevel"):
            self.settings[key] = min(self.settings[key], self.current_range_a)
        self.apply()

    def demand(self) -> LoadDemand:
        """What the load tries to draw with the settings as they are, own errors included."""
        settings = self.settings
        if not settings["input"] or not self.wired or self.guard.holds_off:
            self._drawn_a = 0.0
            return LoadDemand(mode="off")
        limit_a = self.current_range_a * 1.05
        if settings["short"] or self.guard.fully_on:
            return LoadDemand(mode="short", level=SHORT_OHM, i_max=limit_a)
        mode = settings["mode"]
        if mode != "CURR":
            return LoadDemand(
                mode=_MODES[mode],  # type: ignore[arg-type]
                level=settings[mode],
                v_min=self.rating.v_min,
                i_max=limit_a,
            )
        true = self.truth.level[self.current_range_a]
        level_a = max(0.0, true.shown(settings["CURR"])) if settings["CURR"] else 0.0
        slew = settings["slew up" if level_a >= self._drawn_a else "slew down"]
        self._slewed_s = self.now_s + abs(level_a - self._drawn_a) / slew
        self._drawn_a = level_a
        dynamic = settings["transient"]
        step_a = (true.shown(settings["tlevel"]) - level_a) * (1 + self.truth.swing)
        return LoadDemand(
            mode="cc",
            level=level_a,
            slew_a_per_s=slew,
            v_min=self.rating.v_min,
            i_max=limit_a,
            level_b=max(0.0, level_a + step_a) if dynamic else None,
            frequency_hz=settings["frequency"] if dynamic else 0.0,
            duty=1.0 - settings["duty"] / 100.0,
        )


def _stepped(value: float, step: float) -> float:
    """Round to the last digit that the load shows."""
    return round(value / step) * step
