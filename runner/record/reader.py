"""Reads a record back: the chain checked, a torn last line reported and left out."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from hashlib import sha256
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import RecordError
from runner.reading import Reading
from runner.record.journal import FIRST_PREV, JOURNAL_NAME, ROW_KIND
from runner.record.rows import BLOCK_KIND, gather_rows
from runner.record.standing import standing
from runner.record.waveforms import load_waveform

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["CheckData", "Record", "WaveformLine", "open_record"]

Place = tuple[tuple[str, float | str], ...]
"""Where a reading belongs, as pairs of label and value."""


@dataclass(frozen=True, slots=True)
class WaveformLine:
    """A waveform's journal line: what it shows (``fields``) and where its samples are."""

    name: str
    fields: dict[str, Any]
    folder: Path

    @property
    def at(self) -> dict[str, Any]:
        """Where in the check it belongs."""
        return dict(self.fields.get("at", {}))

    def volts(self) -> NDArray[np.float64]:
        """Samples in V, shape (n_samples,).

        :raises RecordError: missing or altered
        """
        return load_waveform(self.folder, self.fields["file"], self.fields["sha256"])


@dataclass(frozen=True)
class CheckData:
    """Everything one check wrote: what ``findings`` works on.

    ``instruments`` maps bench names to their identities (with accuracy as plain data). ``refused``
    is the line that says what the unit did not do (``wanted``, ``reason``), if so; ``day`` is the
    day of the run, by which calibrations are judged to be in date.
    """

    name: str
    readings: list[Reading]
    events: list[dict[str, Any]]
    notes: list[str]
    waveforms: list[WaveformLine]
    instruments: dict[str, dict[str, Any]]
    not_measured: str | None = None
    refused: dict[str, Any] | None = None
    finished: bool = True
    day: date | None = None
    rows: list[dict[str, Any]] = field(default_factory=list)
    """A soak's own lines in order: ``columns``, ``stage``, ``rows``, ``s``, ``resume``,
    and the event ``slept``."""

    def of(self, quantity: str, **at: float | str) -> list[Reading]:
        """Readings of one quantity whose place has all these labels, in order."""
        found = [
            numbered
            for place, there in self._by_place.get(quantity, {}).items()
            if at.items() <= dict(place).items()
            for numbered in there
        ]
        return [one for _, one in sorted(found, key=itemgetter(0))]

    @cached_property
    def _by_place(self) -> dict[str, dict[Place, list[tuple[int, Reading]]]]:
        """Readings with their numbers by quantity and place: places are few, readings many."""
        found: dict[str, dict[Place, list[tuple[int, Reading]]]] = {}
        for number, one in enumerate(self.readings):
            places = found.setdefault(one.quantity, {})
            places.setdefault(tuple(one.at.items()), []).append((number, one))
        return found

    def events_of(self, what: str) -> list[dict[str, Any]]:
        """Events of one sort, in order."""
        return [event for event in self.events if event.get("what") == what]


@dataclass(frozen=True, slots=True)
class Record:
    """A record in memory: the first line, all lines, and what was wrong with the file.

    Rows of a soak stand in ``lines`` by the hundred, see :mod:`runner.record.rows`;
    ``line_count`` counts the journal's lines.
    """

    folder: Path
    lines: list[dict[str, Any]]
    last_hash: str
    line_count: int
    torn: bool = False
    problems: list[str] = field(default_factory=list)

    @property
    def header(self) -> dict[str, Any]:
        """The first line: versions, profile, bench, job, simulated or real."""
        return self.lines[0]

    @property
    def simulated(self) -> bool:
        """Whether the bench was simulated."""
        return bool(self.header["simulated"])

    def of_kind(self, kind: str) -> Iterator[dict[str, Any]]:
        """Lines of one kind, in order."""
        for line in self.lines:
            if line["kind"] == kind:
                yield line
            elif kind == ROW_KIND and line["kind"] == BLOCK_KIND:
                yield from line["rows"].lines()

    @property
    def last_line(self) -> dict[str, Any]:
        """The journal's last whole line."""
        line = self.lines[-1]
        return line["rows"].last if line["kind"] == BLOCK_KIND else line

    def ending(self) -> dict[str, Any] | None:
        """Return the line that says how the run ended; None when it was torn off.

        What was said before a run was taken up again does not count any more.
        """
        found: dict[str, Any] | None = None
        for line in self.lines:
            if line["kind"] == "resume":
                found = None
            elif line["kind"] == "end":
                found = line
        return found

    def instruments(self) -> dict[str, dict[str, Any]]:
        """Identities by bench name."""
        return {line["name"]: line for line in self.of_kind("instrument")}

    def check_names(self) -> list[str]:
        """Checks that were begun or said to be not measured, in order, each once."""
        names = [
            line["check"] for line in self.lines if line["kind"] in {"check-start", "check-skipped"}
        ]
        return list(dict.fromkeys(names))

    def check(self, name: str) -> CheckData:
        """Return all that belongs to one check."""
        mine = standing(line for line in self.lines if line.get("check") == name)
        skipped = next((line["reason"] for line in mine if line["kind"] == "check-skipped"), None)
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
            instruments=self.instruments(),
            not_measured=skipped,
            refused=next((line for line in mine if line["kind"] == "unit-refuses"), None),
            finished=any(line["kind"] == "check-end" for line in mine),
            day=_day(self.header),
            rows=[line for line in self.lines if _is_of_rows(line)]
            if any(line["kind"] == "columns" for line in mine)
            else [],
        )


_ROW_KINDS = frozenset({ROW_KIND, BLOCK_KIND, "columns", "stage", "resume"})


def _is_of_rows(line: dict[str, Any]) -> bool:
    """Whether a line tells of a soak's rows; that the computer slept moves their times."""
    return line["kind"] in _ROW_KINDS or (line["kind"] == "event" and line.get("what") == "slept")


def _day(header: dict[str, Any]) -> date | None:
    try:
        return date.fromisoformat(str(header.get("t_utc"))[:10])
    except ValueError:
        return None


def open_record(folder: Path) -> Record:
    """Read a record folder.

    A torn last line (power cut) is left out and reported; a broken chain is reported in
    ``problems`` and never hidden.

    :raises RecordError: no journal, or its first line is not a record's
    """
    path = folder / JOURNAL_NAME
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RecordError(f"{path} cannot be read ({error.strerror})") from None
    *pieces, tail = raw.split(b"\n")
    digests = [sha256(piece).digest() for piece in pieces]
    problems: list[str] = []
    lines = _lines(raw, pieces, digests, problems)
    if tail:
        problems.append(f"the last line ({len(pieces) + 1}) is torn and was left out")
    if not lines or lines[0].get("kind") != "record" or lines[0].get("format") != 1:
        raise RecordError(f"{path} does not begin like a record of format 1")
    return Record(folder, lines, digests[-1].hex(), len(pieces), bool(tail), problems)


def _lines(
    raw: bytes, pieces: Sequence[bytes], digests: Sequence[bytes], problems: list[str]
) -> list[dict[str, Any]]:
    """Parse whole lines and check how each follows from the one before."""
    blocks = gather_rows(raw, pieces, digests)
    lines: list[dict[str, Any]] = []
    index = 0
    while index < len(pieces):
        block = blocks.get(index)
        if block is not None:
            lines.append(block.as_line())
            index += len(block.pieces)
            continue
        prev = digests[index - 1].hex() if index else FIRST_PREV
        line = _line(pieces[index], index + 1, prev, problems)
        if line is not None:
            lines.append(line)
        index += 1
    return lines


def _line(piece: bytes, number: int, prev: str, problems: list[str]) -> dict[str, Any] | None:
    try:
        line = json.loads(piece)
    except ValueError:
        problems.append(f"line {number} is not JSON")
        return None
    if not isinstance(line, dict) or not _is_kind(line.get("kind")):
        problems.append(f"line {number} is not a journal line")
        return None
    if line.get("prev") != prev or line.get("seq") != number - 1:
        problems.append(
            f"line {number} does not follow from the line before it: the journal was altered"
        )
    return line


def _is_kind(kind: object) -> bool:
    return isinstance(kind, str) and kind != BLOCK_KIND
