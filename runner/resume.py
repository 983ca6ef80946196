"""Whether a soak that was cut off may go on, and from where. Reads the record, drives nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from runner.bench import Bench
from runner.errors import InputError, RecordError
from runner.job import Job
from runner.profile import Profile
from runner.record.chain import chain_faults
from runner.record.journal import JOURNAL_NAME, ROW_KIND
from runner.record.manifest import code_hash
from runner.record.reader import Record, open_record
from runner.record.rows import BLOCK_KIND
from runner.soak.plan import SoakPlan

__all__ = ["Resumable", "other_instruments", "read_resumable"]


@dataclass(frozen=True, slots=True)
class Resumable:
    """A record that may go on: its inputs, and where it stopped.

    ``after`` is what the journal needs (next sequence number, last hash, whole bytes);
    ``torn_bytes`` follow them and are no line. ``done_s`` of the plan are behind it.
    """

    folder: Path
    record: Record
    profile: Profile
    bench: Bench
    job: Job
    plan: SoakPlan
    options: Mapping[str, Any]
    after: tuple[int, str, int]
    torn_bytes: int
    done_s: float
    rearmed: int


def read_resumable(folder: Path, serial: str | None) -> Resumable:
    """Read a record and judge whether it may go on.

    :raises RecordError: it is altered, complete, not a soak, or cannot be read
    :raises InputError: another unit, or the program or a file has changed since
    """
    record = open_record(folder)
    journal = (folder / JOURNAL_NAME).read_bytes()
    whole = journal.rfind(b"\n") + 1
    faults = chain_faults(journal[:whole])
    if faults:
        raise RecordError(f"{folder} cannot go on: {faults[0].sentence}")
    options = record.header.get("options") or {}
    if "soak" not in options:
        raise RecordError(
            f"{folder} cannot go on: it is not a soak; begin an acceptance anew, its checks rest"
            " on each other"
        )
    ending = record.ending()
    if ending is not None and ending.get("how") in {"complete", "hazard", "refused"}:
        raise RecordError(f"{folder} cannot go on: its run ended ({ending['how']})")
    profile, bench, job, plan = _inputs(record, options)
    _unit_still_there(job, serial, simulated=record.simulated)
    _code_is_the_same(options)
    done_s = _done_s(record)
    if done_s >= plan.lasts_s:
        raise RecordError(f"{folder} cannot go on: the whole soak is done")
    rearmed = sum(
        line.get("what") == "load-on-again" for line in record.of_kind("event")
    )  # fmt: skip
    return Resumable(
        folder, record, profile, bench, job, plan, options,
        (len(journal[:whole].splitlines()), record.last_hash, whole), len(journal) - whole,
        done_s, rearmed,
    )  # fmt: skip


def _inputs(record: Record, options: Mapping[str, Any]) -> tuple[Profile, Bench, Job, SoakPlan]:
    header = record.header
    try:
        return (
            Profile.model_validate(header["profile"]),
            Bench.model_validate(header["bench"]),
            Job.model_validate(header["job"]),
            SoakPlan.from_dict(options["soak"]["plan"]),
        )
    except (KeyError, TypeError, ValidationError, ValueError) as error:
        said = str(error).splitlines()[0]
        raise RecordError(f"{record.folder} cannot go on: its first line is odd ({said})") from None


def _unit_still_there(job: Job, serial: str | None, *, simulated: bool) -> None:
    if serial is None and simulated:
        return
    if serial != job.serial:
        raise InputError(
            "the soak goes on only with the unit it was begun with", key="--serial",
            expected=repr(job.serial), found=repr(serial),
        )  # fmt: skip


def _code_is_the_same(options: Mapping[str, Any]) -> None:
    made_by = options["soak"].get("code_sha256")
    if made_by != code_hash():
        raise InputError(
            "the program has changed since the soak was begun; what it measures now may not be"
            " the same", key="code", expected=str(made_by)[:12], found=code_hash()[:12],
        )  # fmt: skip


def _done_s(record: Record) -> float:
    """How much of the plan is done: from the first to the last row of the last stage.

    What a stage takes before its first row (set point, load) is no soak time, and is taken
    again after a resume; nor are its gaps.
    """
    from_s, lasts_s, first_s, last_s, away_s = 0.0, 0.0, None, 0.0, 0.0
    for line in record.lines:
        if line["kind"] == "stage":
            from_s, lasts_s, first_s = float(line["from_s"]), line["lasts_s"], None
            away_s = 0.0
        elif line["kind"] == "event" and line.get("what") == "gap":
            away_s += float(line["seconds"])
        elif line["kind"] == ROW_KIND:
            last_s = line["t_mono_s"]
            first_s = last_s if first_s is None else first_s
        elif line["kind"] == BLOCK_KIND:
            last_s = float(line["rows"].t_mono_s[-1])
            first_s = float(line["rows"].t_mono_s[0]) if first_s is None else first_s
    if first_s is None:
        return from_s
    return float(from_s + min(lasts_s, max(0.0, last_s - first_s - away_s)))


def other_instruments(record: Record, now: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say which instruments are not those that the soak was begun with."""
    before = record.instruments()
    said = []
    for one in now:
        name = str(one["name"])
        was, found = before.get(name, {}).get("serial"), one.get("serial")
        if was != found:
            said.append(f"{name}: serial {was!r} was used before, {found!r} answers now")
    return said
