"""What was true in one unit's acceptance, and its place on disk beside the record.

With it the findings can be made again from the same readings, when a budget has changed.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Truth", "keep", "kept"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """True readings and waves by check, tap points, line margins, leaks."""

    readings: dict[str, list[float | None]]
    waveforms: dict[tuple[str, str], Floats]
    taps: dict[tuple[int, float, str], list[float]]
    margins_pct: list[float | None]
    leaks_ohm: dict[str, float]


def keep(place: Path, record: Path, truth: Truth, head: dict[str, Any]) -> None:
    """Put record, truth and the line's head to the archive ``place`` (without its ending)."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(record, Path(folder) / "record")
        waves = {f"{c}|{n}": v.astype(np.float32) for (c, n), v in truth.waveforms.items()}
        np.savez(Path(folder) / "waves.npz", **waves)  # type: ignore[arg-type]
        plain = {
            "head": head, "readings": truth.readings, "taps": [*map(list, truth.taps.items())],
            "margins_pct": truth.margins_pct, "leaks_ohm": truth.leaks_ohm,
        }  # fmt: skip
        (Path(folder) / "truth.json").write_text(json.dumps(plain), encoding="utf-8")
        shutil.make_archive(str(place), "gztar", folder)


@contextmanager
def kept(archive: Path) -> Iterator[tuple[Path, Truth, dict[str, Any]]]:
    """Unpack an archive: folder of the record, truth, head."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.unpack_archive(archive, folder, filter="data")
        plain = json.loads((Path(folder) / "truth.json").read_text(encoding="utf-8"))
        with np.load(Path(folder) / "waves.npz") as stored:
            waves = {(c, n): stored[f"{c}|{n}"].astype(np.float64)
                     for c, n in (key.split("|", 1) for key in stored)}  # fmt: skip
        taps = {(int(k[0]), float(k[1]), str(k[2])): v for k, v in plain["taps"]}
        truth = Truth(plain["readings"], waves, taps, plain["margins_pct"], plain["leaks_ohm"])
        yield Path(folder) / "record", truth, plain["head"]
