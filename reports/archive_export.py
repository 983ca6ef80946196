"""The archive as partitioned Parquet, which any analysis program reads in place.

Three data sets: ``records``, ``findings`` and ``instruments``, each split into folders by model
and year. The questions a shop asks of them are in ``reports/queries``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import InputError, RecordError
from runner.record.archive import Archive
from runner.record.archive_tables import FINDINGS, INSTRUMENTS, RECORDS

if TYPE_CHECKING:
    from sqlalchemy import Table

__all__ = ["QUERIES", "export_archive", "query_text"]

QUERIES = ("which_model_fails_which_check", "own_meter_against_the_others", "margins_over_years")
_ROWS_AT_ONCE = 50_000


def query_text(name: str, folder: Path) -> str:
    """Return one of ``QUERIES`` for DuckDB over an exported folder.

    :raises InputError: no such query
    """
    if name not in QUERIES:
        raise InputError(
            "there is no such query", expected="one of " + ", ".join(QUERIES), found=repr(name)
        )
    text = (Path(__file__).parent / "queries" / f"{name}.sql").read_text(encoding="utf-8")
    return text.replace("{folder}", str(folder).replace("'", "''"))


def export_archive(archive: Archive, folder: Path) -> int:
    """Write the data sets into a new folder; return the number of records.

    Names of models are escaped in folder names, so that no model leads out of ``folder``.

    :raises InputError: the folder exists and is not empty, or pyarrow is missing
    :raises RecordError: the disk refused it
    """
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise InputError(
            "the export needs the library pyarrow",
            expected="pip install 'asleft[parquet]'", found="no pyarrow",
        ) from None  # fmt: skip
    if folder.exists() and any(folder.iterdir()):
        raise InputError(f"{folder} is not empty; an export goes into a new folder")
    try:
        count = _write(archive, RECORDS, folder / "records")
        _write(archive, FINDINGS, folder / "findings")
        _write(archive, INSTRUMENTS, folder / "instruments")
    except OSError as error:
        raise RecordError(f"{folder} cannot be written ({error.strerror or error})") from None
    return count


def _write(archive: Archive, table: Table, folder: Path) -> int:
    """Write one table joined with its record's model and year; return its row count."""
    import pyarrow as pa
    import pyarrow.dataset as ds
    from sqlalchemy import func, select

    year = func.substr(RECORDS.c.begun_utc, 1, 4).label("year")
    own = [c for c in table.c if c.name != "model" or table is not RECORDS]
    columns = [c.label("instrument_model") if c.name == "model" else c for c in own]
    query = select(*columns, RECORDS.c.model.label("unit_model"), year)
    if table is not RECORDS:
        query = query.join(RECORDS, RECORDS.c.record_id == table.c.record_id)
    schema = pa.schema([(c.name, _type(pa, c)) for c in query.selected_columns])
    count = 0

    def batches() -> Any:
        nonlocal count
        with archive.engine.connect() as connection:
            rows = connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(query).mappings()
            for part in rows.partitions():
                count += len(part)
                yield pa.RecordBatch.from_pylist([dict(row) for row in part], schema=schema)

    fields = [("unit_model", pa.string()), ("year", pa.string())]
    ds.write_dataset(
        pa.RecordBatchReader.from_batches(schema, batches()), folder, format="parquet",
        partitioning=ds.partitioning(pa.schema(fields), flavor="hive"),
        max_partitions=100_000, max_open_files=200,
    )  # fmt: skip
    return count


def _type(pa: Any, column: Any) -> Any:
    from sqlalchemy import Boolean, Float, Integer

    for kind, found in ((Boolean, pa.bool_()), (Integer, pa.int64()), (Float, pa.float64())):
        if isinstance(column.type, kind):
            return found
    return pa.string()
