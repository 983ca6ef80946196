"""Reads the outside values in tests/references."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

REFERENCES = Path(__file__).parent.parent / "references"


def columns(name: str) -> NDArray[np.float64]:
    """Columns of a numeric CSV with one heading line, shape (columns, rows)."""
    return np.loadtxt(REFERENCES / name, delimiter=",", skiprows=1, ndmin=2).T


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a CSV with headings."""
    with (REFERENCES / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))
