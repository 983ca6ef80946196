"""The archive: an SQL index over records, so that a shop finds and counts its jobs.

SQLite needs no set-up; a PostgreSQL address serves several benches. The records stay the truth:
the archive can be thrown away and built again from them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    Connection,
    Engine,
    Select,
    bindparam,
    create_engine,
    delete,
    event,
    func,
    insert,
    select,
)
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError

from runner.errors import InputError, RecordError
from runner.record.archive_entry import Entry
from runner.record.archive_tables import (
    FINDINGS,
    INSTRUMENTS,
    OUTCOMES,
    RECORDS,
    bring_up_to_date,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Archive", "ArchiveUnreachableError", "default_url", "open_archive"]

Row = dict[str, Any]
_BUSY_S = 30.0
TYPE_UNITS = 200
"""So many units tell what is usual; older ones were perhaps built otherwise."""


class ArchiveUnreachableError(RecordError):
    """The archive cannot be reached just now; the record itself is not in danger."""


def default_url() -> str:
    """``ASLEFT_ARCHIVE``, else a SQLite file in the user's data folder."""
    set_url = os.environ.get("ASLEFT_ARCHIVE")
    if set_url:
        return set_url
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    folder = Path(base) / "asleft"
    folder.mkdir(parents=True, exist_ok=True)
    return f"sqlite:///{folder / 'archive.sqlite'}"


def open_archive(url: str) -> Archive:
    """Open the archive at a database address; make or update its tables.

    :raises InputError: not an address of a database that is known
    :raises ArchiveUnreachableError: the server does not answer
    """
    try:
        engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://", 1))
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise InputError(
            f"this is no archive's address ({str(error).splitlines()[0]})", key="--archive",
            expected="sqlite:///FILE or postgresql://USER@HOST/NAME",
        ) from None  # fmt: skip
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _careful_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    archive = Archive(engine)
    with archive.writing() as connection:
        bring_up_to_date(connection)
    return archive


def _careful_sqlite(connection: Any, _record: Any) -> None:
    """Let several writers wait for each other, readers not at all."""
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in (f"busy_timeout={int(1e3 * _BUSY_S)}", "journal_mode=WAL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    """A writer takes the lock at once; one that took it half-way could be turned away.

    A question is one statement and needs no transaction.
    """
    if connection.get_execution_options().get("writing"):
        connection.exec_driver_sql("BEGIN IMMEDIATE")


class Archive:
    """Questions and additions; safe from several processes at once, one thread in each.

    Questions keep one connection open, without transaction: a new one for each would cost more
    than the question.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._reader: Connection | None = None

    def close(self) -> None:
        """Give all connections back; may be called twice."""
        self._drop_reader()
        self.engine.dispose()

    def _drop_reader(self) -> None:
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.close()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept, or nothing."""
        try:
            with self.engine.execution_options(writing=True).begin() as connection:
                yield connection
        except OperationalError as error:
            raise _unreachable(error) from None
        except DBAPIError as error:
            raise RecordError(f"the archive refused it ({_first_line(error)})") from None

    def add(self, entry: Entry) -> None:
        """Put one record in, or what has become of it since it was put in last."""
        self.add_many([entry])

    def add_many(self, entries: Sequence[Entry]) -> None:
        """Put records in, all or none.

        :raises ArchiveUnreachableError: the server does not answer
        """
        if not entries:
            return
        keys = [{"key": entry.record["record_id"]} for entry in entries]
        with self.writing() as connection:
            gone = delete(RECORDS).where(RECORDS.c.record_id == bindparam("key"))
            connection.execute(gone, keys)
            connection.execute(insert(RECORDS), [entry.record for entry in entries])
            for table, rows in (
                (OUTCOMES, [row for entry in entries for row in entry.outcomes]),
                (FINDINGS, [row for entry in entries for row in entry.findings]),
                (INSTRUMENTS, [row for entry in entries for row in entry.instruments]),
            ):
                if rows:
                    connection.execute(insert(table), rows)

    def clear(self) -> None:
        """Take everything out, before it is built anew from the records."""
        with self.writing() as connection:
            for table in (INSTRUMENTS, FINDINGS, OUTCOMES, RECORDS):
                connection.execute(delete(table))

    def find(self, *, serial: str | None = None, model: str | None = None) -> list[Row]:
        """Records of a serial or a model (or all), oldest first."""
        query = _BY[serial is not None, model is not None]
        return self._rows(query, {"serial": serial, "model": model})

    def stats(self, model: str, *, simulated: bool = False) -> list[Row]:
        """How often each check of a model had each outcome: check_name, decision, n."""
        return self._rows(_STATS, {"model": model, "simulated": simulated})

    def findings(self, record_id: str) -> list[Row]:
        """Findings of one record, in order."""
        return self._rows(_FINDINGS, {"record_id": record_id})

    def type_findings(self, model: str, but_serial: str, *, simulated: bool = False) -> list[Row]:
        """Findings of the last as-left record of each other unit of a model, newest unit first.

        Of at most ``TYPE_UNITS`` units; columns of the findings, and ``serial``.
        """
        values = {"model": model, "serial": but_serial, "simulated": simulated}
        return self._rows(_TYPE_FINDINGS, values)

    def _rows(self, query: Select[Any], values: Mapping[str, Any]) -> list[Row]:
        try:
            if self._reader is None:
                plain = self.engine.execution_options(isolation_level="AUTOCOMMIT")
                self._reader = plain.connect()
            result = self._reader.execute(query, values)
            names = list(result.keys())
            return [dict(zip(names, row, strict=True)) for row in result]
        except OperationalError as error:
            self._drop_reader()
            raise _unreachable(error) from None


def _first_line(error: DBAPIError) -> str:
    return str(error.orig).splitlines()[0] if str(error.orig) else type(error.orig).__name__


def _unreachable(error: OperationalError) -> ArchiveUnreachableError:
    return ArchiveUnreachableError(f"the archive cannot be reached ({_first_line(error)})")


def _by(serial: bool, model: bool) -> Select[Any]:
    query = select(RECORDS).order_by(RECORDS.c.begun_utc)
    if serial:
        query = query.where(RECORDS.c.serial == bindparam("serial"))
    if model:
        query = query.where(RECORDS.c.model == bindparam("model"))
    return query


_BY = {(s, m): _by(s, m) for s in (False, True) for m in (False, True)}
_STATS = (
    select(OUTCOMES.c.check_name, OUTCOMES.c.decision, func.count().label("n"))
    .where(OUTCOMES.c.model == bindparam("model"))
    .where(OUTCOMES.c.simulated == bindparam("simulated"))
    .group_by(OUTCOMES.c.check_name, OUTCOMES.c.decision)
    .order_by(OUTCOMES.c.check_name, OUTCOMES.c.decision)
)
_UNITS = (
    select(RECORDS.c.serial, func.max(RECORDS.c.begun_utc).label("begun_utc"))
    .where(RECORDS.c.model == bindparam("model"))
    .where(RECORDS.c.stage == "as-left")
    .where(RECORDS.c.serial != bindparam("serial"))
    .where(RECORDS.c.simulated == bindparam("simulated"))
    .where(RECORDS.c.ended == "complete")
    .group_by(RECORDS.c.serial)
    .order_by(func.max(RECORDS.c.begun_utc).desc())
    .limit(TYPE_UNITS)
    .subquery()
)
_TYPE_FINDINGS = (
    select(FINDINGS, RECORDS.c.serial)
    .join(RECORDS, RECORDS.c.record_id == FINDINGS.c.record_id)
    .join(
        _UNITS,
        (_UNITS.c.serial == RECORDS.c.serial) & (_UNITS.c.begun_utc == RECORDS.c.begun_utc),
    )
    .where(RECORDS.c.model == bindparam("model"))
    .where(RECORDS.c.stage == "as-left")
    .order_by(_UNITS.c.begun_utc.desc(), FINDINGS.c.record_id, FINDINGS.c.position)
)
_FINDINGS = (
    select(FINDINGS)
    .where(FINDINGS.c.record_id == bindparam("record_id"))
    .order_by(FINDINGS.c.position)
)
