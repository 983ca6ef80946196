"""The rows of a soak in a journal: half a million short lines, read together into arrays.

A row that a run wrote has one fixed shape, so that its numbers can be cut out of the text and
parsed all at once. A line that is shaped otherwise in any way is not taken here; the reader reads
it like every other line.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from runner.record.journal import ROW_KIND

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["BLOCK_KIND", "Rows", "gather_rows"]

BLOCK_KIND = "rows"
"""A run of rows stands in a record's lines as one line of this kind, which no journal has."""

_T_UTC = len("2026-01-01T00:00:00.000+00:00")
_MONO = b'","t_mono_s":'
_VALUES = f',"kind":"{ROW_KIND}","v":['.encode()
_OF_NUMBERS = b"0123456789.eE+-,\nnul"
_OF_TIMES = b"0123456789-:.+TZ"


@dataclass(frozen=True, eq=False, slots=True)
class Rows:
    """Consecutive rows: ``t_mono_s`` (n,), ``values`` (n, columns), NaN where nothing was read."""

    t_mono_s: NDArray[np.float64]
    values: NDArray[np.float64]
    pieces: Sequence[bytes]

    def lines(self) -> Iterator[dict[str, Any]]:
        """Each row as the journal line that it is."""
        return (json.loads(piece) for piece in self.pieces)

    def as_line(self) -> dict[str, Any]:
        """The first row as a journal line, with all of them in ``rows``."""
        return {**json.loads(self.pieces[0]), "kind": BLOCK_KIND, "rows": self}

    @property
    def last(self) -> dict[str, Any]:
        """The last row as a journal line."""
        return dict(json.loads(self.pieces[-1]))


def gather_rows(pieces: Sequence[bytes], hashes: Sequence[str]) -> dict[int, Rows]:
    """Return runs of well-formed, well-chained rows by the index of their first line.

    ``pieces`` are the journal's whole lines, ``hashes`` their SHA-256 in hex.
    """
    taken: list[int] = []
    stamps: list[bytes] = []
    texts: list[bytes] = []
    for number, piece in enumerate(pieces):
        if _VALUES not in piece:
            continue
        head = b'{"seq":%d,"t_utc":"' % number
        mono = len(head) + _T_UTC
        tail = b'],"prev":"%b"}' % hashes[number - 1].encode()
        if piece.startswith(head) and piece[mono : mono + 13] == _MONO and piece.endswith(tail):
            taken.append(number)
            stamps.append(piece[len(head) : mono])
            texts.append(piece[mono + 13 : -len(tail)])
    numbers = _parsed(stamps, texts)
    return {} if numbers is None else dict(_runs(taken, numbers, pieces))


def _parsed(stamps: Sequence[bytes], texts: Sequence[bytes]) -> NDArray[np.float64] | None:
    """Return time and values, (rows, 1 + columns); None when any text holds anything else."""
    if not texts:
        return None
    import numpy as np
    import pandas as pd

    joined = b"\n".join(texts).replace(_VALUES, b",")
    if (
        len({text.count(b",") for text in texts}) != 1
        or b",," in joined
        or b",\n" in joined + b"\n"
        or joined.translate(None, _OF_NUMBERS)
        or b"".join(stamps).translate(None, _OF_TIMES)
    ):
        return None
    frame = pd.read_csv(io.BytesIO(joined), header=None)
    if any(kind.kind not in "if" for kind in frame.dtypes):
        return None
    return frame.to_numpy(dtype=np.float64)


def _runs(
    taken: Sequence[int], numbers: NDArray[np.float64], pieces: Sequence[bytes]
) -> Iterator[tuple[int, Rows]]:
    start = 0
    for end in range(1, len(taken) + 1):
        if end == len(taken) or taken[end] != taken[end - 1] + 1:
            block, first = numbers[start:end], taken[start]
            yield first, Rows(block[:, 0], block[:, 1:], pieces[first : first + end - start])
            start = end
