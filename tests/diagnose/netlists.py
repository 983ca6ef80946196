"""Runs a netlist in ngspice and returns columns: an outside solver of the same circuit."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

__all__ = ["columns", "measured", "needs_ngspice"]

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(NGSPICE is None, reason="needs ngspice")


def _run(folder: Path, circuit: str, control: str) -> str:
    body = re.sub(r"(?ms)^\.control.*?^\.endc|^\.end\s*$", "", circuit)
    path = folder / "circuit.cir"
    path.write_text(f"{body}\n.control\n{control}\nquit\n.endc\n.end\n", encoding="utf-8")
    return subprocess.run(
        [str(NGSPICE), "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=120,
        check=False,
    ).stdout  # fmt: skip


def columns(folder: Path, circuit: str, *names: str) -> NDArray[np.float64]:
    """Return time and the named vectors on an even grid, shape (n, 1 + names)."""
    listed = " ".join(names)
    control = f"run\nlinearize {listed}\nset wr_singlescale\nwrdata wave.txt {listed}"
    _run(folder, circuit, control)
    return np.loadtxt(folder / "wave.txt", dtype=np.float64)


def measured(folder: Path, circuit: str, control: str, *names: str) -> list[float]:
    """Return what ngspice printed under these names."""
    said = _run(folder, circuit, control)
    found = [re.search(re.escape(n) + r"\s*=\s*([-+\d.eE]+)", said) for n in names]
    assert all(found), said
    return [float(one[1]) for one in found if one is not None]
