"""Tap map: where the winding changes, both ways, at three loads; hysteresis, chatter, glitch."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.points import allowed_load_a, full_load_a, tap_count
from runner.checks.stepping import load_of, loaded, start
from runner.checks.tap_change import BESIDE_V, dwell_around, record_change
from runner.checks.tap_coarse import Rough, coarse_scan
from runner.checks.tap_map_findings import NAME, findings
from runner.checks.tap_probe import TapProbe
from runner.checks.tap_ramp import RAMP, ramp_load
from runner.checks.tap_search import (
    Edge,
    Move,
    Pair,
    Seen,
    Window,
    match_taps,
    narrowed,
    search_pair,
    walk,
)
from runner.checks.tap_sensors import DWELL_S, POWER_WAIT_S, coil_channels
from runner.checks.tap_turns import map_by_hand
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["CHECK"]

COARSE_SHARE = 0.5
SHARES = (COARSE_SHARE, 0.03, 1.0)
PASSES = 3
COARSE_V = 0.5
STEPS_V = (0.1, 0.02, 0.005)
"""Steps of the first search; the last is the resolution."""
NEXT_LOAD_STEPS_V = (0.02, 0.005)
NEXT_LOAD_V = 0.06
"""How far from the last load's point the search at another load begins."""
NEXT_PASS_STEPS = 3
GLITCHES = 5
"""Changes recorded each way at full load, where the glitch is largest; one at other loads."""
LOWEST_V = 1.0
BY_HAND_S, QUICK_BY_HAND_S, SEARCH_S = 530.0, 105.0, 240.0
"""Bench time one tap point costs: by slow turns, and by search with dwells."""
PAIRS_A_TAP = 20
"""Up-and-down pairs one tap point costs: searches, dwells and recorded changes."""


class TapMap:
    """Adaptive search; see :mod:`runner.checks.tap_search`."""

    name = NAME
    title = "Tap map"
    question = "At which voltages does the winding change, and does it change cleanly?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a meter, a load and something that shows the winding."""
        profile = conditions.profile
        taps = tap_count(profile)
        points = 2 * profile.unit.voltage.high / COARSE_V + 60 * taps
        by_hand = profile.unit.setting == "hand"
        watched = len(coil_channels(conditions.bench, taps)) >= taps
        point_s = 0.4 + (0.0 if watched else POWER_WAIT_S)
        return Plan(
            duration_s=taps * (QUICK_BY_HAND_S if conditions.quick else BY_HAND_S)
            if by_hand
            else points * point_s + (0.0 if conditions.quick else SEARCH_S * taps),
            relay_operations=2 * PAIRS_A_TAP * taps,
            hands=("knob",) if by_hand else (),
            dissipation_w=profile.unit.voltage.high * profile.unit.current.high,
            missing=_missing(conditions),
            applies=_has_tap_points(profile),
        )

    def measure(self, work: Workplace) -> None:
        """Coarse staircase once, then each tap point at each load."""
        taps = work.profile.tap_points
        if taps is None:
            return
        if work.output.by_hand:
            map_by_hand(work)
            return
        start(work)
        probe = TapProbe(work, len(taps.up))
        search = _Search(work, probe)
        work.log.event("sensors", names=probe.sensors, sees_chatter=probe.sees_chatter)
        probe.begin(search.low_v, search.high_v)
        probe.learn()
        rough = search.coarse()
        numbers = match_taps([r.rising.end_v for r in rough], [t.nominal for t in taps.up])
        work.log.event("windings", found=numbers, expected=len(taps.up))
        for share in SHARES[:1] if work.quick else SHARES:
            rough = search.at_load(share, rough, numbers)
        work.log.event("relay-operations", count=probe.operations, most=search.most)
        for trouble in probe.troubles:
            work.log.note(trouble)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.tap_map_findings`."""
        return findings(data, profile)


def _has_tap_points(profile: Profile) -> bool:
    """Phase control and preregulators follow the output: there is no point to look for."""
    return profile.tap_points is not None and profile.unit.tap_control in {"relay", "scr"}


def _missing(conditions: Conditions) -> str | None:
    profile, bench = conditions.profile, conditions.bench
    if any(bench.by_hand(role) for role in ("meter", "load", "scope")):
        return (
            "tap points are searched in hundreds of small steps: give meter, load and scope a cable"
        )
    if bench.by_role("meter") is None:
        return "no meter on the bench: join one to the output terminals"
    if bench.by_role("load") is None:
        return "no load on the bench: the winding must be seen under load"
    if profile.unit.setting == "hand" and not coil_channels(bench, tap_count(profile)):
        return "a knob must be watched fast: put a scope channel on the relay coil"
    senses = coil_channels(bench, tap_count(profile)) or bench.scope_channel_on("unit.raw")
    if not senses and bench.by_role("mains-meter") is None:
        return (
            "nothing on the bench shows the winding: put a scope channel on a relay coil or the"
            " raw rail, or a power meter into the mains lead"
        )
    return None


@dataclass(slots=True)
class _Search:
    """One tap map in the making: what is common to its steps."""

    work: Workplace
    probe: TapProbe
    chattering: set[int] = field(default_factory=set)

    @property
    def low_v(self) -> float:
        """Where the staircase begins: loads do not draw below about a volt."""
        return max(LOWEST_V, self.work.profile.unit.voltage.low)

    @property
    def high_v(self) -> float:
        """Where it ends."""
        return self.work.profile.unit.voltage.high

    @property
    def most(self) -> float:
        """Relay operations that may be spent."""
        return self.work.profile.limit("tap-wear").limit.at(0.0)

    def load_a(self, share: float) -> float:
        """Load current at a share of the rated current, within the load's rating."""
        load = load_of(self.work)
        return allowed_load_a(load, self.high_v, share * full_load_a(self.work.profile))

    def mover(self, **at: float | str) -> Move:
        """Return the probe's move, each reading kept with its place.

        A search that is widened, or led astray by an output that went off, stays within the rating.
        """

        def move(volts: float) -> Seen:
            volts = min(max(volts, self.low_v), self.high_v)
            seen = self.probe.move(volts)
            self.work.log.reading(
                self.probe.readings[volts], set_v=volts, winding=seen.winding, **at
            )
            return seen

        return move

    def coarse(self) -> list[Rough]:
        """Whole range once, at half load."""
        self.work.log.progress(0.0, "whole range, coarse steps")
        with loaded(load_of(self.work), self.load_a(COARSE_SHARE)):
            self.probe.begin(self.low_v, self.high_v)
            move = self.mover(search="coarse", share=COARSE_SHARE)
            return coarse_scan(move, self.low_v, self.high_v, COARSE_V)

    def at_load(self, share: float, rough: list[Rough], numbers: list[int]) -> list[Rough]:
        """All tap points at one load; returns windows for the next load."""
        narrower = []
        first = share == COARSE_SHARE
        with loaded(load_of(self.work), self.load_a(share)):
            self.probe.rest_at(self.low_v)
            for tap, place in zip(numbers, rough, strict=True):
                if tap in self.chattering:
                    narrower.append(place)  # spared at the other loads
                    continue
                if self.probe.operations > self.most:
                    self.work.log.event("relay-cap", tap=tap, share=share)
                    continue
                done = (SHARES.index(share) + tap / (len(numbers) + 1)) / len(SHARES)
                self.work.log.progress(done, f"tap point {tap} at {share:.0%} load")
                narrower.append(self._tap(share, tap, place, STEPS_V if first else None))
            self.probe.rest_at(self.low_v)
        return narrower if len(narrower) == len(rough) else rough

    def _tap(
        self, share: float, tap: int, place: Rough, steps_v: tuple[float, ...] | None
    ) -> Rough:
        move = self.mover(search="fine", share=share, tap=tap)
        self.probe.move(place.rising.home_v)
        pair = search_pair(move, place.rising, place.falling, steps_v or NEXT_LOAD_STEPS_V)
        if steps_v is None and (pair.rising is None or pair.falling is None):
            self.probe.move(place.rising.home_v)
            pair = search_pair(move, _wide(place).rising, _wide(place).falling, STEPS_V)
        if not self._kept(share, tap, 1, pair):
            self.probe.move(place.rising.home_v)
            return place
        for number in range(2, 1 + (1 if self.work.quick else PASSES)):
            pair = self._again(move, place, pair)
            if not self._kept(share, tap, number, pair):
                self.probe.move(place.rising.home_v)
                return place
        return self._look_closer(share, tap, place, pair)

    def _again(self, move: Move, place: Rough, pair: Pair) -> Pair:
        """One more pass at the finest step, from a little before the last one's points."""
        if pair.rising is None or pair.falling is None:
            return pair
        step_v = STEPS_V[-1]
        up = walk(move, narrowed(place.rising, pair.rising, NEXT_PASS_STEPS * step_v), step_v)
        if up is None or up.chatter:
            return Pair(up, None, 0)
        down = walk(move, narrowed(place.falling, pair.falling, NEXT_PASS_STEPS * step_v), step_v)
        return Pair(up, down, 0)

    def _kept(self, share: float, tap: int, number: int, pair: Pair) -> bool:
        """Write down both edges; False when one was not found or the relay chatters."""
        good = True
        for direction, edge in (("rising", pair.rising), ("falling", pair.falling)):
            if edge is None:
                self.work.log.event(
                    "tap-not-found", tap=tap, share=share, direction=direction, run=number
                )
                return False
            if edge.chatter:
                self.chattering.add(tap)
                self.work.log.event(
                    "chatter", tap=tap, share=share, direction=direction,
                    at_v=edge.measured_v, seconds=DWELL_S, changes=edge.changes,
                )  # fmt: skip
                return False
            self._write(share, tap, number, direction, edge)
        return good

    def _write(self, share: float, tap: int, number: int, direction: str, edge: Edge) -> None:
        self.work.log.event(
            "tap-change",
            tap=tap,
            share=share,
            load_a=self.load_a(share),
            direction=direction,
            run=number,
            output_v=edge.measured_v,
            quiet_v=edge.measured_quiet_v,
            step_v=edge.step_v,
            reading=self.probe.readings[edge.changed_v].to_dict(),
        )

    def _look_closer(self, share: float, tap: int, place: Rough, pair: Pair) -> Rough:
        """Record one change each way, dwell about both points; window for the next load."""
        if pair.rising is None or pair.falling is None:
            return place
        times = GLITCHES if share == SHARES[-1] else 1
        record_change(self.work, self.probe, tap, share, pair, times)
        if not self.work.quick:
            still = dwell_around(self.work, self.probe, tap, share, pair, place.rising.home_v)
            if not still:
                self.chattering.add(tap)
            elif share == COARSE_SHARE:
                self._ramp(tap, place, pair.rising)
        rising = narrowed(place.rising, pair.rising, NEXT_LOAD_V)
        falling = narrowed(place.falling, pair.falling, NEXT_LOAD_V)
        return Rough(rising, falling)

    def _ramp(self, tap: int, place: Rough, edge: Edge) -> None:
        """Raise the load at rest just below the rising point."""
        if self.probe.coils is None:
            self.work.log.event(RAMP, tap=tap, watched=False, changes=0, chatter=False)
            return
        self.probe.move(place.rising.home_v)
        self.probe.move(round(edge.changed_v - BESIDE_V, 9))
        back_a = self.load_a(COARSE_SHARE)
        self.probe.operations += ramp_load(self.work, self.probe.coils, tap, back_a)
        self.probe.move(place.rising.home_v)


def _wide(place: Rough) -> Rough:
    """Half a volt to either side, for a point that moved with the load."""
    return Rough(_widened(place.rising), _widened(place.falling))


def _widened(window: Window) -> Window:
    more_v = window.way * COARSE_V
    return replace(window, start_v=window.start_v - more_v, end_v=window.end_v + more_v)


CHECK = TapMap()
