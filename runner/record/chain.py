"""Checks a journal's hash chain and says where it was broken, and how as far as can be told."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runner.record.journal import FIRST_PREV, line_hash

__all__ = ["Fault", "chain_faults", "split_lines"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One place where the record is not as it was written; ``line`` counts from 1."""

    sentence: str
    line: int | None = None
    file: str = ""


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    seq: Any
    prev: Any
    hash: str
    readable: bool


def split_lines(journal: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole lines (without line ends) and what follows the last line end."""
    *whole, tail = journal.split(b"\n")
    return whole, tail


def _parsed(number: int, piece: bytes) -> _Line:
    try:
        fields = json.loads(piece)
    except ValueError:
        fields = None
    if not isinstance(fields, Mapping):
        return _Line(number, None, None, line_hash(piece), False)
    return _Line(number, fields.get("seq"), fields.get("prev"), line_hash(piece), True)


def chain_faults(journal: bytes) -> list[Fault]:
    """Return every break of the chain, in order; empty for an unbroken one.

    A line that was changed no longer has the hash that the next line carries; a line that was
    taken out, put in or moved is told by the sequence numbers. A change of the very last line,
    or a chain that was written anew from some line on, cannot be seen without a seal.
    """
    pieces, tail = split_lines(journal)
    lines = [_parsed(number, piece) for number, piece in enumerate(pieces, start=1)]
    faults = [
        Fault(f"line {line.number} is not a journal line", line.number)
        for line in lines
        if not line.readable
    ]
    faults += _breaks(lines)
    if tail:
        number = len(lines) + 1
        faults.append(Fault(f"line {number} is torn: it has no line end", number))
    return sorted(faults, key=lambda fault: fault.line or 0)


def _breaks(lines: Sequence[_Line]) -> list[Fault]:
    joints = [_joined(lines, i) for i in range(len(lines))]
    faults = []
    for index, line in enumerate(lines):
        if joints[index] or not line.readable:
            continue
        next_broken = index + 1 < len(lines) and not joints[index + 1]
        faults.append(_told(lines, index, next_broken=next_broken))
    return faults


def _joined(lines: Sequence[_Line], index: int) -> bool:
    """Whether line ``index`` carries the hash of the line before it and the next number."""
    before = lines[index - 1].hash if index else FIRST_PREV
    return bool(lines[index].prev == before and lines[index].seq == index)


def _told(lines: Sequence[_Line], index: int, *, next_broken: bool) -> Fault:
    """Say what happened at the joint before line ``index``."""
    line = lines[index]
    before = lines[index - 1] if index else None
    expected = before.seq + 1 if before is not None and isinstance(before.seq, int) else index
    if isinstance(line.seq, int) and line.seq > expected:
        missing = line.seq - expected
        return Fault(f"{missing} line(s) are missing before line {line.number}", line.number)
    if isinstance(line.seq, int) and line.seq < expected:
        return Fault(f"line {line.number} was put in or moved", line.number)
    if before is not None and not next_broken and line.prev != before.hash:
        return Fault(f"line {before.number} was altered", before.number)
    return Fault(f"line {line.number} was altered", line.number)
