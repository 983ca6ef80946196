"""``asleft compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option

if TYPE_CHECKING:
    from reports.compare import Comparison

__all__ = ["compare"]

_RECORD = click.Path(path_type=Path)


@click.command()
@click.argument("first", type=_RECORD)
@click.argument("second", type=_RECORD)
@click.option(
    "--html", type=click.Path(path_type=Path, dir_okay=False), help="One page with plots."
)
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@json_option()
def compare(first: Path, second: Path, html: Path | None, paper: str, as_json: bool) -> int:
    """Compare two records point by point: as found and as left, or unit and unit.

    A difference counts when it is larger than its own uncertainty (E_n above 1).
    """
    import json
    from typing import Any, cast

    from reports.compare import Side, compare_records, overlays, to_dict
    from reports.files import write_whole
    from reports.html import render_comparison
    from runner.assess import assess
    from runner.record.reader import open_record

    records = [open_record(path) for path in (first, second)]
    one, other = (Side(record, assess(record)) for record in records)
    comparison = compare_records(one, other)
    if html is not None:
        page = render_comparison(comparison, overlays(one, other), cast(Any, paper))
        write_whole(html, page.encode())
    if as_json:
        click.echo(json.dumps(to_dict(comparison), ensure_ascii=False, allow_nan=False))
    else:
        _print(comparison)
    return 0


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
