"""``asleft seal`` and ``asleft verify``."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["seal", "verify"]

_KEY = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("record", type=click.Path(path_type=Path))
@click.option("--key", type=_KEY, help="Private key; made on first use in your configuration.")
def seal(record: Path, key: Path | None) -> int:
    """Sign RECORD, so that any later change can be found.

    The key is made on first use and stays with you: keep the file secret and back it up, give
    the file that ends in .pub to whoever shall check your seals. Nothing goes over the network.
    """
    from runner.clock import SystemClock
    from runner.record.code import short_code
    from runner.record.keys import default_key_path, load_key, make_key
    from runner.record.seal import seal_record

    path = key or default_key_path()
    if key is None and not path.exists():
        private = make_key(path)
        click.echo(f"made a new key: {path} (keep it secret, back it up) and {path}.pub", err=True)
    else:
        private = load_key(path)
    verdict = seal_record(record, private, SystemClock())
    click.echo(f"sealed by key {verdict.signer}; check code {short_code(verdict.last_hash)}")
    return 0


@click.command()
@click.argument("record", type=click.Path(path_type=Path))
@click.option(
    "--key", "keys", type=_KEY, multiple=True,
    help="Public key (.pub) to trust; may be repeated. Your own is trusted always.",
)  # fmt: skip
def verify(record: Path, keys: tuple[Path, ...]) -> int:
    """Say whether RECORD was altered since it was sealed, and where.

    Exit code 0 only for an unaltered record under a seal of a trusted key.
    """
    from runner.errors import ExitCode
    from runner.record.code import short_code
    from runner.record.keys import default_key_path, load_public_key
    from runner.record.seal import verify_record

    own = default_key_path()
    own = own.with_name(own.name + ".pub")
    paths = [*keys, *([own] if own.exists() else [])]
    verdict = verify_record(record, [load_public_key(path) for path in paths])
    for fault in verdict.faults:
        click.echo(fault.sentence)
    if not verdict.sealed:
        click.echo("there is no seal: an unbroken chain alone could have been written anew")
    elif verdict.signer:
        trust = "trusted" if verdict.trusted else "NOT known here (give its .pub with --key)"
        click.echo(f"sealed by key {verdict.signer}, {trust}")
    if verdict.last_hash:
        click.echo(f"check code {short_code(verdict.last_hash)}")
    click.echo("unaltered" if verdict.proven else "NOT proven unaltered")
    return int(ExitCode.PASS if verdict.proven else ExitCode.FAIL)
