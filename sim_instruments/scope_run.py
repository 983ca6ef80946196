"""One acquisition of the scope: armed, waiting, triggered, complete; and the codes it leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim_instruments.scope_front import ChannelSetting

if TYPE_CHECKING:
    from sim_instruments.scope import Scope

__all__ = ["Acquisition", "Plan", "Trigger"]

_PACE_S = 5.0
_REARM_S = 1e-3


@dataclass(frozen=True)
class Trigger:
    """Trigger settings as they were when armed; volts at the probe tip."""

    source: str
    kind: str
    slope: str
    level_v: float
    low_v: float
    high_v: float


@dataclass(frozen=True)
class Plan:
    """Everything fixed at arming."""

    range_s: float
    position_s: float
    points: int
    kind: str
    count: int
    trigger: Trigger
    channels: dict[int, ChannelSetting]

    @property
    def before_s(self) -> float:
        """Time that the record reaches back before the trigger (negative: it starts after)."""
        return self.range_s / 2 - self.position_s

    @property
    def after_s(self) -> float:
        """Time from the trigger to the record's end."""
        return self.range_s / 2 + self.position_s


class Acquisition:
    """From arming to the finished record. Times are bench seconds.

    A free-running scope makes one of these when somebody looks, armed a little in the past.
    """

    def __init__(self, scope: Scope, plan: Plan, armed_s: float) -> None:
        self.scope, self.plan = scope, plan
        self.trigger_s: float | None = None
        self.finished = 0
        self.stopped = False
        self.codes: dict[int, NDArray[np.uint16]] = {}
        self._sums: dict[int, NDArray[np.float64]] = {}
        self._arm(armed_s)

    @property
    def wanted(self) -> int:
        """Captures that make one record."""
        return self.plan.count if self.plan.kind == "AVER" else 1

    def state(self, now_s: float) -> str:
        """Word for `TRIG:STAT?`."""
        self.advance(now_s)
        if self.stopped:
            return "STOP"
        if self.trigger_s is not None:
            return "RUN"
        return "ARM" if now_s < self._ready_s else "WAIT"

    def end_s(self, now_s: float) -> float:
        """When the record will be complete; infinity while that cannot be known."""
        self.advance(now_s)
        if self.stopped:
            return -math.inf
        if self.trigger_s is None or self.finished + 1 < self.wanted:
            return math.inf
        return self.trigger_s + self.plan.after_s

    def force(self, now_s: float) -> bool:
        """Trigger now, if armed and not yet triggered."""
        self.advance(now_s)
        if self.stopped or self.trigger_s is not None:
            return False
        self.trigger_s = max(now_s, self._ready_s)
        return True

    def advance(self, now_s: float) -> None:
        """Look for triggers and finish captures up to now."""
        while not self.stopped:
            if self.trigger_s is None:
                self.trigger_s = self._search(now_s)
            if self.trigger_s is None:
                return
            end_s = self.trigger_s + self.plan.after_s
            if end_s > now_s + 1e-12:
                return
            self.finished += 1
            self.scope.captures += 1
            if self.wanted > 1:
                self._accumulate()
            if self.finished >= self.wanted:
                self.stopped = True
            else:
                self.trigger_s = None
                self._arm(end_s + _REARM_S)

    def keep_pace(self) -> None:
        """Keep up while nobody asks, before the unit's history has passed."""

        def again() -> None:
            if self.scope.acquisition is not self:
                return
            with self.scope.lock:
                self.advance(self.scope.now_s)
                self.materialise()
                if not self.stopped:
                    self.keep_pace()

        self.scope.alarms.at(self.scope.now_s + _PACE_S, again)

    def start_s(self) -> float:
        """Bench time of the first sample."""
        return (self.trigger_s or 0.0) - self.plan.before_s

    def materialise(self) -> None:
        """Turn a finished record into codes; from then on it no longer needs the unit."""
        if self.codes or not self.stopped or not self.finished:
            return
        for number, setting in self.plan.channels.items():
            front = self.scope.front(number)
            if self.wanted > 1:
                volts, finer = self._sums[number] / self.finished, 16
            else:
                volts, finer = self._volts(number), 16 if self.plan.kind == "HRES" else 1
            self.codes[number] = front.codes(setting, volts, finer)
        self._sums.clear()

    # --- inside

    def _arm(self, from_s: float) -> None:
        self._ready_s = self._searched_s = from_s + max(0.0, self.plan.before_s)

    def _search(self, now_s: float) -> float | None:
        scope, trigger = self.scope, self.plan.trigger
        if scope.stuck_trigger or now_s <= self._searched_s or trigger.source == "EXT":
            return None
        from_s = self._searched_s
        if trigger.source == "LINE":
            at_s = scope.site.line_crossing_s(from_s)
            return at_s if at_s <= now_s else None
        self._searched_s = now_s
        return scope.find_crossing(trigger, from_s, now_s)

    def _volts(self, number: int) -> NDArray[np.float64]:
        plan, front = self.plan, self.scope.front(number)
        setting, start_s = plan.channels[number], self.start_s()
        step_s = plan.range_s / plan.points
        if plan.kind == "PEAK":
            return front.extremes(setting, start_s, 2 * step_s, plan.points // 2)
        return front.volts(
            setting, start_s, step_s, plan.points, part=8 if plan.kind == "HRES" else 1
        )

    def _accumulate(self) -> None:
        for number, setting in self.plan.channels.items():
            volts, half_v = self._volts(number), setting.full_v / 2
            # what lies outside the screen is clipped before it is averaged
            np.clip(volts, setting.offset_v - half_v, setting.offset_v + half_v, out=volts)
            if number in self._sums:
                self._sums[number] += volts
            else:
                self._sums[number] = volts
