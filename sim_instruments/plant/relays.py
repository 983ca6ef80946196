"""The tap relays: comparators, coils, armatures that take time, contacts that bounce."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim_instruments.plant.parts import TapControl, Winding

__all__ = ["Motion", "Relays"]


@dataclass(frozen=True, slots=True)
class Motion:
    """A contact that will change: True made, False at rest, None in the air."""

    t_s: float
    relay: int
    contact: bool | None
    bounce: bool = False


class Relays:
    """State of all tap relays of one unit. Times in seconds, thresholds in volts."""

    def __init__(self, taps: TapControl, rng: np.random.Generator) -> None:
        n = len(taps.up_v)
        self._rng = rng
        self._fresh_ohm = 0.0  # what the last making of a worn contact happened to add
        self.taps = taps
        self.above = [False] * n  # comparators
        self.coils = [False] * n
        self.contacts: list[bool | None] = [self._stuck(k) or False for k in range(n)]
        self.motions: list[Motion] = []
        self.transitions = 0
        self.scale = 1.0  # thresholds move with reference and temperature

    def _stuck(self, relay: int) -> bool | None:
        return self.taps.stuck[relay] if relay < len(self.taps.stuck) else None

    def rebuild(self, taps: TapControl) -> None:
        """Take changed parts; contacts that are stuck now go where they are stuck."""
        self.taps = taps
        for k in range(len(self.contacts)):
            stuck = self._stuck(k)
            if stuck is not None:
                self.contacts[k] = stuck

    def up_v(self, k: int) -> float:
        """Threshold of comparator k, rising, as it stands now."""
        return self.taps.up_v[k] * self.scale

    def down_v(self, k: int) -> float:
        """Threshold of comparator k, falling, as it stands now."""
        return self.taps.down_v[k] * self.scale

    def bounds_v(self) -> tuple[float, float]:
        """Sense voltages (rising, falling) at which the next comparator moves."""
        up = [self.up_v(k) for k, on in enumerate(self.above) if not on]
        down = [self.down_v(k) for k, on in enumerate(self.above) if on]
        return min(up, default=float("inf")), max(down, default=float("-inf"))

    def compare(self, sense_v: float) -> bool:
        """Update the comparators; True when one moved."""
        moved = False
        for k, on in enumerate(self.above):
            if (not on and sense_v > self.up_v(k)) or (on and sense_v < self.down_v(k)):
                self.above[k] = not on
                moved = True
        return moved

    def wanted(self) -> list[bool]:
        """Which coils the comparators ask for."""
        if self.taps.arrangement == "binary":
            code = sum(self.above)
            return [bool(code >> k & 1) for k in range(len(self.above))]
        return list(self.above)

    def drive(self, t_s: float, rail_v: float) -> list[tuple[int, bool]]:
        """Energise and release coils; returns (relay, energised) for those that changed."""
        changed: list[tuple[int, bool]] = []
        for k, want in enumerate(self.wanted()):
            on = self.coils[k]
            held = want and (
                rail_v >= self.taps.pull_in_v or (on and rail_v >= self.taps.drop_out_v)
            )
            if held != on:
                self.coils[k] = held
                changed.append((k, held))
                self._move(t_s, k, held)
        return changed

    def _move(self, t_s: float, relay: int, make: bool) -> None:
        self.motions = [m for m in self.motions if m.relay != relay]
        if self._stuck(relay) is not None:
            return
        taps = self.taps
        if taps.kind == "scr":
            self.motions.append(Motion(t_s, relay, make))
            return
        arrive = t_s + (taps.operate_s if make else taps.release_s)
        leave = max(arrive - taps.gap_s, t_s + 0.1e-3)
        if self.contacts[relay] is not None:
            self.motions.append(Motion(leave, relay, None))
        self.motions.append(Motion(arrive, relay, make))
        t, length = arrive, taps.bounce_s
        for _ in range(taps.bounces):
            self.motions.append(Motion(t + 0.5 * length, relay, None, bounce=True))
            self.motions.append(Motion(t + length, relay, make, bounce=True))
            t, length = t + length, 0.6 * length
        self.motions.sort(key=lambda m: m.t_s)

    def next_s(self) -> float:
        """When the next contact moves."""
        return self.motions[0].t_s if self.motions else float("inf")

    def take(self, t_s: float) -> list[Motion]:
        """Carry out the motions that are due."""
        due = [m for m in self.motions if m.t_s <= t_s + 1e-9]
        if due:
            self.motions = [m for m in self.motions if m.t_s > t_s + 1e-9]
            for m in due:
                self.contacts[m.relay] = m.contact
                if not m.bounce and m.contact is not None:
                    self.transitions += 1
                    worn = self.taps.contact_noise_ohm
                    self._fresh_ohm = worn * float(self._rng.random()) if worn else 0.0
        return due

    def winding(self) -> Winding | None:
        """Return the selected winding with its contact resistance, or None in the gap."""
        taps = self.taps
        if taps.arrangement == "binary":
            if None in self.contacts:
                return None
            index = sum(1 << k for k, c in enumerate(self.contacts) if c)
            chosen = taps.windings[min(index, len(taps.windings) - 1)]
        else:
            index = 0
            for c in self.contacts:
                if c is None:
                    return None
                if not c:
                    break
                index += 1
            chosen = taps.windings[index]
        if not self.contacts:
            return chosen
        return replace(chosen, r_ohm=chosen.r_ohm + taps.contact_ohm + self._fresh_ohm)

    def tap(self) -> int:
        """Index of the selected winding, -1 in the gap."""
        if None in self.contacts and self.taps.arrangement == "binary":
            return -1
        if self.taps.arrangement == "binary":
            return sum(1 << k for k, c in enumerate(self.contacts) if c)
        index = 0
        for c in self.contacts:
            if c is None:
                return -1
            if not c:
                break
            index += 1
        return index
