"""``asleft archive``, ``asleft history`` and ``asleft stats``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import archive_option, json_option, out_option, profile_option
from runner.cli.terminal import printable

if TYPE_CHECKING:
    from runner.record.archive import Archive

__all__ = ["archive", "history", "stats"]

_FOLDER = click.Path(path_type=Path)


def _opened(url: str | None) -> Archive:
    from runner.record.archive import default_url, open_archive

    return open_archive(url or default_url())


def _add(opened: Archive, folder: Path) -> None:
    from runner.assess import assess
    from runner.record.archive_entry import entry_of
    from runner.record.reader import open_record

    record = open_record(folder)
    opened.add(entry_of(record, assess(record)))


@click.group()
def archive() -> None:
    """Keep records findable. The records stay the truth; the archive only lists them."""


@archive.command("add")
@click.argument("records", type=_FOLDER, nargs=-1)
@archive_option()
def add(records: tuple[Path, ...], url: str | None) -> int:
    """Put RECORDS into the archive, and what could not be sent before.

    When the archive does not answer, they are remembered and sent with the next add.
    """
    from runner.record.archive import ArchiveUnreachableError
    from runner.record.archive_queue import default_queue, put_off, send_waiting
    from runner.record.reader import open_record

    queue = default_queue()
    for folder in records:
        open_record(folder)  # what is no record is said now, not on some later day
        put_off(queue, folder)
    try:
        opened = _opened(url)
    except ArchiveUnreachableError as error:
        click.echo(f"{error}; {len(records)} record(s) wait for the next add", err=True)
        return int(error.exit_code)
    sent, refused = send_waiting(queue, lambda folder: _add(opened, folder))
    for folder, why in refused:
        click.echo(printable(f"{folder}: {why}"), err=True)
    click.echo(f"{sent} record(s) archived")
    return 1 if refused else 0


@archive.command("rebuild")
@click.argument("folders", type=_FOLDER, nargs=-1, required=True)
@archive_option()
def rebuild(folders: tuple[Path, ...], url: str | None) -> int:
    """Empty the archive and fill it from all records under FOLDERS."""
    from runner.errors import RecordError

    opened = _opened(url)
    opened.clear()
    good = bad = 0
    for journal in sorted(path for folder in folders for path in folder.rglob("journal.jsonl")):
        try:
            _add(opened, journal.parent)
            good += 1
        except RecordError as error:
            bad += 1
            click.echo(printable(str(error)), err=True)
    click.echo(f"{good} record(s) archived, {bad} not readable")
    return 1 if bad else 0


@archive.command("find")
@click.option("--serial")
@click.option("--model")
@archive_option()
@json_option()
def find(serial: str | None, model: str | None, url: str | None, as_json: bool) -> int:
    """List records by serial or model."""
    _show(_opened(url).find(serial=serial, model=model), as_json=as_json)
    return 0


@archive.command("export")
@click.argument("folder", type=_FOLDER)
@archive_option()
def export(folder: Path, url: str | None) -> int:
    """Write the archive as partitioned Parquet into the new FOLDER."""
    from reports.archive_export import export_archive

    click.echo(f"{export_archive(_opened(url), folder)} record(s) exported")
    return 0


@archive.command("import")
@click.argument("sources", type=_FOLDER, nargs=-1, required=True)
@profile_option()
@click.option("--serial", default="not given", show_default=True)
@click.option("--stage", type=click.Choice(["as-found", "as-left"]), default="as-left")
@out_option()
def import_(
    sources: tuple[Path, ...], profile: str | None, serial: str, stage: str, out: Path
) -> int:
    """Take in records of another bench, or lists written by hand.

    SOURCES that are records are checked and copied. CSV files, or folders of them, become one
    record marked as such; this needs --profile. The header names what a column holds, with its
    unit: set [V]; output [V]; load [A].
    """
    from runner.record.carried import carry_in, is_record

    records = [one for one in sources if is_record(one)]
    for one in records:
        click.echo(printable(str(carry_in(one, out).folder)))
    lists = [one for one in sources if one not in records]
    if lists:
        click.echo(printable(str(_from_lists(lists, profile, serial, stage, out))))
    return 0


def _from_lists(lists: list[Path], profile: str | None, serial: str, stage: str, out: Path) -> Path:
    from typing import Literal, cast

    from runner.clock import SystemClock
    from runner.engine import record_folder
    from runner.errors import InputError
    from runner.job import Job
    from runner.profile import find_profile, load_profile
    from runner.record.hand_lists import import_lists

    if profile is None:
        raise InputError("lists need a profile to be judged by", key="--profile")
    files = [f for one in lists for f in (sorted(one.glob("*.csv")) if one.is_dir() else [one])]
    job = Job(serial=serial, stage=cast(Literal["as-found", "as-left"], stage))
    limits, clock = load_profile(find_profile(profile)), SystemClock()
    folder = record_folder(out, limits, job, clock)
    return import_lists(files, limits, job, folder, clock).folder


@click.command()
@click.argument("serial")
@archive_option()
@json_option()
def history(serial: str, url: str | None, as_json: bool) -> int:
    """All jobs of one unit, oldest first."""
    _show(_opened(url).find(serial=serial), as_json=as_json)
    return 0


@click.command()
@click.argument("model")
@click.option("--simulated", is_flag=True, help="Count simulated runs instead of real ones.")
@archive_option()
@json_option()
def stats(model: str, simulated: bool, url: str | None, as_json: bool) -> int:
    """How often each check of a MODEL passed, failed, or was not measured."""
    import json

    rows = _opened(url).stats(model, simulated=simulated)
    if as_json:
        click.echo(json.dumps({"format": 1, "model": model, "outcomes": rows}))
        return 0
    for row in rows:
        click.echo(printable(f"{row['check_name']:<18} {row['decision']:<18} {row['n']:>7}"))
    return 0


def _show(rows: list[dict[str, Any]], *, as_json: bool) -> None:
    import json

    if as_json:
        click.echo(json.dumps({"format": 1, "records": rows}))
        return
    for row in rows:
        said = "simulated" if row["simulated"] else ""
        click.echo(
            printable(
                f"{row['begun_utc'][:10]}  {row['model']:<12} {row['serial']:<16}"
                f" {row['stage']:<9} exit {row['exit_code']} {said} {row['folder']}"
            )
        )
