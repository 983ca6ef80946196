"""Waveforms of a record: one compressed NumPy file each, named in the journal with its hash."""

from __future__ import annotations

import hashlib
import io
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import RecordError
from runner.record.journal import keep_name

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["WAVEFORM_FOLDER", "is_stored", "load_waveform", "store_waveform"]

WAVEFORM_FOLDER = "waveforms"


def store_waveform(folder: Path, name: str, v: NDArray[np.float64], lsb_v: float) -> dict[str, Any]:
    """Write one record of volts and return the journal fields ``file`` and ``sha256``.

    Samples that are whole steps of ``lsb_v`` are kept as integers, which compresses well and
    loses nothing.

    :raises RecordError: the disk refused it
    """
    import numpy as np

    arrays: dict[str, Any]
    codes = np.round(v / lsb_v) if lsb_v > 0 else v
    whole = lsb_v > 0 and np.allclose(codes * lsb_v, v, rtol=0, atol=1e-3 * lsb_v)
    if whole and codes.size and np.abs(codes).max() < 2**31:
        narrow = np.int16 if np.abs(codes).max() < 2**15 else np.int32
        arrays = {"codes": codes.astype(narrow), "step": np.float64(lsb_v)}
    else:
        arrays = {"v": v}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    data = buffer.getvalue()
    path = _path(folder, name)
    try:
        path.parent.mkdir(exist_ok=True)
        with path.open("xb") as handle:
            handle.write(data)
            handle.flush()
            os.fsync(handle.fileno())
        keep_name(path.parent)
    except OSError as error:
        raise RecordError(f"the waveform {path} cannot be written ({error})") from None
    return {"file": f"{WAVEFORM_FOLDER}/{name}.npz", "sha256": hashlib.sha256(data).hexdigest()}


def is_stored(folder: Path, name: str) -> bool:
    """Whether there is a file of this name, whole or not."""
    return _path(folder, name).exists()


def _path(folder: Path, name: str) -> Path:
    return folder / WAVEFORM_FOLDER / f"{name}.npz"


def load_waveform(folder: Path, file: str, sha256: str) -> NDArray[np.float64]:
    """Read a waveform back, shape (n_samples,), volts.

    :raises RecordError: missing, outside the record, or not the one that was written
    """
    import numpy as np

    path = (folder / file).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise RecordError(f"the waveform {file!r} lies outside the record")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordError(f"the waveform {path} cannot be read ({error.strerror})") from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise RecordError(f"the waveform {path} was altered after it was written")
    with np.load(io.BytesIO(data), allow_pickle=False) as stored:
        if "codes" in stored:
            scaled: NDArray[np.float64] = stored["codes"].astype(np.float64) * float(stored["step"])
            return scaled
        return np.asarray(stored["v"], dtype=np.float64)
