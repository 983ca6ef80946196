"""A person at the bench: turns the knob as people do and does what the prompts ask.

Temper says how: how fast, how far past the mark, how shaky, how often a pause, how late a prompt
is heard, how close is close enough.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from runner.operator.requests import (
    Answer,
    AskNumber,
    AskWords,
    AskYesNo,
    Confirm,
    FitBleed,
    JoinSource,
    MoveLead,
    Request,
    SetStrap,
    SwitchUnit,
    TurnKnob,
)
from sim_instruments.accuracy import stream
from sim_instruments.handheld import TOPIC, Handhelds
from sim_instruments.outside_source import OutsideSource
from sim_instruments.stand import Stand, node_of

__all__ = ["TEMPERS", "Hand", "Temper"]

_STEP_S = 0.05
_CORRECTIONS = 6
_TYPING_S, _CHORE_S, _NOD_S = 4.0, 8.0, 1.5


@dataclass(frozen=True)
class Temper:
    """How a person turns and reacts. Volts refer to a 24 V knob and grow with the knob's span."""

    rate_v_per_s: float
    overshoot: float
    tremor_v: float
    pause_every_s: float
    pause_s: float
    late_s: float
    near_enough_v: float


TEMPERS: dict[str, Temper] = {
    "steady": Temper(3.0, 0.01, 0.0005, 8.0, 0.3, 0.8, 0.010),
    "quick": Temper(9.0, 0.06, 0.002, 20.0, 0.2, 0.4, 0.025),
    "shaky": Temper(2.0, 0.03, 0.008, 4.0, 0.5, 1.2, 0.020),
    "hesitant": Temper(1.5, 0.005, 0.001, 1.5, 1.2, 2.5, 0.008),
    "heavy-handed": Temper(6.0, 0.12, 0.004, 10.0, 0.4, 0.7, 0.040),
}

# what a healthy unit's safety tester would have shown; typed in by the simulated person
_SAFETY_VALUES = {"Ω": 0.11, "ohm": 0.11, "MΩ": 320.0, "mA": 0.18, "µA": 12.0}


class Hand:
    """Answers requests by acting on the unit. `answered` keeps what was asked, for tests."""

    def __init__(self, stand: Stand, temper: str = "steady", seed: int = 1) -> None:
        if temper not in TEMPERS:
            raise ValueError(f"expected a temper of {', '.join(TEMPERS)}, found {temper!r}")
        self.stand, self.temper = stand, TEMPERS[temper]
        self.clock = stand.clock
        self.random: np.random.Generator = stream(seed, f"hand {temper}")
        self.answered: list[Request] = []
        self._at_v = 0.0
        self._sweep = 0
        self._span_v = float(stand.profile.unit.voltage.high)
        self.values: dict[str, float] = {}
        self.handhelds = Handhelds(stand, seed)
        self.source = OutsideSource(stand, seed)

    def answer(self, request: Request) -> Answer:
        """Do what is asked."""
        self.answered.append(request)
        self._sweep += 1  # whatever is asked, the knob is let go first
        self.clock.sleep(self.temper.late_s * float(self.random.uniform(0.6, 1.4)))
        if request.topic.startswith(TOPIC):
            return self._by_hand(request)
        act = self._acts().get(type(request))
        return act(request) if act else Answer(done=False, words="not understood")

    def _acts(self) -> dict[type, Callable[..., Answer]]:
        return {
            TurnKnob: self._turn,
            AskYesNo: self._nod,
            AskNumber: self._read_off,
            AskWords: self._tell,
            Confirm: self._confirm,
            SwitchUnit: self._switch,
            MoveLead: self._move,
            FitBleed: self._bleed,
            SetStrap: self._strap,
            JoinSource: self._join,
        }

    # --- instruments without a cable

    def _by_hand(self, request: Request) -> Answer:
        self.clock.sleep(_NOD_S)
        if isinstance(request, FitBleed):
            self.clock.sleep(_CHORE_S)
            self.handhelds.connect(request.ohms)
            return Answer(done=True, words="yes")
        if isinstance(request, AskNumber):
            shown = self.handhelds.shows(request.topic)
            return Answer(
                done=shown is not None, value=shown, words="" if shown is None else f"{shown}"
            )
        if request.topic.endswith(":capture"):
            self.clock.sleep(_CHORE_S)
            return Answer(done=True, words=str(self.handhelds.picture(request)))
        return Answer(done=False, words="not understood")

    def close(self) -> None:
        """The bench is left."""
        self.handhelds.close()

    # --- the knob

    def _turn(self, request: TurnKnob) -> Answer:
        if request.unit == "A":
            near = 1 + 0.01 * float(self.random.uniform(-1, 1))
            self.clock.sleep(2.0)
            self.stand.plant.set_current_limit(request.target * near)
            return Answer(done=True)
        rate = self.temper.rate_v_per_s * self._span_v / 24.0
        if request.rate_per_s is not None:
            rate = min(rate, request.rate_per_s)
        if request.sweep:
            self._start_sweep(request.target, rate)
            return Answer(done=True)
        beyond = self.temper.overshoot * (request.target - self._at_v)
        if request.rate_per_s is None:
            self._travel(request.target + beyond, rate)
        self._travel(request.target, rate / 3 if request.rate_per_s is None else rate)
        self._settle(request.target)
        return Answer(done=True)

    def _travel(self, target_v: float, rate_v_per_s: float) -> None:
        while abs(target_v - self._at_v) > 1e-6:
            self._one_step(target_v, rate_v_per_s)
            self.clock.sleep(_STEP_S)
            if float(self.random.uniform()) < _STEP_S / self.temper.pause_every_s:
                self.clock.sleep(self.temper.pause_s * float(self.random.uniform(0.5, 1.5)))

    def _one_step(self, target_v: float, rate_v_per_s: float) -> None:
        step_v = rate_v_per_s * _STEP_S * float(self.random.uniform(0.5, 1.5))
        left_v = target_v - self._at_v
        self._at_v += max(-step_v, min(step_v, left_v))
        self._put(self._at_v + self.temper.tremor_v * float(self.random.standard_normal()))

    def _settle(self, target_v: float) -> None:
        """Look at the reading and touch the knob until it is near enough, or give up."""
        plant = self.stand.plant
        for _ in range(_CORRECTIONS):
            self.clock.sleep(0.7)
            now_s = self.clock.mono_s()
            error_v = plant.mean_v("plus", "minus", now_s - 0.2, now_s) - target_v
            if abs(error_v) <= self.temper.near_enough_v:
                return
            self._at_v = max(0.0, min(1.05 * self._span_v, self._at_v - error_v))
            slip_v = 0.4 * self.temper.near_enough_v * float(self.random.uniform(-1, 1))
            self._put(self._at_v + slip_v)

    def _put(self, volts: float) -> None:
        plant = self.stand.plant
        plant.set_knob(plant.knob_for(max(0.0, volts)))

    def _start_sweep(self, target_v: float, rate_v_per_s: float) -> None:
        """Move on by bench alarms while the program watches."""
        mine = self._sweep
        alarms = self.clock.alarms

        def step() -> None:
            if self._sweep != mine or abs(target_v - self._at_v) <= 1e-6:
                return
            self._one_step(target_v, rate_v_per_s)
            pause_s = _STEP_S
            if float(self.random.uniform()) < _STEP_S / self.temper.pause_every_s:
                pause_s += self.temper.pause_s
            alarms.at(self.clock.mono_s() + pause_s, step)

        alarms.at(self.clock.mono_s() + _STEP_S, step)

    # --- the rest

    def _nod(self, request: AskYesNo) -> Answer:
        self.clock.sleep(_NOD_S)
        return Answer(
            done=True, value=float(request.expected), words="yes" if request.expected else "no"
        )

    def _confirm(self, request: Confirm) -> Answer:
        self.clock.sleep(_TYPING_S)
        return Answer(done=True, words="simulated bench")

    def _tell(self, request: AskWords) -> Answer:
        self.clock.sleep(_TYPING_S)
        heat_c = self.stand.plant.temperature_c("heatsink")
        return Answer(done=True, words=f"heatsink at about {heat_c:.0f} °C, no smell, no noise")

    def _read_off(self, request: AskNumber) -> Answer:
        self.clock.sleep(_TYPING_S)
        plant = self.stand.plant
        panel: dict[str, Callable[[], float]] = {
            "V": plant.panel_v,
            "A": plant.panel_a,
            "°C": lambda: round(plant.temperature_c("ambient"), 1),
            "C": lambda: round(plant.temperature_c("ambient"), 1),
        }
        if request.topic in self.values:
            value = self.values[request.topic]
        elif request.topic.startswith("back-feed:"):
            value = self.source.shows(request.topic.partition(":")[2])
        elif "mains" in request.topic or "line" in request.topic:
            now_s = self.clock.mono_s()
            value = round(plant.inlet(now_s - 0.2, now_s).v_rms, 1)
        elif request.unit in panel:
            value = panel[request.unit]()
        else:
            value = _SAFETY_VALUES.get(request.unit, max(request.low, min(request.high, 1.0)))
        return Answer(done=True, value=value)

    def _switch(self, request: SwitchUnit) -> Answer:
        self.clock.sleep(_NOD_S)
        plant = self.stand.plant
        (plant.mains_on if request.what == "mains" else plant.set_output)(request.on)
        return Answer(done=True)

    def _move(self, request: MoveLead) -> Answer:
        self.clock.sleep(_CHORE_S)
        return Answer(done=self.stand.move(request.lead, request.to))

    def _bleed(self, request: FitBleed) -> Answer:
        self.clock.sleep(_CHORE_S)
        plant = self.stand.plant
        if request.ohms <= 0.0:
            plant.detach("bleed")
            return Answer(done=True)
        a, b = node_of(request.a), node_of(request.b)
        if not a or not b:
            return Answer(done=False, words="no such terminal")
        plant.attach("bleed", a, b, request.ohms)
        return Answer(done=True)

    def _join(self, request: JoinSource) -> Answer:
        self.clock.sleep(_CHORE_S)
        self.source.join(request.volts, request.amps, request.ohms)
        return Answer(done=True)

    def _strap(self, request: SetStrap) -> Answer:
        self.clock.sleep(_CHORE_S)
        self.stand.strap = request.position
        self.stand.tie_to_earth()
        return Answer(done=True)
