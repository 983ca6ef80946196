"""Works through the schedule: hazards first, then the checks, and a safe ending on every way out.

The engine measures; it decides only what it must decide to go on (hazards, line voltage). Load
off and read back off is the last thing that happens, whatever happened before.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.bench import Bench
from runner.checks.check import Workplace
from runner.clock import Clock
from runner.errors import (
    AsleftError,
    BenchError,
    HazardStop,
    PersonWantsError,
    RecordError,
    UnitRefusesError,
)
from runner.finding import Finding
from runner.job import Job
from runner.operator.requests import Answer, AskNumber, Operator, Request
from runner.operator.wishes import wishes_of
from runner.profile import Profile
from runner.reading import Reading
from runner.record.standing import UNDONE
from runner.record.writer import CheckWriter, RecordWriter
from runner.schedule import GUARDS, Schedule, Step

if TYPE_CHECKING:
    from runner.hookup import Hazard
    from runner.instruments.open import OpenInstruments

__all__ = ["Ending", "Run", "record_folder", "run_schedule"]

TRACE_LINES = 200
"""So many of the last messages of each link go into the record of trouble."""


@dataclass(frozen=True, slots=True)
class Run:
    """Everything a run is given; nothing here is global."""

    profile: Profile
    bench: Bench
    job: Job
    schedule: Schedule
    instruments: OpenInstruments
    operator: Operator
    clock: Clock
    writer: RecordWriter
    quick: bool = False
    unattended: bool = False
    progress: Any = None
    typed_line: list[Answer] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Ending:
    """How a run ended: ``how`` is complete, hazard, refused, trouble, record or interrupted.

    ``recorded`` tells whether the record holds its end.
    """

    how: str
    reason: str
    load_off_confirmed: bool | None
    recorded: bool = True


class _RefusedError(AsleftError):
    """The person said no to something that must be yes before the unit is energised."""


def run_schedule(run: Run) -> Ending:
    """Do the checks; never raises for what happens at the bench, and always ends safely."""
    how, reason = "complete", ""
    with _termination_raises():
        try:
            _checks(run)
        except HazardStop as stop:
            how, reason = "hazard", str(stop)
        except _RefusedError as refused:
            how, reason = "refused", str(refused)
        except KeyboardInterrupt:
            how, reason = "interrupted", "stopped by the person at the bench"
        except RecordError as error:
            how, reason = "record", str(error)
        except BenchError as error:
            how, reason = "trouble", str(error)
        except Exception as error:  # noqa: BLE001 - rule 1: any error leads to the safe ending
            how, reason = "trouble", f"unexpected {type(error).__name__}: {error}"
    return _end_safely(run, how, reason)


@contextmanager
def _termination_raises() -> Iterator[None]:
    """Let SIGTERM end the run as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _deaf_to_signals() -> Iterator[None]:
    """Let nobody's impatience interrupt the safe ending."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {
        number: signal.signal(number, signal.SIG_IGN) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _end_safely(run: Run, how: str, reason: str) -> Ending:
    with _deaf_to_signals():
        try:
            run.instruments.close()
        except Exception as error:  # noqa: BLE001 - nothing may keep the ending from being told
            how = "trouble" if how == "complete" else how
            reason = "; ".join(filter(None, (reason, f"while putting the bench safe: {error}")))
        confirmed, recorded = run.instruments.load_off_confirmed, True
        try:
            if how == "trouble" or confirmed is False:
                _keep_traces(run)
            run.writer.write(
                "safe", load_off_confirmed=confirmed, troubles=run.instruments.troubles,
                links=run.instruments.link_health(),
            )  # fmt: skip
            run.writer.write("end", how=how, reason=reason)
            run.writer.close()
        except RecordError as error:
            recorded = False
            if how == "complete":
                how, reason = "record", str(error)
            with suppress(RecordError):
                run.writer.close()
    return Ending(how, reason, confirmed, recorded)


def _keep_traces(run: Run) -> None:
    """The last raw messages of each link, for whoever must find out what went wrong."""
    for name, lines in run.instruments.traces(TRACE_LINES).items():
        run.writer.write("trace", instrument=name, lines=lines)


def _checks(run: Run) -> None:
    _line_up(run)
    done: dict[str, list[Finding]] = {}
    for step in run.schedule.steps:
        if step.plan.missing is not None:
            run.writer.write("check-skipped", check=step.check.name, reason=step.plan.missing)
            continue
        refusal = _line_refuses(run, step)
        if refusal:
            run.writer.write("check-skipped", check=step.check.name, reason=refusal)
            continue
        try:
            done[step.check.name] = _one_check(run, step, done)
        except UnitRefusesError as refused:
            _refused(run, step, refused)
            return
        _contradiction(run, step.check.name)


def _refused(run: Run, at: Step, refusal: UnitRefusesError) -> None:
    """Note what the unit does not do; the checks that are left cannot be done."""
    name = at.check.name
    run.writer.write("unit-refuses", check=name, wanted=refusal.wanted, reason=str(refusal))
    steps = run.schedule.steps
    for step in steps[steps.index(at) + 1 :]:
        why = (
            step.plan.missing or f"the unit did not do what it was told in {name}: {refusal.wanted}"
        )
        run.writer.write("check-skipped", check=step.check.name, reason=why)


def _one_check(run: Run, step: Step, done: dict[str, list[Finding]]) -> list[Finding]:
    from runner.assess import findings_of
    from runner.unit_output import unit_output

    name = step.check.name
    log = CheckWriter(run.writer, name, _shown_unless_ended(run))
    run.writer.write("check-start", check=name, question=step.check.question)
    run.progress(name, 0.0, step.check.title)
    person = wishes_of(run.operator)
    work = Workplace(
        instruments=run.instruments,
        output=unit_output(run.profile, run.instruments, person),
        profile=run.profile,
        bench=run.bench,
        log=log,
        operator=person,
        clock=run.clock,
        quick=run.quick,
        attended=not run.unattended,
        earlier=done,
        written=run.writer.check_data,
    )
    _as_wanted(run, step, work)
    if run.instruments.load is not None:
        run.instruments.load.input(False)
    run.instruments.check_settings()
    run.writer.write("check-end", check=name)
    run.progress(name, 1.0, step.check.title)
    return findings_of(run.writer.check_data(name), run.profile)


def _as_wanted(run: Run, step: Step, work: Workplace) -> None:
    """Measure; a wish outside any point is about the whole check."""
    while True:
        try:
            step.check.measure(work)
            return
        except PersonWantsError as wanted:
            if wanted.wish == "skip" and step.check.name in GUARDS:
                raise HazardStop(
                    f"the check {step.check.name} guards those after it and was skipped"
                ) from None
            run.writer.write(UNDONE, check=step.check.name, wish=wanted.wish)
            if run.instruments.load is not None:
                run.instruments.load.input(False)
            if wanted.wish == "skip":
                reason = "skipped by the person at the bench"
                run.writer.write("check-skipped", check=step.check.name, reason=reason)
                return


def _shown_unless_ended(run: Run) -> Any:
    """Progress of a check; where it is told, a wish for a safe end is heard too."""

    def shown(check: str, fraction: float, doing: str) -> None:
        if check != "soak" and run.writer.end_wanted():  # a soak asks after each row
            raise KeyboardInterrupt
        run.progress(check, fraction, doing)

    return shown


def _line_up(run: Run) -> None:
    """Put the questions that come before power, and every ask-grade hazard."""
    from runner.hookup import judge, line_up_questions, unproved_earth

    verdict = judge(run.bench, run.profile)
    for hazard in verdict.hazards:
        run.writer.write("hazard", **hazard.to_dict())
    if verdict.stops:
        raise HazardStop("; ".join(hazard.sentence for hazard in verdict.stops))
    planned = [s.check.name for s in run.schedule.steps if s.plan.missing is None]
    unproved = unproved_earth(run.bench, run.profile, planned)
    if unproved:
        raise HazardStop(unproved)
    _nobody_there(run, verdict.asks)
    _ask(run, (*line_up_questions(run.bench, run.profile), *verdict.requests()))


def _nobody_there(run: Run, asks: Sequence[Hazard]) -> None:
    """Unattended, what a person would have to answer for is a stop."""
    if run.unattended and asks:
        raise HazardStop(
            "unattended, and somebody would have to answer for: "
            + "; ".join(hazard.sentence for hazard in asks)
        )


def _ask(run: Run, requests: Sequence[Request]) -> None:
    for request in requests:
        answer = run.operator.answer(request)
        run.writer.write(
            "answer", topic=request.topic, asked=request.text, done=answer.done, words=answer.words
        )
        if not answer.done:
            raise _RefusedError(f"answered no to: {request.text}")


def _line_refuses(run: Run, step: Step) -> str | None:
    """Look at the line voltage before each check; say why nothing may be judged on it."""
    from runner.hookup.inlet import line_refusal

    if step.check.name == "before-power":
        return None
    reading = _line_voltage(run)
    if reading is None:
        return line_refusal(run.bench, run.profile, None)
    run.writer.write("line-voltage", before=step.check.name, **reading.to_dict())
    if reading.value is None:
        return f"the line voltage at the inlet could not be measured ({reading.reason})"
    return line_refusal(run.bench, run.profile, reading.value)


def _line_voltage(run: Run) -> Reading | None:
    """Measure the line at the inlet; without a mains meter take what the person typed once."""
    while run.instruments.mains_meter is not None:
        with suppress(PersonWantsError):  # typed by hand: there is no point to go back to
            return run.instruments.mains_meter.read_mains()["line-voltage"]
    if not run.typed_line and not run.unattended:
        nominal_v = run.profile.unit.mains.voltage_v
        answer = run.operator.answer(
            AskNumber(
                "line-voltage",
                "What line voltage does a meter show at the unit's inlet?"
                " Measure it only if you are trained to; skip otherwise.",
                unit="V", low=0.5 * nominal_v, high=1.3 * nominal_v,
            )
        )  # fmt: skip
        if answer.back or answer.again:
            return _line_voltage(run)
        run.typed_line.append(answer)
        run.writer.write("answer", topic="line-voltage", asked="line voltage", done=answer.done,
                         words=answer.words)  # fmt: skip
    if not run.typed_line or run.typed_line[0].value is None:
        return None
    return Reading(
        "line-voltage", run.typed_line[0].value, "V", "typed by hand", "ac-volts",
        raw=run.typed_line[0].words, t_mono_s=run.clock.mono_s(),
    )  # fmt: skip


def _contradiction(run: Run, name: str) -> None:
    """After earth-reference: does what was measured contradict what the bench file says?"""
    if name != "earth-reference":
        return
    from runner.hookup import earth_measured, judge

    measured = earth_measured(run.writer.check_data(name))
    verdict = judge(run.bench, run.profile, measured=measured)
    known = {hazard.code for hazard in judge(run.bench, run.profile).hazards}
    new = [hazard for hazard in verdict.hazards if hazard.code not in known]
    for hazard in new:
        run.writer.write("hazard", **hazard.to_dict())
    if verdict.stops:
        raise HazardStop("; ".join(hazard.sentence for hazard in verdict.stops))
    _nobody_there(run, [hazard for hazard in new if hazard in verdict.asks])
    _ask(run, [request for request in verdict.requests() if request.code not in known])


def record_folder(base: Path, profile: Profile, job: Job, clock: Clock) -> Path:
    """Return a folder for a record: model, serial, stage and time, nothing a path can abuse."""
    words = (profile.unit.model, job.serial, job.stage, clock.utc().strftime("%Y%m%dT%H%M%SZ"))
    return base / "_".join(
        "".join(c if c.isascii() and (c.isalnum() or c in "-+") else "-" for c in word)[:40]
        for word in words
    )
