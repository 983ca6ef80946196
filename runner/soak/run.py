"""One soak from inputs to record: bench, dead-man, guards, the long run, findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from runner.acceptance import (
    Acceptance,
    Inputs,
    Outcome,
    open_bench,
    wiring_stop,
    write_header,
    write_stopped,
)
from runner.assess import assess
from runner.bench_provider import OpenBench
from runner.checks.check import Conditions
from runner.checks.soak import NAME, Soak
from runner.clock import Clock, SystemClock
from runner.deadman import SILENCE_S
from runner.engine import Ending, Run, record_folder, run_schedule
from runner.errors import BenchError, InputError, RecordError
from runner.guard import Guard
from runner.link.trace import trace_file
from runner.operator.requests import Operator
from runner.record.journal import Files, Journal
from runner.record.manifest import code_hash
from runner.record.reader import open_record
from runner.record.writer import END_WANTED, RecordWriter
from runner.resume import Resumable, other_instruments
from runner.schedule import RELAY_BUDGET, Schedule, Step, make_schedule
from runner.soak.awake import Awake
from runner.soak.plan import SoakPlan
from runner.soak.telling import Teller, last_words

if TYPE_CHECKING:
    from runner.instruments.open import OpenInstruments

__all__ = ["FLUSH_EVERY_S", "SoakWanted", "resume_soak", "run_soak", "wanted_again"]

FLUSH_EVERY_S = 0.75
"""Rows may wait so long for the disk: with an interval more, less than a second is at risk."""
GUARDS = ("before-power", "earth-reference")
ENDING_PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True)
class SoakWanted:
    """What a person asked for.

    ``guards`` says where the guarding checks were done; empty means that they are done now.
    ``before`` is what a cold start is held against. ``on_folder`` hears of the record's folder as
    soon as there is one.
    """

    acceptance: Acceptance
    plan: SoakPlan
    guards: str = ""
    before: Mapping[str, Any] | None = None
    hook: tuple[str, ...] = ()
    heartbeat: Path | None = None
    alarm: Path | None = None
    silence_s: float = SILENCE_S
    files: Files | None = None
    on_folder: Callable[[Path], None] = field(default=lambda _folder: None)


Person = Callable[[Clock], Operator]
Progress = Callable[[str, float, str], None]
OnSchedule = Callable[[Schedule], None]


def _nobody(_schedule: Schedule) -> None:
    """Nobody wants to hear what is planned."""


def run_soak(
    wanted: SoakWanted, person: Person, progress: Progress, on_schedule: OnSchedule = _nobody
) -> Outcome:
    """Run the whole soak and return its outcome; the record is complete on disk.

    :raises InputError: before anything is opened
    :raises ConnectError: an instrument does not answer; nothing was written
    """
    acceptance = wanted.acceptance
    _no_alarm_yet(wanted.alarm)
    check = Soak(wanted.plan, before=wanted.before)
    schedule = _schedule(wanted, check)
    on_schedule(schedule)
    opened = open_bench(acceptance)
    try:
        clock = opened.clock if opened else SystemClock()
        inputs = acceptance.inputs
        folder = record_folder(acceptance.out, inputs.profile, acceptance.job, clock)
        stop = wiring_stop(acceptance)
        if stop is not None:
            ending = write_stopped(acceptance, schedule, folder, clock, stop)
        else:
            operator = opened.operator if opened and opened.operator else person(clock)
            with trace_file(acceptance.trace) as sink:
                ending = _begin(
                    wanted, schedule, check, opened, clock, operator, progress, folder, sink
                )
    finally:
        if opened is not None:
            opened.close()
    return _outcome(folder, ending, wanted)


def _no_alarm_yet(alarm: Path | None) -> None:
    if alarm is not None and alarm.exists():
        raise InputError(
            "the alarm is raised already", key="--alarm",
            expected="a file that is not there", found=str(alarm),
        )  # fmt: skip


def _outcome(folder: Path, ending: Ending, wanted: SoakWanted) -> Outcome:
    record = open_record(folder)
    assessment = assess(record, accept_conditional=wanted.acceptance.accept_conditional)
    return Outcome(record, assessment, ending)


def _schedule(wanted: SoakWanted, check: Soak) -> Schedule:
    inputs = wanted.acceptance.inputs
    conditions = Conditions(inputs.profile, inputs.bench)
    guards = make_schedule(conditions, GUARDS[:1]).steps if not wanted.guards else ()
    plan = check.plan(conditions)
    if plan.missing is not None:
        raise InputError(plan.missing, key="bench")
    schedule = Schedule((*guards, Step(check, plan)))
    if schedule.relay_operations > RELAY_BUDGET:
        raise InputError(
            "the soak would wear the tap relay too much", key="--for",
            expected=f"at most {RELAY_BUDGET} relay operations",
            found=str(schedule.relay_operations),
        )  # fmt: skip
    return schedule


def _begin(
    wanted: SoakWanted, schedule: Schedule, check: Soak, opened: OpenBench | None, clock: Clock,
    operator: Operator, progress: Progress, folder: Path, trace_to: TextIO | None,
) -> Ending:  # fmt: skip
    from runner.instruments.open import open_instruments

    inputs = wanted.acceptance.inputs
    instruments = open_instruments(inputs.bench, opened, clock, operator, trace_to)
    try:
        writer = _writer(wanted, folder, clock)
    except BaseException:
        instruments.close()
        raise
    wanted.on_folder(folder)
    try:
        write_header(
            writer, wanted.acceptance, schedule,
            soak={
                "plan": wanted.plan.to_dict(), "guards": wanted.guards,
                "code_sha256": code_hash(), "bench_path": str(inputs.bench_path),
            },
        )  # fmt: skip
        for fields in instruments.identities():
            writer.write("instrument", **fields)
        if wanted.guards:
            writer.write(
                "answer", topic="guards", asked=", ".join(GUARDS), done=True, words=wanted.guards
            )
    except BaseException as error:
        if isinstance(error, RecordError):
            _not_begun(folder, error)
        instruments.close()
        with suppress(RecordError):
            writer.close()
        raise
    run = Run(
        profile=inputs.profile, bench=inputs.bench, job=wanted.acceptance.job, schedule=schedule,
        instruments=instruments, operator=operator, clock=clock, writer=writer,
        unattended=wanted.acceptance.unattended, progress=progress,
    )  # fmt: skip
    return _guarded(wanted, run, check, opened is None)


def _writer(
    wanted: SoakWanted, folder: Path, clock: Clock, after: tuple[int, str, int] | None = None
) -> RecordWriter:
    journal = Journal(
        folder, clock, files=wanted.files, flush_every_s=FLUSH_EVERY_S, resume_after=after
    )
    return RecordWriter(folder, clock, journal)


def _guarded(wanted: SoakWanted, run: Run, check: Soak, reachable: bool) -> Ending:
    """Run under the dead-man's eyes; it is let go only when the load was read back off."""
    folder = run.writer.folder
    guard: Guard | None = None
    awake = Awake()
    try:
        guard = _guard(wanted, run, folder) if reachable else None
        said = "the simulated bench ends with this process" if guard is None else ""
        run.writer.write("deadman", pid=guard.pid if guard else None, why_none=said)
        run.writer.write("awake", how=awake.how)
        teller = Teller(folder, run.clock, guard, wanted.hook, wanted.heartbeat, wanted.alarm)
        check.watch, check.folder = teller, folder
        (folder / END_WANTED).unlink(missing_ok=True)
        teller.promise(24 * 3600.0)  # questions may wait for a person while the load is off
        run.progress(NAME, 0.0, "begins")
    except BaseException as error:
        run.instruments.close()
        with suppress(RecordError):
            run.writer.close()
        if guard is not None:
            guard.release(safe=run.instruments.load_off_confirmed is not False)
        awake.release()
        if isinstance(error, RecordError):
            _not_begun(folder, error)
        if isinstance(error, BenchError | RecordError):
            return Ending(
                "trouble" if isinstance(error, BenchError) else "record",
                str(error),
                run.instruments.load_off_confirmed,
                recorded=False,
            )
        raise
    ending = run_schedule(run)
    guard_safe = ending.load_off_confirmed is not False
    if guard is not None:
        guard.release(safe=guard_safe)
    awake.release()
    _tell_end(teller, folder, ending)
    return ending


def _not_begun(folder: Path, error: RecordError) -> None:
    last_words(folder, f"{folder}: {error}. The soak did not begin.")


def _tell_end(teller: Teller, folder: Path, ending: Ending) -> None:
    if ending.how == "record" or not ending.recorded:
        said = f"{folder}: {ending.reason or ending.how}. The record is whole up to there."
        last_words(folder, said)
    if ending.load_off_confirmed is False:
        last_words(folder, f"{folder}: the load could not be confirmed off.")
        teller.event("load-not-off", "THE LOAD COULD NOT BE CONFIRMED OFF")
    teller.event("end", f"{ending.how} {ending.reason}".strip())
    teller.reap()


def _guard(wanted: SoakWanted, run: Run, folder: Path) -> Guard | None:
    """Start the dead-man for the bench's load.

    :raises BenchError: it cannot be started
    """
    entry = run.bench.by_role("load")
    if entry is None:
        return None
    identity = next(one for one in run.instruments.identities() if one["name"] == entry.name)
    ratings = {
        "current_max": entry.current_max, "voltage_max": entry.voltage_max,
        "power_max": entry.power_max,
    }  # fmt: skip
    dialect = str(identity["dialect"])
    setup: dict[str, Any] = {
        "instrument": entry.model_dump(mode="json", by_alias=True),
        "address": entry.address,
        "dialect": str(Path(dialect).resolve()) if dialect.endswith(".toml") else dialect,
        "ratings": {key: value for key, value in ratings.items() if value is not None},
        "folder": str(folder.resolve()),
        "silence_s": wanted.silence_s,
    }
    return Guard(setup)


def resume_soak(
    resumable: Resumable, wanted: SoakWanted, person: Person, progress: Progress,
    on_schedule: OnSchedule = _nobody,
) -> Outcome:  # fmt: skip
    """Take a soak up where it stopped, in the same journal.

    The load's state is proved first: asked, put off, read back off.

    :raises InputError: other instruments than before
    :raises RecordError: another run holds the record
    """
    from runner.instruments.open import open_instruments

    _no_alarm_yet(wanted.alarm)
    check = Soak(wanted.plan, skip_s=resumable.done_s, rearmed=resumable.rearmed)
    conditions = Conditions(resumable.profile, resumable.bench)
    schedule = Schedule((Step(check, check.plan(conditions)),))
    on_schedule(schedule)
    opened = open_bench(wanted.acceptance)
    try:
        clock = opened.clock if opened else SystemClock()
        operator = opened.operator if opened and opened.operator else person(clock)
        writer = _writer(wanted, resumable.folder, clock, resumable.after)
        instruments = open_instruments(resumable.bench, opened, clock, operator)
        try:
            found = _prove(resumable, instruments)
        except BaseException:
            instruments.close()
            raise
        writer.write(
            "resume", after_seq=resumable.after[0] - 1, torn_bytes=resumable.torn_bytes,
            done_s=round(resumable.done_s, 3), load_was_on=found,
        )  # fmt: skip
        for fields in instruments.identities():
            writer.write("instrument", **fields)
        wanted.on_folder(resumable.folder)
        run = Run(
            profile=resumable.profile, bench=resumable.bench, job=resumable.job,
            schedule=schedule, instruments=instruments, operator=operator, clock=clock,
            writer=writer, unattended=wanted.acceptance.unattended, progress=progress,
        )  # fmt: skip
        ending = _guarded(wanted, run, check, opened is None)
    finally:
        if opened is not None:
            opened.close()
    return _outcome(resumable.folder, ending, wanted)


def _prove(resumable: Resumable, instruments: OpenInstruments) -> bool:
    """Same instruments, load off: returns whether it was on when it was found."""
    others = other_instruments(resumable.record, instruments.identities())
    if others:
        raise InputError("the soak goes on only with its own instruments: " + "; ".join(others))
    load = instruments.load
    if load is None:
        raise BenchError("the load is not there any more")
    was_on = load.state().input_on
    if not load.off_confirmed():
        raise BenchError("the load could not be confirmed off; switch the unit off")
    return was_on


def wanted_again(resumable: Resumable, **more: Any) -> SoakWanted:
    """What was asked for at the beginning, from the record."""
    options = resumable.options
    inputs = Inputs(resumable.profile, resumable.bench, Path(options["soak"].get("bench_path", "")))
    acceptance = Acceptance(
        inputs=inputs, job=resumable.job, out=resumable.folder.parent,
        faults=tuple(options.get("faults", ())), seed=options.get("seed"),
        unattended=bool(options.get("unattended")),
    )  # fmt: skip
    return SoakWanted(acceptance, resumable.plan, str(options["soak"].get("guards", "")), **more)
