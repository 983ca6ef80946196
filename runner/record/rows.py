"""The rows of a soak in a journal: half a million short lines, read together into arrays.

A line that is not shaped exactly as a run writes its rows is not taken here; the reader reads it
like every other line.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from runner.record.journal import ROW_KIND

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["BLOCK_KIND", "LEAST_ROWS", "Rows", "gather_rows"]

BLOCK_KIND = "rows"
"""A run of rows stands in a record's lines as one line of this kind, which no journal has."""
LEAST_ROWS = 20_000
"""Fewer are read sooner line by line than the compiled reader is loaded."""
_ROW = f',"kind":"{ROW_KIND}","v":['.encode()


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


def gather_rows(raw: bytes, pieces: Sequence[bytes], digests: Sequence[bytes]) -> dict[int, Rows]:
    """Return runs of well-formed, well-chained rows by the index of their first line.

    ``raw`` is the whole journal, ``pieces`` its whole lines, ``digests`` their SHA-256.
    """
    first = next((piece for piece in pieces if _ROW in piece), b"")
    if not first or raw.count(_ROW) < LEAST_ROWS:
        return {}
    import numpy as np

    from runner.record.row_text import read_rows

    columns = first.partition(_ROW)[2].partition(b"]")[0].count(b",") + 1
    text = np.frombuffer(raw, np.uint8)
    t_mono_s = np.zeros(len(pieces))
    values = np.zeros((len(pieces), columns))
    own = np.frombuffer(b"".join(digests), np.uint8).reshape(-1, 32)
    taken = read_rows(text, np.flatnonzero(text == ord("\n")), own, t_mono_s, values)
    edges = np.flatnonzero(np.diff(taken, prepend=False, append=False))
    return {
        begin: Rows(t_mono_s[begin:end], values[begin:end], pieces[begin:end])
        for begin, end in edges.reshape(-1, 2).tolist()
    }
