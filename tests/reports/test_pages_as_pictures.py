"""The pages as rendered: loosely the same as when they were last looked at.

Each page of the paper report is rendered small and grey and compared with a kept picture of
``tests/references/report_pages``, which was looked at by eye. Loosely: fonts and versions of the
renderer may move a line. After an intended change of the layout, look at the pages, then write
the pictures anew with ``python -m tests.reports.test_pages_as_pictures``.
"""

from __future__ import annotations

import io
import json
import tempfile
from pathlib import Path

import numpy as np
import pytest

from reports.build import build_document
from reports.document import Document
from tests.reports import made_record

KEPT = Path(__file__).parents[1] / "references" / "report_pages.npz"
PPI = 20.0
MOST_DIFFERENT = 0.008
"""Share of full scale by which the mean of a page's cells may differ; an empty or overlaid
plot moves it by more."""
CELL = 11


def rendered(document: Document) -> list[np.ndarray]:
    """Mean grey of square cells of each page, 0 black to 1 white."""
    import typst
    from PIL import Image

    from reports import pdf

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        main = pdf.lay_out_files(document, "A4", folder)
        images = typst.compile(
            main, root=folder, font_paths=[pdf.plot_fonts()], ignore_system_fonts=True,
            format="png", ppi=PPI,
        )  # fmt: skip
    pages = []
    for data in images if isinstance(images, list) else [images]:
        grey = np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=np.float64) / 255
        rows, columns = (n // CELL * CELL for n in grey.shape)
        cells = grey[:rows, :columns].reshape(rows // CELL, CELL, columns // CELL, CELL)
        pages.append(cells.mean(axis=(1, 3)))
    return pages


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[np.ndarray]:
    record = made_record.write_record(tmp_path_factory.mktemp("pages") / "r")
    return rendered(build_document(record, made_record.assessment(record)))


def test_pages_look_as_they_did_when_looked_at(pages: list[np.ndarray]) -> None:
    with np.load(KEPT) as kept:
        before = [kept[name] for name in sorted(kept.files)]
    assert len(pages) == len(before)
    for number, (now, then) in enumerate(zip(pages, before, strict=True), start=1):
        assert now.shape == then.shape
        difference = np.abs(now - then).mean()
        assert difference < MOST_DIFFERENT, f"page {number} differs by {difference:.3f}"


def test_a_missing_plot_would_be_noticed(pages: list[np.ndarray]) -> None:
    with np.load(KEPT) as kept:
        page_two = kept[sorted(kept.files)[1]]
    blank = page_two.copy()
    blank[3:12] = 1.0
    assert np.abs(blank - page_two).mean() > MOST_DIFFERENT
    assert np.abs(pages[0] - page_two).mean() > MOST_DIFFERENT


def test_nothing_is_printed_in_the_margins_but_head_and_foot(pages: list[np.ndarray]) -> None:
    for page in pages:
        assert page[:, 0].min() > 0.93  # the pale watermark may reach here
        assert page[:, -1].min() > 0.93


def main() -> None:
    """Write the kept pictures anew."""
    with tempfile.TemporaryDirectory() as name:
        record = made_record.write_record(Path(name) / "r")
        found = rendered(build_document(record, made_record.assessment(record)))
    np.savez_compressed(KEPT, **{f"page{i:02d}": p.astype(np.float16) for i, p in enumerate(found)})
    print(json.dumps({"pages": len(found)}))


if __name__ == "__main__":
    main()
