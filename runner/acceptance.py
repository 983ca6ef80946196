"""One acceptance from files to record: opens the bench, runs the schedule, decides."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TextIO

from runner.assess import Assessment, assess
from runner.bench import Bench, Simulation, load_bench
from runner.bench_provider import BenchSetup, OpenBench, open_simulated
from runner.checks.before_power_values import FiledAnswers, load_safety_values
from runner.checks.check import Conditions
from runner.clock import Clock, SystemClock
from runner.engine import Ending, Run, record_folder, run_schedule
from runner.errors import InputError
from runner.job import Job
from runner.link.trace import trace_file
from runner.operator.rehearsal import rehearsal
from runner.operator.requests import Operator
from runner.operator.wishes import wishes_of
from runner.profile import Profile, find_profile, load_profile
from runner.record.reader import Record, open_record
from runner.record.writer import RecordWriter
from runner.schedule import Schedule, make_schedule

__all__ = [
    "Acceptance",
    "Inputs",
    "Outcome",
    "load_inputs",
    "load_simulated",
    "open_bench",
    "run_acceptance",
    "wiring_stop",
    "write_header",
    "write_stopped",
]

BY_HAND_UNIT = "kn-1502"
"""The unit with a knob that is demonstrated where nothing else is named."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """The files, read and checked."""

    profile: Profile
    bench: Bench
    bench_path: Path

    def turned_by_hand(self) -> Inputs:
        """Return the same unit as one with a knob."""
        unit = self.profile.unit.model_copy(update={"setting": "hand"})
        profile = self.profile.model_copy(update={"unit": unit})
        return replace(self, profile=profile, bench=_bench_for(profile, self.bench))


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What a person asked for on the command line."""

    inputs: Inputs
    job: Job
    out: Path
    faults: tuple[str, ...] = ()
    seed: int | None = None
    only: tuple[str, ...] = ()
    quick: bool = False
    unattended: bool = False
    accept_conditional: bool = False
    ask: bool = False
    """A person answers also on a simulated bench; its hand does what he says he did."""
    before_power: Path | None = None
    trace: Path | None = None
    """All raw messages of all links go here."""
    options: dict[str, Any] = field(default_factory=dict)
    on_folder: Callable[[Path], None] = field(default=lambda _folder: None)
    """Hears of the record's folder as soon as there is one."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The record, what it says, and how the run ended."""

    record: Record
    assessment: Assessment
    ending: Ending


def load_inputs(bench_path: Path, profile: str | None) -> Inputs:
    """Read bench and profile; a simulated bench names the profile of the unit on it.

    :raises InputError: either is wrong, or no profile is named anywhere
    """
    bench = load_bench(bench_path)
    name = profile or (bench.simulation.unit if bench.simulation else None)
    if name is None:
        raise InputError(
            "a real bench does not say which unit stands on it",
            key="--profile", expected="a profile", found="nothing",
        )  # fmt: skip
    own = load_profile(find_profile(name, bench_path.parent))
    return Inputs(own, _bench_for(own, bench), bench_path)


def load_simulated(bench_path: Path, profile: str | None) -> Inputs:
    """As :func:`load_inputs`, for a demonstration: hands are simulated where all is by hand.

    Nothing real can be reached through such a bench, so it may stand for a simulated one.

    :raises InputError: also a bench with an instrument that has an address
    """
    bench = load_bench(bench_path)
    if bench.simulation is not None:
        return load_inputs(bench_path, profile)
    for index, one in enumerate(bench.instrument):
        if one.address != "by-hand":
            raise InputError(
                "only a simulated bench can be demonstrated, or one read by hand throughout",
                file=bench_path, key=f"instrument.{index + 1}.address", expected='"by-hand"',
                found=repr(one.address),
            )  # fmt: skip
    inputs = load_inputs(bench_path, profile or BY_HAND_UNIT)
    simulation = Simulation(provider="memory", unit=profile or BY_HAND_UNIT)
    return replace(inputs, bench=inputs.bench.model_copy(update={"simulation": simulation}))


def _bench_for(profile: Profile, bench: Bench) -> Bench:
    """Leave the supply role out for a unit with a knob.

    The role is the unit's own remote interface. A unit that has none must not be asked through
    whatever else stands at that address: its "off" would be taken for the unit's.
    """
    if profile.unit.setting != "hand":
        return bench
    rest = tuple(one for one in bench.instrument if one.role != "supply")
    return bench.model_copy(update={"instrument": rest})


def run_acceptance(
    wanted: Acceptance,
    person: Callable[[Clock], Operator],
    progress: Callable[[str, float, str], None],
    on_schedule: Callable[[Schedule], None] = lambda _schedule: None,
) -> Outcome:
    """Run the whole acceptance and return its outcome; the record is complete on disk.

    ``person`` makes the operator for a bench that brings none of its own.

    :raises InputError: before anything is opened
    :raises ConnectError: an instrument does not answer; nothing was written
    """
    inputs = wanted.inputs
    schedule = make_schedule(Conditions(inputs.profile, inputs.bench, wanted.quick), wanted.only)
    values = load_safety_values(wanted.before_power) if wanted.before_power else None
    on_schedule(schedule)
    opened = open_bench(wanted)
    try:
        clock = opened.clock if opened else SystemClock()
        hand = opened.operator if opened else None
        operator = hand or person(clock)
        if hand and wanted.ask:
            operator = rehearsal(person(clock), hand)
        if values is not None:
            operator = FiledAnswers(values, operator)
        return _run(wanted, schedule, opened, clock, operator, progress)
    finally:
        if opened is not None:
            opened.close()


def open_bench(wanted: Acceptance) -> OpenBench | None:
    """Open the simulated bench; None for a real one.

    :raises InputError: faults on a real bench
    """
    simulation = wanted.inputs.bench.simulation
    if simulation is None:
        if wanted.faults:
            raise InputError(
                "faults can be switched on only on a simulated bench",
                file=wanted.inputs.bench_path, key="--fault", found=", ".join(wanted.faults),
            )  # fmt: skip
        return None
    return open_simulated(
        simulation.provider,
        BenchSetup(
            bench=wanted.inputs.bench,
            profile=wanted.inputs.profile,
            seed=simulation.seed if wanted.seed is None else wanted.seed,
            faults=wanted.faults,
            options={**simulation.options, **wanted.options},
        ),
    )


def _run(
    wanted: Acceptance,
    schedule: Schedule,
    opened: OpenBench | None,
    clock: Clock,
    operator: Operator,
    progress: Callable[[str, float, str], None],
) -> Outcome:
    inputs = wanted.inputs
    folder = record_folder(wanted.out, inputs.profile, wanted.job, clock)
    stop = wiring_stop(wanted)
    if stop is not None:
        ending = write_stopped(wanted, schedule, folder, clock, stop)
    else:
        with trace_file(wanted.trace) as sink:
            ending = _drive(wanted, schedule, opened, clock, operator, progress, folder, sink)
    record = open_record(folder)
    assessment = assess(record, accept_conditional=wanted.accept_conditional)
    return Outcome(record, assessment, ending)


def wiring_stop(wanted: Acceptance) -> Any:
    """Return the hookup's verdict when it forbids the work, else None."""
    from runner.hookup import judge

    verdict = judge(wanted.inputs.bench, wanted.inputs.profile)
    return verdict if verdict.stops else None


def write_header(writer: RecordWriter, wanted: Acceptance, schedule: Schedule, **more: Any) -> None:
    """Write the record's first lines; ``more`` goes among the options."""
    inputs = wanted.inputs
    writer.header(
        simulated=inputs.bench.simulation is not None,
        profile=inputs.profile.model_dump(mode="json"),
        bench=inputs.bench.model_dump(mode="json", by_alias=True),
        job=wanted.job.model_dump(mode="json"),
        options={
            "faults": list(wanted.faults),
            "seed": wanted.seed,
            "only": list(wanted.only),
            "quick": wanted.quick,
            "unattended": wanted.unattended,
            **more,
        },
    )
    writer.write("schedule", **schedule.to_dict())


def write_stopped(
    wanted: Acceptance, schedule: Schedule, folder: Path, clock: Clock, verdict: Any
) -> Ending:
    """Keep a record of the refusal: no instrument was opened, nothing was energised."""
    writer = RecordWriter(folder, clock)
    write_header(writer, wanted, schedule)
    for hazard in verdict.hazards:
        writer.write("hazard", **hazard.to_dict())
    reason = "; ".join(hazard.sentence for hazard in verdict.stops)
    writer.write("end", how="hazard", reason=reason)
    writer.close()
    return Ending("hazard", reason, None)


def _drive(
    wanted: Acceptance,
    schedule: Schedule,
    opened: OpenBench | None,
    clock: Clock,
    operator: Operator,
    progress: Callable[[str, float, str], None],
    folder: Path,
    trace_to: TextIO | None,
) -> Ending:
    from runner.instruments.open import open_instruments

    inputs = wanted.inputs
    instruments = open_instruments(inputs.bench, opened, clock, wishes_of(operator), trace_to)
    try:
        writer = RecordWriter(folder, clock)
    except BaseException:
        instruments.close()
        raise
    wanted.on_folder(folder)
    write_header(writer, wanted, schedule)
    for fields in instruments.identities():
        writer.write("instrument", **fields)
    return run_schedule(
        Run(
            profile=inputs.profile,
            bench=inputs.bench,
            job=wanted.job,
            schedule=schedule,
            instruments=instruments,
            operator=operator,
            clock=clock,
            writer=writer,
            quick=wanted.quick,
            unattended=wanted.unattended,
            progress=progress,
        )
    )
