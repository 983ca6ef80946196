"""``asleft compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from runner.cli.options import archive_option, json_option

if TYPE_CHECKING:
    from reports.compare import Comparison, Side
    from reports.html import Paper
    from reports.type_history import TypeHistory

__all__ = ["compare"]

_RECORD = click.Path(path_type=Path)


@click.command()
@click.argument("first", type=_RECORD)
@click.argument("second", type=_RECORD, required=False)
@click.option("--history", is_flag=True, help="Against the other units of its type in the archive.")
@archive_option()
@click.option(
    "--html", type=click.Path(path_type=Path, dir_okay=False), help="One page with plots."
)
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@json_option()
def compare(
    first: Path, second: Path | None, history: bool, url: str | None, html: Path | None,
    paper: str, as_json: bool,
) -> int:  # fmt: skip
    """Compare two records point by point: as found and as left, or unit and unit.

    A difference counts when it is larger than its own uncertainty (E_n above 1). With
    --history one record is compared with the last as-left record of each other unit of its
    type.
    """
    from runner.errors import InputError

    if history == (second is not None):
        raise InputError(
            "one record is compared with its type, two with each other",
            expected="RECORD RECORD, or RECORD --history",
        )
    if second is None:
        _against_type(first, url, html, paper, as_json=as_json)
    else:
        _two(first, second, html, paper, as_json=as_json)
    return 0


def _side(path: Path) -> Side:
    from reports.compare import Side
    from runner.assess import assess
    from runner.record.reader import open_record

    record = open_record(path)
    return Side(record, assess(record))


def _two(first: Path, second: Path, html: Path | None, paper: str, *, as_json: bool) -> None:
    import json

    from reports.compare import compare_records, overlays, to_dict
    from reports.files import write_whole
    from reports.html import render_comparison

    one, other = _side(first), _side(second)
    comparison = compare_records(one, other)
    if html is not None:
        page = render_comparison(comparison, overlays(one, other), cast("Paper", paper))
        write_whole(html, page.encode())
    if as_json:
        click.echo(json.dumps(to_dict(comparison), ensure_ascii=False, allow_nan=False))
    else:
        _print(comparison)


def _against_type(
    path: Path, url: str | None, html: Path | None, paper: str, *, as_json: bool
) -> None:
    import json

    from reports.catalogue import load_strings
    from reports.files import write_whole
    from reports.html import render_history
    from reports.plots.history import plot_history
    from reports.type_history import history_dict, type_history
    from runner.record.archive import default_url, open_archive

    side = _side(path)
    job = side.record.header.get("job") or {}
    archive = open_archive(url or default_url())
    rows = archive.type_findings(
        side.assessment.profile.unit.model, str(job.get("serial") or "not given"),
        simulated=side.record.simulated,
    )  # fmt: skip
    archive.close()
    found = type_history(side, rows)
    if html is not None:
        plots = plot_history(found.found, load_strings())
        write_whole(html, render_history(found, plots, cast("Paper", paper)).encode())
    if as_json:
        click.echo(json.dumps(history_dict(found), ensure_ascii=False, allow_nan=False))
    else:
        _print_history(found)


def _print_history(found: TypeHistory) -> None:
    from runner.cli.terminal import printable

    click.echo(printable(found.label))
    for row in found.rows:
        mark = "*" if row.unusual else " "
        text = (
            f"{mark} {row.check}: {row.what} {row.at}: {row.value} {row.unit}, mean of"
            f" {row.units} units {row.mean}, {row.difference} ± {row.u}, E_n {row.e_n}"
            f" ({row.word})"
        )
        click.echo(printable(text))
    for sentence in found.sentences:
        click.echo(printable(sentence))


def _print(comparison: Comparison) -> None:
    from runner.cli.terminal import printable

    click.echo(printable(f"{comparison.labels[0]}  against  {comparison.labels[1]}"))
    for row in comparison.rows:
        mark = "*" if row.significant else " "
        text = (
            f"{mark} {row.check}: {row.what} {row.at}: {row.first} -> {row.second} {row.unit},"
            f" {row.difference} ± {row.u}, E_n {row.e_n} ({row.word}); {row.decisions}"
        )
        click.echo(printable(text))
    for sentence in comparison.sentences:
        click.echo(printable(sentence))
