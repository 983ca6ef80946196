"""What can go wrong, and the exit code that tells it.

    AsleftError
    ├── InputError      2    a file, key, option or typed value is wrong
    ├── HazardStop      3    the wiring would do harm; nothing was energised
    ├── BenchError      4    the bench failed; the record is kept
    │   ├── ConnectError     refused, busy, nobody there, not the instrument expected
    │   ├── DeadlineError    no complete answer in time
    │   ├── FramingError     an answer that cannot be taken for the one asked for
    │   ├── InstrumentError  the instrument reported an error or did not take a setting
    │   └── UnitRefusesError the unit does not do what it is told: the engine makes a finding of it
    ├── RecordError     4    the record cannot be written, or is not readable
    └── PersonWantsError     back, again or skip, said at a prompt: the check's walk obeys it

A unit that fails its limits is a result, never an exception.
"""

from __future__ import annotations

from enum import IntEnum
from pathlib import Path

__all__ = [
    "AsleftError",
    "BenchError",
    "ConnectError",
    "DeadlineError",
    "ExitCode",
    "FramingError",
    "HazardStop",
    "InputError",
    "InstrumentError",
    "PersonWantsError",
    "RecordError",
    "UnitRefusesError",
]


class ExitCode(IntEnum):
    """What the command line returns."""

    PASS = 0
    FAIL = 1
    INPUT = 2
    HAZARD = 3
    BENCH = 4
    INTERRUPTED = 130


class AsleftError(Exception):
    """Base of everything the program says on purpose; its text is one clear sentence."""

    exit_code: ExitCode = ExitCode.BENCH


class InputError(AsleftError, ValueError):
    """Something a person wrote cannot be used.

    Names the file, the line and the key where they are known, what was expected and what
    was found.
    """

    exit_code = ExitCode.INPUT

    def __init__(
        self,
        what: str,
        *,
        file: Path | str | None = None,
        line: int | None = None,
        key: str | None = None,
        expected: str | None = None,
        found: str | None = None,
    ) -> None:
        self.what, self.file, self.line, self.key = what, file, line, key
        self.expected, self.found = expected, found
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        where = str(self.file) if self.file is not None else ""
        if self.line is not None:
            where += f", line {self.line}" if where else f"line {self.line}"
        if self.key is not None:
            where += f", {self.key}" if where else self.key
        text = f"{where}: {self.what}" if where else self.what
        if self.expected is not None:
            text += f"; expected {self.expected}"
        if self.found is not None:
            text += f", found {self.found}"
        return text


class HazardStop(AsleftError):
    """A stop-grade hazard; the hazards themselves are in the record and on the screen."""

    exit_code = ExitCode.HAZARD


class BenchError(AsleftError):
    """An instrument or its link failed; what was recorded before is kept."""

    exit_code = ExitCode.BENCH


class ConnectError(BenchError, ConnectionError):
    """The instrument could not be reached, or somebody else answered."""


class DeadlineError(BenchError, TimeoutError):
    """No complete answer before the transaction's deadline."""


class FramingError(BenchError):
    """Bytes arrived that cannot be the answer to what was asked."""


class InstrumentError(BenchError):
    """The instrument queued an error, tripped, or did not take a setting."""


class UnitRefusesError(BenchError):
    """The unit does not do what it is told; says nothing against the bench.

    ``wanted`` is what it should do, in words, the text how it did not.
    """

    def __init__(self, wanted: str, how: str) -> None:
        self.wanted = wanted
        super().__init__(how)


class PersonWantsError(AsleftError):
    """The person at the bench wants to go back, to do a point again, or to skip it.

    ``wish`` is "back", "again" or "skip".
    """

    def __init__(self, wish: str) -> None:
        self.wish = wish
        super().__init__(f"the person at the bench wants: {wish}")


class RecordError(AsleftError):
    """The record cannot be written or cannot be read."""

    exit_code = ExitCode.BENCH
