"""``asleft find``: instruments on LAN, USB and serial; ``--try``: a dialect on trial, read-only."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.terminal import printable

if TYPE_CHECKING:
    from runner.clock import Clock
    from runner.instruments.discovery import Found

__all__ = ["find"]


@click.command()
@click.argument("addresses", nargs=-1)
@click.option("--try", "trial", type=click.Path(path_type=Path),
              help="A dialect file: ask all its questions at ADDRESS, set nothing.")  # fmt: skip
@click.option("--listen", default=2.0, show_default=True, help="Seconds to listen on the LAN.")
@click.option("--no-lan", is_flag=True, help="Do not listen on the LAN.")
@click.option("--bench", "bench_file", type=click.Path(path_type=Path),
              help="Also write the [[instrument]] parts to this new file.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def find(
    addresses: tuple[str, ...],
    trial: Path | None,
    listen: float,
    no_lan: bool,
    bench_file: Path | None,
    as_json: bool,
) -> int:
    """Say who answers: at ADDRESSES, or among those that announce themselves.

    Nothing is scanned. Serial ports are listed, and asked only when named as ADDRESS: a question
    could mean something else to what hangs there.
    """
    from runner.clock import SystemClock

    clock = SystemClock()
    if trial is not None:
        return _try(trial, addresses, clock, as_json)
    found, unasked = _look(addresses, clock, 0.0 if no_lan else listen)
    if as_json:
        click.echo(json.dumps({"format": 1, "found": [asdict(one) for one in found],
                               "unasked": unasked}, ensure_ascii=False))  # fmt: skip
    else:
        _print(found, unasked)
    if bench_file is not None:
        _write(bench_file, found)
    return 0


def _look(
    addresses: tuple[str, ...], clock: Clock, listen_s: float
) -> tuple[list[Found], list[tuple[str, str]]]:
    from runner.instruments.discovery import ask_who, listen_on_lan, ports_and_usb

    if addresses:
        return [ask_who(address, clock) for address in addresses], []
    announced = listen_on_lan(clock, listen_s) if listen_s > 0 else []
    known = ports_and_usb()
    asked = announced + [address for address, _ in known if address.startswith("USB")]
    unasked = [one for one in known if one[0] not in asked]
    return [ask_who(address, clock) for address in asked], unasked


def _print(found: list[Found], unasked: list[tuple[str, str]]) -> None:
    from runner.instruments.discovery import bench_entry, told

    if not found and not unasked:
        click.echo(
            "Nobody announces itself. Name an address: asleft find TCPIP::host::5025::SOCKET"
        )
    for one in found:
        click.echo(printable(told(one)))
    for address, what in unasked:
        click.echo(printable(f"{address}: {what}, not asked; name it to ask it"))
    entries = [bench_entry(one) for one in found if one.says]
    if entries:
        click.echo("\nFor the bench file:\n\n" + "\n".join(entries))


def _write(bench_file: Path, found: list[Found]) -> None:
    from runner.errors import InputError
    from runner.instruments.discovery import bench_entry

    text = "\n".join(bench_entry(one) for one in found if one.says)
    try:
        with bench_file.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(f"cannot be written ({why})", file=bench_file, key="--bench") from None


def _try(trial: Path, addresses: tuple[str, ...], clock: Clock, as_json: bool) -> int:
    from runner.errors import ExitCode, InputError
    from runner.instruments.dialect_files import load_dialect
    from runner.instruments.try_dialect import try_dialect

    if len(addresses) != 1:
        raise InputError(
            "a dialect is tried on one instrument",
            key="ADDRESS",
            expected="one address",
            found=str(len(addresses)),
        )
    rows, dialect = [], load_dialect(str(trial))
    for row in try_dialect(dialect, addresses[0], clock):
        rows.append(row)
        if not as_json:
            meaning = f"?? {row.problem}" if row.problem else row.value
            click.echo(printable(f"{row.key:40} {row.ask:28} -> {row.reply!r:28} {meaning}"))
    problems = sum(1 for row in rows if row.problem)
    if as_json:
        click.echo(json.dumps({"format": 1, "tried": [asdict(row) for row in rows]},
                              ensure_ascii=False))  # fmt: skip
    else:
        click.echo(f"{len(rows)} questions, {problems} without a proper answer; nothing was set.")
        known = [dialect.words(role) for role in dialect.roles]
        start = ", ".join(message for words in known if words for message in words.start)
        if problems and start:
            click.echo(
                f"What the dialect sends at the start was not sent either ({start});"
                " some answers may be proper only after it."
            )
    return int(ExitCode.BENCH if problems else ExitCode.PASS)
