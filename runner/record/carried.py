"""A record of another bench, copied in beside our own.

Only what a record is made of comes along: its journal, the waveforms that the journal names and
that have the hash it names, the seal, and the dead-man's own lines. The copy appears whole or not
at all, under the name that its folder had, made harmless.
"""

from __future__ import annotations

import re
import shutil
from contextlib import suppress
from pathlib import Path

from runner.deadman import FILE_NAME as DEADMAN
from runner.errors import RecordError
from runner.record.journal import JOURNAL_NAME
from runner.record.reader import Record, open_record
from runner.record.seal import SEAL_NAME, verify_record

__all__ = ["carry_in", "is_record"]


def is_record(folder: Path) -> bool:
    """Whether a folder holds a journal."""
    return (folder / JOURNAL_NAME).is_file()


def carry_in(source: Path, out: Path) -> Record:
    """Copy a record into ``out`` and return the copy; one that is there already is left alone.

    :raises RecordError: it was altered, another record has its name, or the disk refuses it
    """
    record = open_record(source)
    faults = verify_record(source, []).faults
    altered = [
        fault.sentence for fault in faults if not record.torn or "torn" not in fault.sentence
    ]
    if altered:
        raise RecordError(f"{source} is not taken in: {altered[0]}")
    target = out / (re.sub(r"[^\w.-]+", "_", source.resolve().name).lstrip(".") or "record")
    if target.exists():
        if is_record(target) and open_record(target).last_hash == record.last_hash:
            return open_record(target)
        raise RecordError(f"{target} exists already and is another record")
    partial = target.with_name(target.name + ".partial")
    try:
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(parents=True)
        for name in _files(record):
            (partial / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / name, partial / name)
        partial.replace(target)
    except OSError as error:
        with suppress(OSError):
            shutil.rmtree(partial)
        raise RecordError(f"{target} cannot be written ({error.strerror or error})") from None
    copy = open_record(target)
    if copy.last_hash != record.last_hash:
        raise RecordError(f"{target} is not what {source} is: it changed while it was copied")
    return copy


def _files(record: Record) -> list[str]:
    """Names of the record's own files that are there; waveforms were checked to lie inside."""
    named = [str(line["file"]) for line in record.of_kind("waveform")]
    wanted = [JOURNAL_NAME, SEAL_NAME, DEADMAN, *dict.fromkeys(named)]
    return [name for name in wanted if (record.folder / name).is_file()]
