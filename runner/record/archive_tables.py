"""Tables of the archive, and how an older archive is brought up to date.

Nothing stands in them that cannot be made again from the records. ``record_id`` is the hash of a
record's first line: it stays the same when a run is resumed and its record grows.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    insert,
    inspect,
    select,
    text,
    update,
)

from runner.errors import RecordError

__all__ = ["CURRENT", "FINDINGS", "INSTRUMENTS", "OUTCOMES", "RECORDS", "bring_up_to_date"]

META = MetaData()

VERSION = Table("archive_version", META, Column("version", Integer, nullable=False))

RECORDS = Table(
    "records", META,
    Column("record_id", String(64), primary_key=True),
    Column("last_hash", String(64), nullable=False),
    Column("folder", String, nullable=False),
    Column("maker", String, nullable=False),
    Column("model", String, nullable=False),
    Column("serial", String, nullable=False),
    Column("stage", String, nullable=False),
    Column("customer", String, nullable=False),
    Column("begun_utc", String, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("imported", Boolean, nullable=False),
    Column("ended", String, nullable=False),
    Column("exit_code", Integer, nullable=False),
    Column("line_count", Integer, nullable=False),
    Column("software_version", String, nullable=False),
)  # fmt: skip
Index("records_by_serial", RECORDS.c.serial, RECORDS.c.begun_utc)
Index("records_by_model", RECORDS.c.model, RECORDS.c.begun_utc)


def _owner() -> Column[str]:
    return Column(
        "record_id", String(64), ForeignKey("records.record_id", ondelete="CASCADE"),
        primary_key=True,
    )  # fmt: skip


OUTCOMES = Table(
    "outcomes", META, _owner(),
    Column("check_name", String, primary_key=True),
    Column("model", String, nullable=False),
    Column("decision", String, nullable=False),
    Column("simulated", Boolean, nullable=False),
)  # fmt: skip
Index(
    "outcomes_by_model", OUTCOMES.c.model, OUTCOMES.c.simulated, OUTCOMES.c.check_name,
    OUTCOMES.c.decision,
)  # fmt: skip

FINDINGS = Table(
    "findings", META, _owner(),
    Column("position", Integer, primary_key=True),
    Column("check_name", String, nullable=False),
    Column("what", String, nullable=False),
    Column("at_words", String, nullable=False),
    Column("value", Float),
    Column("unit", String, nullable=False),
    Column("u_expanded", Float),
    Column("limit_low", Float),
    Column("limit_high", Float),
    Column("decision", String, nullable=False),
)  # fmt: skip

INSTRUMENTS = Table(
    "instruments_used", META, _owner(),
    Column("name", String, primary_key=True),
    Column("role", String, nullable=False),
    Column("maker", String, nullable=False),
    Column("model", String, nullable=False),
    Column("serial", String, nullable=False),
    Column("calibration_due", String, nullable=False),
)  # fmt: skip
Index("instruments_by_serial", INSTRUMENTS.c.serial)


def _add_imported(connection: Connection) -> None:
    """Version 1 did not know records made from hand-written lists."""
    connection.execute(
        text("ALTER TABLE records ADD COLUMN imported BOOLEAN NOT NULL DEFAULT FALSE")
    )


MIGRATIONS: dict[int, Callable[[Connection], None]] = {1: _add_imported}
"""From each older version to the next."""

CURRENT = 1 + max(MIGRATIONS)


def bring_up_to_date(connection: Connection) -> None:
    """Make the tables, or migrate those of an older version; safe when two benches do it at once.

    :raises RecordError: the archive was made by a newer version of the program
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(7316021)"))
    if not inspect(connection).has_table(VERSION.name):
        META.create_all(connection)
        connection.execute(insert(VERSION).values(version=CURRENT))
        return
    version = connection.execute(select(VERSION.c.version)).scalar_one()
    if version > CURRENT:
        raise RecordError(
            f"the archive has version {version}, this program knows up to {CURRENT}: update it"
        )
    for step in range(version, CURRENT):
        MIGRATIONS[step](connection)
        connection.execute(update(VERSION).values(version=step + 1))
