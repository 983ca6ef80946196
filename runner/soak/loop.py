"""Works through the stages of a soak: set, load, read row after row, stop when a rule says so."""

from __future__ import annotations

import shutil
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from runner.checks.check import Workplace
from runner.checks.line_steps import line_at, nominal_line
from runner.checks.points import allowed_load_a, full_load_a
from runner.checks.stepping import go_to, load_of, meter_of, range_for, start
from runner.errors import BenchError, InstrumentError
from runner.instruments.roles import CutsBelow, LoadState
from runner.reading import Reading
from runner.soak.clocks import Clocks
from runner.soak.minutes import Minutes
from runner.soak.plan import SoakPlan, Stage
from runner.soak.rules import ABORTS, Seen, Watchdog
from runner.soak.sampler import Column, Row, Sampler
from runner.soak.scope_watch import ScopeWatch
from runner.soak.watch import Watch
from runner.soak.wear import Wear

__all__ = ["GAP_ROWS", "SoakLoop"]

GAP_ROWS = 3.0
"""A pause of more than so many intervals is a gap and does not count as soak time."""
PATIENCE_S = 30.0
"""What one row may take on top of its interval before the runner passes for dead."""
SETTING_PATIENCE_S = 120.0
HAND_PATIENCE_S = 24 * 3600.0
"""A person may take a while to turn a knob; the load is off meanwhile."""
ENDING_PATIENCE_S = 60.0
TRANSIT_S = 1.0
"""After a change made on purpose the rules look away for so long."""
MAKE_UP_S, MAKE_UP_SHARE = 60.0, 0.1
"""A stage is made longer by its gaps: by a minute or a tenth of it at most."""
DISK_EVERY_S = 60.0
REARM_MAX = 1
SETTING_OPERATIONS = 20
"""Relay operations that setting the stages and taking a soak up again may cost."""
CUT_SHARE = 0.5
"""The load's own under-voltage cut, as a share of the lowest set point of a stage."""
NPLC = 10.0
NPLC_FAST = 1.0


class _Stopped(Exception):
    """A rule acted, or somebody asked for the end."""


@dataclass(slots=True)
class SoakLoop:
    """One soak being done. ``skip_s`` of the plan are behind it when it is resumed."""

    work: Workplace
    plan: SoakPlan
    watch: Watch
    folder: Path
    skip_s: float = 0.0
    rearmed: int = 0
    _sampler: Sampler = field(init=False)
    _scope: ScopeWatch = field(init=False)
    _minutes: Minutes = field(init=False)
    _wear: Wear = field(init=False)
    _dog: Watchdog = field(init=False)
    _load_on: bool = False
    _load_a: float = 0.0
    _set_v: float = 0.0
    _line_v: float | None = None
    _transit_until_s: float = 0.0
    _last_row_s: float = 0.0
    _away_s: float = 0.0
    _clocks: Clocks = field(default_factory=Clocks)
    _disk_due_s: float = float("-inf")
    _done_s: float = 0.0
    _mode: str = "cv"
    _unguarded_told: bool = False
    _spared: bool = False
    _asked_v: float | None = None

    def run(self) -> None:
        """Do all stages; the load is off afterwards, whatever happened."""
        work = self.work
        self._scope = ScopeWatch(work, self.plan.ripple_every_s, armed=self.plan.armed)
        self._wear = Wear(work)
        self._sampler = Sampler.of(work, self._heard)
        columns = self._columns()
        self._minutes = Minutes(len(columns))
        self._dog = Watchdog(self.plan.heatsink_max_c)
        work.log.line(
            "columns", every_s=self.plan.every_s,
            columns=[asdict(column) for column in columns],
        )  # fmt: skip
        if self.skip_s == 0.0:
            work.log.event("plan", lasts_s=self.plan.lasts_s)
        self.watch.promise(self._setting_patience_s())
        start(work)
        try:
            self._stages()
        except _Stopped:
            pass
        finally:
            with suppress(BenchError):  # gone or not: the load goes off now
                self.watch.promise(ENDING_PATIENCE_S)
            self._scope.disarm()
            load_of(work).input(False)
            self._load_on = False
            self._no_cut()

    def _no_cut(self) -> None:
        """Give the load back as it was: a cut left behind would spoil other work with it."""
        load = load_of(self.work)
        if isinstance(load, CutsBelow):
            with suppress(BenchError):
                load.cut_below(0.0)

    def _setting_patience_s(self) -> float:
        return HAND_PATIENCE_S if self.work.output.by_hand else SETTING_PATIENCE_S

    def _columns(self) -> tuple[Column, ...]:
        scope = self.work.instruments.scope
        if scope is None or not self._scope.here:
            return self._sampler.columns
        return (*self._sampler.columns, Column("ripple-rms", "V", scope.name, "scope"))

    def _stages(self) -> None:
        before_s = 0.0
        for stage in self.plan.stages:
            left_s = before_s + stage.lasts_s - self.skip_s
            before_s += stage.lasts_s
            if left_s <= 0:
                continue
            self._done_s = before_s - min(left_s, stage.lasts_s)
            if stage.line_share != 1.0 and self.work.instruments.mains_source is not None:
                with nominal_line(self.work):
                    line_at(self.work, stage.line_share)
                    self._stage(stage, min(left_s, stage.lasts_s))
                    self._put_load(False)
            else:
                self._stage(stage, min(left_s, stage.lasts_s))

    # ---- one stage ----------------------------------------------------------------------------

    def _stage(self, stage: Stage, lasts_s: float) -> None:
        work = self.work
        self.watch.promise(self._setting_patience_s())
        self._put_load(False)
        self._line_v = stage.line_share * work.profile.unit.mains.voltage_v
        if not work.output.by_hand or self._asked_v != stage.set_v:
            self._go_to(stage.set_v)
        self._asked_v = stage.set_v
        load = load_of(work)
        self._load_a = allowed_load_a(
            load, max(self._set_v, stage.other_v or 0.0),
            stage.load_share * full_load_a(work.profile),
        )  # fmt: skip
        load.set_current(self._load_a)
        self._own_guard(CUT_SHARE * min(self._set_v, stage.other_v or self._set_v))
        work.log.line(
            "stage", name=stage.name, set_v=self._set_v, load_a=self._load_a, lasts_s=lasts_s,
            line_share=stage.line_share, from_s=round(self._done_s, 3),
        )  # fmt: skip
        self.watch.event("stage", f"{stage.name}: {self._set_v:g} V, {self._load_a:.3g} A")
        self._put_load(True)
        self._rows(stage, lasts_s)

    def _own_guard(self, volts: float) -> None:
        """Let the load itself stop drawing when the output collapses, where it can."""
        load = load_of(self.work)
        if isinstance(load, CutsBelow) and load.cut_below(volts):
            self.work.log.event("own-guard", cut_below_v=volts)
            return
        if not self._unguarded_told:
            said = "the load has no cut of its own in its dialect: only the dead-man guards it"
            self.work.log.event("no-own-guard", reason=said)
            self.watch.event("no-own-guard", said)
        self._unguarded_told = True

    def _go_to(self, set_v: float) -> None:
        self._scope.disarm()
        with self._wear.counted(set_v, loaded=self._load_on):
            self._set_v = go_to(self.work, set_v)
        range_for(meter_of(self.work), self._set_v, NPLC if self.plan.every_s >= 1.0 else NPLC_FAST)
        self._transit()

    def _put_load(self, on: bool) -> None:
        if on is self._load_on:
            return
        self._scope.disarm()
        load_of(self.work).input(on)
        self._load_on = on
        self._transit()

    def _transit(self) -> None:
        """What was done on purpose is no gap, and the rules look away for a moment."""
        self._last_row_s = self.work.clock.mono_s()
        self._transit_until_s = self._last_row_s + TRANSIT_S

    def _rows(self, stage: Stage, lasts_s: float) -> None:
        clock, every_s = self.work.clock, self.plan.every_s
        begun_s = due_s = clock.mono_s()
        self._last_row_s = begun_s
        self._away_s, swings = 0.0, 0
        while (passed_s := clock.mono_s() - begun_s - self._made_up_s(lasts_s)) < lasts_s:
            self.watch.promise(every_s + PATIENCE_S)
            if stage.pairs:
                swings = self._swing(stage, passed_s, swings)
            elif stage.cycle_s:
                self._put_load(passed_s % stage.cycle_s < stage.on_s)
            self._one_row(stage, passed_s)
            due_s += every_s
            now_s = clock.mono_s()
            if now_s - due_s > GAP_ROWS * every_s:
                due_s = now_s
            clock.sleep(due_s - now_s)
        self._done_s += lasts_s

    def _made_up_s(self, lasts_s: float) -> float:
        """Time by which a stage is longer because gaps do not count, within reason."""
        return min(self._away_s, max(MAKE_UP_S, MAKE_UP_SHARE * lasts_s))

    def _swing(self, stage: Stage, passed_s: float, swings: int) -> int:
        """Go to the other side of the tap point twice a cycle; returns the swings made."""
        due = int(passed_s / (stage.cycle_s / 2))
        if due > swings and stage.other_v is not None and not self._spared:
            swings += 1  # one at a time, however late: each is a change of winding
            upper = swings % 2 == 1
            self._go_to(stage.other_v if upper else stage.set_v)
            if self._worn():
                self._go_to(stage.set_v)
        return swings

    def _worn(self) -> bool:
        """Whether the relay has moved more than the plan may cost.

        It chatters then where it stands, many times a second: the output leaves that point.
        """
        seen = self._wear.operations
        if seen <= self.plan.relay_operations + SETTING_OPERATIONS:
            return False
        said = f"{seen} relay operations were seen, more than planned: no more tap changes"
        self.work.log.event("relay-spared", reason=said)
        self.watch.event("relay-spared", said)
        self._spared = True
        return True

    # ---- one row ------------------------------------------------------------------------------

    def _one_row(self, stage: Stage, passed_s: float) -> None:
        self._clock_step()
        row = self._sampler.row()
        self._gap(self.work.clock.mono_s())
        if self._scope.here:
            row.readings.append(self._scope.look(self._set_v, stage.name))
        self._last_row_s = now_s = self.work.clock.mono_s()
        values = [None if one is None else one.value for one in row.readings]
        self.work.log.row(values, _why(row.readings))
        minute = self._minutes.add(self._done_s + passed_s, values)
        if minute is not None:
            self.work.log.line("minute", stage=stage.name, **minute)
        self._tell(stage, passed_s, row)
        self._judge(now_s, row)

    def _gap(self, now_s: float) -> None:
        pause_s = now_s - self._last_row_s
        if pause_s > GAP_ROWS * self.plan.every_s + TRANSIT_S:
            self._away_s += pause_s
            self.work.log.event(
                "gap", seconds=round(pause_s, 3), why="an instrument or the runner was held up"
            )

    def _clock_step(self) -> None:
        """Look whether the computer slept or its clock was set since the row before."""
        for jump in self._clocks.jumps(self.work.clock):
            self.work.log.event(jump.what, seconds=round(jump.seconds, 3), why=jump.sentence)
            self.watch.event(jump.what, f"{jump.sentence} ({jump.seconds:+.0f} s)")

    def _tell(self, stage: Stage, passed_s: float, row: Row) -> None:
        done_s = self._done_s + passed_s
        self.work.log.progress(min(done_s / self.plan.lasts_s, 1.0), stage.name)
        self.watch.beat(
            {
                "stage": stage.name,
                "done_s": round(done_s, 1),
                "left_s": round(max(0.0, self.plan.lasts_s - done_s), 1),
                "output_v": row.value(0),
                "load_on": self._load_on,
                "heard_s": self._sampler.heard(),
            }
        )

    def _judge(self, now_s: float, row: Row) -> None:
        index, state = self._sampler.index, row.state
        if state is not None:
            self._load_state(state, row.value(0))
        if self.watch.end_wanted():
            self._stop("asked", "somebody asked for a safe end", unit=False)
        steady = now_s >= self._transit_until_s
        acted = self._dog.add(
            now_s,
            Seen(
                volts=row.value(0) if steady else None,
                set_v=self._set_v,
                load_on=self._load_on,
                heatsink_c=row.value(index("heatsink-temperature")),
                line_v=row.value(index("line-voltage")) if steady else None,
                line_set_v=self._line_v,
                tripped=state.tripped if state is not None else None,
                lost_s=self._sampler.lost_s(),
                disk_free_bytes=self._disk_free(now_s),
                alarm=self.watch.alarmed(),
            ),
        )
        if acted is not None:
            rule = ABORTS[acted]
            self._stop(acted, rule.sentence, unit=rule.unit)

    def _disk_free(self, now_s: float) -> float | None:
        if now_s < self._disk_due_s:
            return None
        self._disk_due_s = now_s + DISK_EVERY_S
        return float(shutil.disk_usage(self.folder).free)

    def _load_state(self, state: LoadState, volts: float | None) -> None:
        """The load went off by itself: once it may be put on again, if nothing speaks against."""
        if state.unregulated and self._load_on and self._mode == "cv":
            self._mode = "low"
            self.work.log.event("mode", mode="cc", set_v=self._set_v, value=volts)
            self.watch.event("mode", "the unit does not carry the load current")
        elif not state.unregulated:
            self._mode = "cv"
        if state.input_on or not self._load_on or state.tripped is not None:
            return
        self.work.log.event("load-off-unasked", output_v=volts)
        self.watch.event("load-off", "the load went off without being told to")
        in_band = volts is not None and abs(volts - self._set_v) < 0.05 * self._set_v + 0.1
        if self.rearmed >= REARM_MAX or not in_band:
            self._stop(
                "load-off", "the load went off by itself and may not be put on again", unit=False
            )
        self.rearmed += 1
        load = load_of(self.work)
        load.set_current(self._load_a)
        load.input(True)
        self.work.log.event("load-on-again", load_a=self._load_a)
        self._transit()

    def _stop(self, rule: str, sentence: str, *, unit: bool) -> None:
        """Load off, then the unit where it can be switched, then say so."""
        try:
            load_of(self.work).input(False)
            self._load_on = False
            if rule != "asked":
                self._unit_off()
        except (BenchError, InstrumentError) as error:
            sentence += f"; while switching off: {error}"
        self.work.log.event("abort", rule=rule, reason=sentence, unit=unit)
        self.watch.event("abort", sentence)
        if rule == "asked":
            raise KeyboardInterrupt
        if not unit:
            raise BenchError(f"the soak was stopped: {sentence}")
        raise _Stopped

    def _unit_off(self) -> None:
        """The output of a unit set remotely; the mains of one that only a hand can set."""
        supply, source = self.work.instruments.supply, self.work.instruments.mains_source
        if supply is not None:
            supply.output(False)
        elif source is not None:
            source.output(False)
            self.work.log.event("mains-off", why="a rule stopped the soak")
            self.watch.event("mains-off", "the unit's mains was switched off")

    def _heard(self, what: str, name: str, reason: str) -> None:
        self.work.log.event(what, instrument=name, reason=reason)
        self.watch.event(what, f"{name} {reason}".strip())


def _why(readings: list[Reading | None]) -> dict[str, str]:
    return {
        str(index): reading.reason
        for index, reading in enumerate(readings)
        if reading is not None and reading.reason is not None
    }
