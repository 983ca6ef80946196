"""Writes the record of a job: the header, then what each check says, bound to its name."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.clock import Clock
from runner.reading import Reading
from runner.record.journal import ROW_KIND, Journal
from runner.record.reader import CheckData, WaveformLine
from runner.record.standing import standing
from runner.record.waveforms import is_stored, store_waveform

if TYPE_CHECKING:
    from runner.instruments.roles import Capture

__all__ = ["END_WANTED", "CheckWriter", "RecordWriter"]

END_WANTED = "end-safely"
"""A file of this name in the record folder asks for a safe end; the live page makes it."""
_NOT_KEPT = frozenset({"minute"})
"""Kinds that come by the hundred through a night and that no finding asks the writer for."""
Progress = Callable[[str, float, str], None]


class RecordWriter:
    """One record being written. What checks wrote is also kept in memory, for their findings."""

    def __init__(self, folder: Path, clock: Clock, journal: Journal | None = None) -> None:
        self.folder = folder
        self._journal = journal or Journal(folder, clock)
        self._day = clock.utc().date()
        self._by_check: dict[str, list[dict[str, Any]]] = {}
        self._instruments: dict[str, dict[str, Any]] = {}

    @property
    def last_hash(self) -> str:
        """Hash of the newest line."""
        return self._journal.last_hash

    def header(self, *, simulated: bool, **fields: Any) -> None:
        """Write the first line."""
        self._journal.write(
            "record",
            format=1,
            software="asleft",
            software_version=version("asleft"),
            simulated=simulated,
            **fields,
        )

    def write(self, kind: str, **fields: Any) -> None:
        """Write any other line."""
        self.write_all(kind, [fields])
        if kind == "instrument":
            self._instruments[str(fields["name"])] = {"kind": kind, **fields}

    def write_all(self, kind: str, each: Sequence[dict[str, Any]]) -> None:
        """Write a line for each of several sets of fields, in one go."""
        self._journal.write_all(kind, each)
        for fields in each:
            if "check" in fields and kind not in _NOT_KEPT:
                lines = self._by_check.setdefault(str(fields["check"]), [])
                lines.append({"kind": kind, **fields})

    def row(self, values: Sequence[float | None], why: Mapping[str, str]) -> None:
        """Write one row of a soak; rows are not kept in memory."""
        if why:
            self._journal.write(ROW_KIND, v=values, why=why)
        else:
            self._journal.write(ROW_KIND, v=values)

    def check_data(self, name: str) -> CheckData:
        """What a check wrote so far, as the reader would give it back."""
        mine = standing(self._by_check.get(name, []))
        return CheckData(
            name=name,
            readings=[Reading.from_dict(line) for line in mine if line["kind"] == "reading"],
            events=[line for line in mine if line["kind"] == "event"],
            notes=[line["text"] for line in mine if line["kind"] == "note"],
            waveforms=[
                WaveformLine(line["name"], line, self.folder)
                for line in mine
                if line["kind"] == "waveform"
            ],
            instruments=dict(self._instruments),
            finished=any(line["kind"] == "check-end" for line in mine),
            day=self._day,
        )

    def end_wanted(self) -> bool:
        """Whether somebody asked for a safe end."""
        return (self.folder / END_WANTED).exists()

    def close(self) -> None:
        """Flush and close; may be called twice."""
        self._journal.close()


class CheckWriter:
    """The record bound to one check: what ``measure`` writes to."""

    def __init__(self, writer: RecordWriter, check: str, progress: Progress) -> None:
        self._writer, self._check, self._progress = writer, check, progress
        self._names: Counter[str] = Counter()

    def reading(self, reading: Reading, **at: float | str) -> Reading:
        """Keep a reading with its place."""
        return self.readings([reading], **at)[0]

    def readings(self, readings: Sequence[Reading], **at: float | str) -> list[Reading]:
        """Keep readings made one after another at one place."""
        placed = [one.placed(**at) if at else one for one in readings]
        self._writer.write_all(
            "reading", [{"check": self._check, **one.to_dict()} for one in placed]
        )
        return placed

    def event(self, what: str, **fields: Any) -> None:
        """Keep something that happened."""
        self._writer.write("event", check=self._check, what=what, **fields)

    def note(self, text: str) -> None:
        """Keep a sentence."""
        self._writer.write("note", check=self._check, text=text)

    def waveform(self, name: str, capture: Capture, **at: float | str) -> None:
        """Keep a scope record, or the reason why there is none; a name used again is numbered.

        Used also by a run that was cut off, of which the file may be there without its line.
        """
        if not capture.valid:
            self.event("waveform-invalid", name=name, reason=capture.reason, at=dict(at))
            return
        folder, name = self._writer.folder, self._free_name(name)
        where = store_waveform(folder, f"{self._check}-{name}", capture.v, capture.lsb_v)
        self._writer.write(
            "waveform", check=self._check, name=name, at=dict(at), **where,
            **_capture_fields(capture),
        )  # fmt: skip

    def _free_name(self, name: str) -> str:
        for number in itertools.count(self._names[name] + 1):
            free = name if number == 1 else f"{name}-{number}"
            if not is_stored(self._writer.folder, f"{self._check}-{free}"):
                break
        self._names[name] = number
        return free

    def line(self, kind: str, **fields: Any) -> None:
        """Keep a line of the check's own kind (a soak's columns, stages and minutes)."""
        self._writer.write(kind, check=self._check, **fields)

    def row(self, values: Sequence[float | None], why: Mapping[str, str]) -> None:
        """Keep one row of a soak; ``why`` tells by column number why a value is missing.

        The row is on disk at the latest with the first row a second later.
        """
        self._writer.row(values, why)

    def progress(self, fraction: float, doing: str) -> None:
        """Tell the person how far this check is."""
        self._progress(self._check, fraction, doing)


def _capture_fields(capture: Capture) -> Mapping[str, Any]:
    names = (
        "channel", "instrument", "dt_s", "t0_s", "lsb_v", "span_v", "offset_v", "coupling",
        "probe", "bandwidth_hz", "acquire", "clipped", "t_trigger_mono_s",
    )  # fmt: skip
    return {name: getattr(capture, name) for name in names} | {"n": int(capture.v.size)}
