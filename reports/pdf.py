"""The report on paper: the same document, set by typst.

Everything from the record reaches the template as data (a JSON file), never as markup, so that
no text of a record can be taken for a command.
"""

from __future__ import annotations

import json
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from reports.catalogue import load_strings
from reports.document import Document
from reports.html import Paper
from runner.errors import InputError, RecordError

__all__ = ["lay_out_files", "plot_fonts", "render_pdf"]

_TEMPLATE = Path(__file__).parent / "templates" / "report.typ"


def render_pdf(document: Document, paper: Paper = "A4") -> bytes:
    """Return the PDF's bytes; nothing is fetched, system fonts are not used.

    :raises InputError: typst is not installed
    :raises RecordError: the page could not be set
    """
    try:
        import typst
    except ImportError:
        raise InputError(
            "PDF needs the library typst",
            key="--pdf", expected="pip install 'asleft[pdf]'", found="no typst",
        ) from None  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="asleft-pdf-") as name:
        folder = Path(name)
        main = lay_out_files(document, paper, folder)
        try:
            made = typst.compile(
                main, root=folder, font_paths=[plot_fonts()], ignore_system_fonts=True
            )
        except RuntimeError as error:
            raise RecordError(f"the PDF could not be set ({error})") from None
    return bytes(made)


def lay_out_files(document: Document, paper: Paper, folder: Path) -> Path:
    """Write template, data and drawings into a folder; return the template's path."""
    data = _plain(document, folder)
    words = load_strings(document.language).table
    (folder / "document.json").write_text(
        json.dumps({"doc": data, "t": words, "paper": paper}), encoding="utf-8"
    )
    main = folder / "report.typ"
    main.write_bytes(_TEMPLATE.read_bytes())
    return main


def plot_fonts() -> Path:
    """Folder of the fonts that come with the plotting library; drawings with text use them."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def _plain(document: Document, folder: Path) -> dict[str, Any]:
    """Return the document as plain data, its drawings as files of their own."""
    data = asdict(document)
    drawings = 0

    def put(svg: str) -> str:
        nonlocal drawings
        if not svg:
            return ""
        drawings += 1
        (folder / f"{drawings}.svg").write_text(svg, encoding="utf-8")
        return f"{drawings}.svg"

    for group in data["groups"]:
        for plot in group["plots"]:
            plot["svg"] = put(plot["svg"])
        for row in group["rows"]:
            row["gauge"] = put(row["gauge"])
    data["hookup_svg"] = put(data["hookup_svg"])
    return data
