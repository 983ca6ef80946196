"""Writes the outputs that were asked for, each whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

from reports.build import build_document
from reports.document import Document
from reports.files import write_whole
from reports.html import Paper, render_html
from runner.record.reader import Record

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["Outputs", "write_reports"]


@dataclass(frozen=True, slots=True)
class Outputs:
    """A path for each output that is wanted."""

    html: Path | None = None
    pdf: Path | None = None
    csv: Path | None = None
    parquet: Path | None = None
    junit: Path | None = None
    json: Path | None = None

    def any(self) -> bool:
        """Whether anything is wanted."""
        return any(path is not None for path in astuple(self))


def write_reports(
    record: Record,
    assessment: Assessment,
    outputs: Outputs,
    *,
    paper: str = "A4",
    language: str = "en",
    hookup_svg: str | None = None,
) -> list[Path]:
    """Write every wanted output and return the paths; the plots are drawn once.

    :raises InputError: no such language, or a library of an optional output is missing
    :raises RecordError: a file cannot be written
    """
    written: list[Path] = []

    def put(path: Path | None, make: Callable[[], bytes | Iterable[bytes]]) -> None:
        if path is not None:
            write_whole(path, make())
            written.append(path)

    if outputs.html or outputs.pdf:
        document = build_document(record, assessment, language=language, hookup_svg=hookup_svg)
        put(outputs.html, lambda: render_html(document, cast(Paper, paper)).encode())
        put(outputs.pdf, lambda: _pdf(document, paper))
    put(outputs.csv, lambda: _csv(record))
    put(outputs.parquet, lambda: _parquet(record))
    put(outputs.junit, lambda: _junit(record, assessment))
    put(outputs.json, lambda: _json(record, assessment))
    return written


def _pdf(document: Document, paper: str) -> bytes:
    from reports.pdf import render_pdf

    return render_pdf(document, cast(Paper, paper))


def _csv(record: Record) -> Iterable[bytes]:
    from reports.tables import csv_pieces

    return csv_pieces(record)


def _parquet(record: Record) -> bytes:
    from reports.tables import parquet_bytes

    return parquet_bytes(record)


def _junit(record: Record, assessment: Assessment) -> bytes:
    from reports.junit import junit_bytes

    return junit_bytes(record, assessment)


def _json(record: Record, assessment: Assessment) -> bytes:
    from reports.plain_json import json_bytes

    return json_bytes(record, assessment)
