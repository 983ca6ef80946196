"""Instruments without physics, for what a soak does around its readings: fast, failing on call."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from runner.bench import find_bench, load_bench
from runner.checks.check import Conditions
from runner.checks.soak import Soak
from runner.clock import VirtualClock
from runner.engine import Ending, Run, run_schedule
from runner.errors import DeadlineError
from runner.instruments.roles import LoadState
from runner.job import Job
from runner.operator.requests import Answer, AskNumber, Request
from runner.profile import find_profile, load_profile
from runner.reading import Reading
from runner.record.journal import Files, Journal
from runner.record.writer import RecordWriter
from runner.schedule import Schedule, Step
from runner.soak.plan import SoakPlan, make_plan
from runner.soak.run import FLUSH_EVERY_S
from runner.soak.watch import Alone, Watch

TAP_V, INLET_W = 12.5, (60.0, 110.5)
"""Made up: above it the upper winding, on which a linear supply takes more at the inlet."""

__all__ = ["Agreeing", "LightBench", "light_plan", "soak_on"]


class Agreeing:
    def answer(self, request: Request) -> Answer:
        value = 230.0 if isinstance(request, AskNumber) else None
        return Answer(done=True, value=value, words="yes")


@dataclass
class LightBench:
    """The unit and its instruments in one; ``volts`` may be changed while a soak runs.

    ``before_row`` is called with the bench before each voltage reading.
    """

    clock: VirtualClock = field(
        default_factory=lambda: VirtualClock(datetime(2026, 1, 1, tzinfo=UTC))
    )
    before_row: Callable[[LightBench], None] = lambda _bench: None
    error_v: float = 0.0
    heat_c: float = 40.0
    line_factor: float = 1.0
    silent: set[str] = field(default_factory=set)
    tripped: str | None = None
    load_on: bool = False
    set_v: float = 0.0
    level_a: float = 0.0
    line_v: float = 230.0
    output_on: bool = True
    switched: list[bool] = field(default_factory=list)
    load_off_confirmed: bool | None = None
    troubles: list[str] = field(default_factory=list)
    read_count: int = 0

    def __post_init__(self) -> None:
        self.meter = self.load = self.supply = self.mains_meter = self.thermometer = self
        self.mains_source = self
        self.scope = None
        self.name = "light"
        self.max_current_a, self.max_voltage_v, self.max_power_w = 30.0, 150.0, 300.0

    def _reading(self, quantity: str, value: float, unit: str, function: str) -> Reading:
        return Reading(
            quantity, value, unit, self.name, function, t_mono_s=self.clock.mono_s()
        )  # fmt: skip

    def _answers(self, name: str) -> None:
        if name in self.silent:
            raise DeadlineError(f"{name}: no complete answer in time")

    # ---- meter ----
    def set_dc_volts(self, *, expect_v: float | None, nplc: float = 10.0) -> None: ...

    def read_volts(self, quantity: str = "output-voltage") -> Reading:
        if True in self.switched:  # settling before the first load is no row
            self.read_count += 1
            self.before_row(self)
        self._answers("meter")
        drop_v = 0.01 * self.level_a if self.load_on else 0.0
        self.clock.sleep(0.001)
        volts = self.set_v + self.error_v - drop_v + 1e-6 * (self.read_count % 7)
        return self._reading(quantity, round(volts, 6), "V", "dc-volts")

    # ---- load ----
    def set_current(self, level_a: float, *, slew_a_per_s: float | None = None) -> None:
        self._answers("load")
        self.level_a = level_a

    def input(self, on: bool) -> None:
        self._answers("load")
        self.load_on = on
        self.switched.append(on)

    def off_confirmed(self) -> bool:
        if "load" in self.silent:
            return False
        self.load_on = False
        return True

    def state(self) -> LoadState:
        self._answers("load")
        return LoadState(self.load_on, self.tripped, False)

    def read_amps(self, quantity: str = "load-current") -> Reading:
        self._answers("load")
        return self._reading(quantity, self.level_a if self.load_on else 0.0, "A", "dc-amps")

    # ---- supply, mains, thermometer ----
    def set_voltage(self, volts: float) -> None:
        self.set_v = volts

    def set_current_limit(self, amps: float) -> None: ...

    def output(self, on: bool) -> None:
        self.output_on = on

    def mode(self) -> str:
        return "cv"

    def set_line(self, volts: float, hertz: float) -> None:
        self.line_v = volts

    def read_mains(self) -> dict[str, Reading]:
        self._answers("mains-meter")
        values = {
            "line-voltage": (self.line_v * self.line_factor, "V"),
            "inlet-power": (INLET_W[self.set_v > TAP_V], "W"),
        }  # fmt: skip
        return {name: self._reading(name, v, unit, "ac") for name, (v, unit) in values.items()}

    def read_celsius(self, quantity: str = "heatsink-temperature") -> Reading:
        self._answers("thermometer")
        return self._reading(quantity, self.heat_c, "°C", "temperature")

    # ---- the open bench ----
    def identities(self) -> list[dict[str, Any]]:
        return []

    def check_settings(self) -> None:
        """Nobody else is there."""

    def traces(self, n: int) -> dict[str, list[str]]:
        return {}

    def link_health(self) -> dict[str, dict[str, int]]:
        return {}

    def close(self) -> None:
        self.load_off_confirmed = self.off_confirmed()


def light_plan(for_s: float, every_s: float, only: tuple[str, ...] = ()) -> SoakPlan:
    profile = load_profile(find_profile("lb-2403"))
    return make_plan(profile, load_bench(find_bench("memory")), for_s, every_s, only=only)


def soak_on(
    bench: LightBench, folder: Path, plan: SoakPlan, *, files: Files | None = None,
    watch: Watch | None = None, options: dict[str, Any] | None = None,
    operator: Any = None, by_hand: bool = False, before: dict[str, Any] | None = None,
) -> Ending:  # fmt: skip
    """Run a soak through the engine on the light bench."""
    profile = load_profile(find_profile("lb-2403"))
    if by_hand:
        unit = profile.unit.model_copy(update={"setting": "hand"})
        profile = profile.model_copy(update={"unit": unit})
    entry = load_bench(find_bench("memory"))
    check = Soak(plan, watch or Alone(), folder.parent, before=before)
    writer = RecordWriter(
        folder, bench.clock, Journal(folder, bench.clock, files=files, flush_every_s=FLUSH_EVERY_S)
    )
    writer.header(
        simulated=True, profile=profile.model_dump(mode="json"),
        bench=entry.model_dump(mode="json", by_alias=True),
        job=Job(serial="L-1").model_dump(mode="json"),
        options={"soak": {"plan": plan.to_dict(), **(options or {})}},
    )  # fmt: skip
    schedule = Schedule((Step(check, check.plan(Conditions(profile, entry))),))
    writer.write("schedule", **schedule.to_dict())
    return run_schedule(
        Run(
            profile=profile, bench=entry, job=Job(serial="L-1"), schedule=schedule,
            instruments=bench, operator=operator or Agreeing(), clock=bench.clock, writer=writer,  # type: ignore[arg-type]
            progress=lambda *_: None,
        )
    )  # fmt: skip


def free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free
