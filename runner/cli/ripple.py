"""``asleft ripple``."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option
from runner.errors import ExitCode, InputError

if TYPE_CHECKING:
    from runner.captures.ripple import CaptureRipple
    from runner.finding import Finding

__all__ = ["ripple"]


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--mains", type=click.Choice(["50", "60"]), default="50", show_default=True,
              help="Mains frequency in Hz.")  # fmt: skip
@click.option("--limit-pp", metavar="VOLTS", help='Limit for peak to peak, e.g. "20 mV".')
@click.option("--limit-rms", metavar="VOLTS", help='Limit for rms, e.g. "1 mV".')
@click.option("--rated", metavar="VOLTS", help="Rated output of the unit: rms is then also said in"
              " dB of it, as data sheets do.")  # fmt: skip
@click.option("--probe", type=click.FloatRange(0, min_open=True), default=1.0,
              help="Multiply the file's volts by this: 10 where a 10:1 probe was used and the"
              " scope was not told.")  # fmt: skip
@click.option("--channel", metavar="NAME", help="Channel by name, or by number from 1.")
@click.option("--interval", metavar="TIME", help='Sample interval, e.g. "1 us", where the file'
              " gives none.")  # fmt: skip
@click.option("--accuracy", metavar="LIMIT", help='Accuracy of the scope, e.g. "3 % + 1 mV";'
              " unknown, 5 % is assumed and no pass is more than conditional.")  # fmt: skip
@click.option("--accept-conditional", is_flag=True, help="Let a conditional pass count as pass.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), metavar="PAGE",
              help="Write a page with trace, spectrum and findings.")  # fmt: skip
@json_option()
def ripple(
    file: Path, mains: str, limit_pp: str | None, limit_rms: str | None, rated: str | None,
    probe: float, channel: str | None, interval: str | None, accuracy: str | None,
    accept_conditional: bool, html: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """Find the ripple in FILE, a capture that a scope wrote as text (CSV).

    Says what it took each column for. With limits, the exit code is 0 when all pass and 1
    when not; without, 0 when the ripple could be measured.
    """
    from runner.captures.findings import findings_of_ripple
    from runner.captures.reader import read_capture
    from runner.captures.ripple import ripple_of_capture
    from runner.quantity import parse_limit

    interval_s = _positive(interval, "s", "--interval")
    limit_pp_v, limit_rms_v, rated_v = (
        _positive(text, "V", key)
        for text, key in (
            (limit_pp, "--limit-pp"),
            (limit_rms, "--limit-rms"),
            (rated, "--rated"),
        )
    )
    scope = None
    if accuracy is not None:
        try:
            limit = parse_limit(accuracy, "V")
        except ValueError as error:
            raise InputError(str(error), key="--accuracy") from None
        scope = (limit.relative, limit.absolute)
    capture = read_capture(file, interval_s=interval_s)
    measured = ripple_of_capture(capture, channel=channel, mains_hz=float(mains), probe=probe)
    found = replace(measured, rated_v=rated_v)
    findings = findings_of_ripple(
        found, limit_pp_v=limit_pp_v, limit_rms_v=limit_rms_v, accuracy=scope
    )
    code = _exit_code(found, findings, accept_conditional=accept_conditional)
    if html is not None:
        from reports.ripple_page import write_ripple_page

        write_ripple_page(found, findings, html)
    if as_json:
        click.echo(json.dumps(_plain(found, findings, code), ensure_ascii=False, allow_nan=False))
    else:
        _tell(found, findings, html)
    return int(code)


def _positive(text: str | None, unit: str, key: str) -> float | None:
    if text is None:
        return None
    from runner.quantity import parse_quantity

    try:
        value = parse_quantity(text, unit)
    except ValueError as error:
        raise InputError(str(error), key=key) from None
    if value <= 0:
        raise InputError("expected more than zero", key=key, found=text)
    return value


def _exit_code(
    found: CaptureRipple, findings: list[Finding], *, accept_conditional: bool
) -> ExitCode:
    from runner.finding import Decision

    if not findings:
        return ExitCode.FAIL if found.pp_v is None else ExitCode.PASS
    good = {Decision.PASS} | ({Decision.CONDITIONAL_PASS} if accept_conditional else set())
    return ExitCode.PASS if all(f.decision in good for f in findings) else ExitCode.FAIL


def _plain(found: CaptureRipple, findings: list[Finding], code: ExitCode) -> dict[str, object]:
    from runner.captures.plain import plain_ripple

    return {
        "format": 1,
        "record": str(found.capture.path),
        "simulated": False,
        "exit": int(code),
        "hazards": [],
        "findings": [finding.to_dict() for finding in findings],
        "summary": plain_ripple(found),
    }


def _tell(found: CaptureRipple, findings: list[Finding], html: Path | None) -> None:
    from runner.captures.plain import sentences
    from runner.cli.outcome import finding_line

    for sentence in sentences(found):
        click.echo(sentence)
    for finding in findings:
        click.echo(finding_line(finding))
    if html is not None:
        click.echo(f"page: {html}")
