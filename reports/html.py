"""The report as one self-contained HTML file: no script, nothing fetched, prints on paper."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from reports.build import build_document
from reports.catalogue import load_strings
from reports.document import Document
from reports.files import write_whole
from runner.record.reader import Record

if TYPE_CHECKING:
    from jinja2 import Environment

    from reports.compare import Comparison
    from reports.plots.style import Plot
    from reports.type_history import TypeHistory
    from runner.assess import Assessment

__all__ = [
    "Paper", "render_comparison", "render_history", "render_html", "render_template",
    "write_html",
]  # fmt: skip

Paper = Literal["A4", "Letter"]
_TEMPLATES = Path(__file__).parent / "templates"


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["as_image"] = _as_image
    return environment


def _as_image(svg: str) -> str:
    """Return SVG as an image address; inside an image no script runs and no name collides."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def render_template(name: str, **values: object) -> str:
    """Return the text of a page from a template of this folder; every value is escaped."""
    return _environment().get_template(name).render(**values)


def render_html(document: Document, paper: Paper = "A4") -> str:
    """Return the page's text; every value is escaped."""
    strings = load_strings(document.language)
    template = _environment().get_template("report.html.j2")
    return template.render(doc=document, t=strings.get, paper=paper)


def render_comparison(
    comparison: Comparison, plots: Sequence[Plot], paper: Paper = "A4", *, language: str = "en"
) -> str:
    """Return the page of two records compared; every value is escaped."""
    strings = load_strings(language)
    template = _environment().get_template("compare.html.j2")
    return template.render(
        doc=comparison, plots=plots, t=strings.get, paper=paper, language=language
    )


def render_history(
    history: TypeHistory, plots: Sequence[Plot], paper: Paper = "A4", *, language: str = "en"
) -> str:
    """Return the page of a record against its type; every value is escaped."""
    return render_template(
        "history.html.j2", doc=history, plots=plots, t=load_strings(language).get, paper=paper,
        language=language,
    )  # fmt: skip


def write_html(
    record: Record,
    assessment: Assessment,
    path: Path,
    paper: Paper = "A4",
    *,
    language: str = "en",
    hookup_svg: str | None = None,
) -> None:
    """Write the report; the file appears whole or not at all.

    :raises InputError: no such language
    :raises RecordError: the file cannot be written
    """
    document = build_document(record, assessment, language=language, hookup_svg=hookup_svg)
    write_whole(path, render_html(document, paper).encode())
