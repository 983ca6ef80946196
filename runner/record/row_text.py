"""Reads the numbers of many journal rows from their bytes, compiled.

Only rows exactly as a run writes them are taken, only with the hash of the line before them, and
only numbers whose nearest double follows from one exact multiplication or division: up to 2^53
as an integer, a power of ten up to 10^22 (Clinger, "How to read floating point numbers
accurately", 1990). All else is left to the reader.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["read_rows"]

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_HEAD = np.frombuffer(b'{"seq":', np.uint8)
_UTC = np.frombuffer(b',"t_utc":"', np.uint8)
_MONO = np.frombuffer(b'","t_mono_s":', np.uint8)
_VALUES = np.frombuffer(b',"kind":"s","v":[', np.uint8)
_PREV = np.frombuffer(b'],"prev":"', np.uint8)
_NULL = np.frombuffer(b"null", np.uint8)
_HEX = np.frombuffer(b"0123456789abcdef", np.uint8)
_POWERS = 10.0 ** np.arange(23)
_MOST = 2**53
_OF_TIMES = np.zeros(256, dtype=np.bool_)
_OF_TIMES[np.frombuffer(b"0123456789-:.+TZ", np.uint8)] = True


@njit(cache=True)
def _after(text: Bytes, at: int, end: int, word: Bytes) -> int:
    """Place after a word that must stand at ``at``; -1 when it does not."""
    if at < 0 or at + word.size > end:
        return -1
    for i in range(word.size):
        if text[at + i] != word[i]:
            return -1
    return at + word.size


@njit(cache=True)
def _number(text: Bytes, at: int, end: int) -> tuple[float, int]:
    """Return a JSON number and the place after it; place -1 when it is none, or not exact."""
    negative = at < end and text[at] == 45
    at += negative
    begin, whole, decimals, seen_point = at, 0, 0, False
    while at < end:
        c = text[at]
        if 48 <= c <= 57:
            whole = whole * 10 + (c - 48)
            decimals += seen_point
            if whole > _MOST:
                return 0.0, -1
        elif c == 46 and not seen_point and at > begin:
            seen_point = True
        else:
            break
        at += 1
    digits = at - begin - seen_point
    leading_zero = digits > 1 and text[begin] == 48 and text[begin + 1] != 46
    if digits == 0 or leading_zero or (seen_point and decimals == 0):
        return 0.0, -1
    power = -decimals
    if at < end and (text[at] == 101 or text[at] == 69):
        at += 1
        down = at < end and text[at] == 45
        at += at < end and (text[at] == 45 or text[at] == 43)
        begin, tens = at, 0
        while at < end and 48 <= text[at] <= 57 and tens < 1000:
            tens = tens * 10 + (text[at] - 48)
            at += 1
        if at == begin:
            return 0.0, -1
        power += -tens if down else tens
    if power < -22 or power > 22:
        return 0.0, -1
    value = whole / _POWERS[-power] if power < 0 else whole * _POWERS[power]
    return (-value if negative else value), at


@njit(cache=True)
def _values(text: Bytes, at: int, end: int, out: Floats) -> int:
    """Fill ``out`` with numbers parted by commas; place after them, -1 when it cannot be."""
    for i in range(out.size):
        if i:
            if at >= end or text[at] != 44:
                return -1
            at += 1
        null = _after(text, at, end, _NULL)
        if null > 0:
            out[i], at = np.nan, null
        else:
            out[i], at = _number(text, at, end)
            if at < 0:
                return -1
    return at


@njit(cache=True)
def _ends_well(text: Bytes, at: int, end: int, digest: Bytes) -> bool:
    """Whether the line ends with the hash of the line before it."""
    at = _after(text, at, end, _PREV)
    if at < 0 or end - at != 66 or text[end - 2] != 34 or text[end - 1] != 125:
        return False
    for i in range(32):
        high, low = _HEX[digest[i] >> 4], _HEX[digest[i] & 15]
        if text[at + 2 * i] != high or text[at + 2 * i + 1] != low:
            return False
    return True


@njit(cache=True)
def read_rows(
    text: Bytes, ends: NDArray[np.int64], digests: Bytes, t_mono_s: Floats, values: Floats
) -> NDArray[np.bool_]:
    """Fill times (n,) and values (n, columns) of the lines that are rows; return which are.

    ``ends`` (n,) are the places of the line ends in ``text``, ``digests`` (n, 32) the lines' own
    SHA-256.
    """
    taken = np.zeros(ends.size, dtype=np.bool_)
    for number in range(1, ends.size):
        end = ends[number]
        at = _after(text, ends[number - 1] + 1, end, _HEAD)
        seq = 0
        while 0 <= at < end and 48 <= text[at] <= 57:
            seq = seq * 10 + (text[at] - 48)
            at += 1
        at = _after(text, at, end, _UTC)
        if at < 0 or seq != number:
            continue
        while at < end and _OF_TIMES[text[at]]:
            at += 1
        at = _after(text, at, end, _MONO)
        if at < 0:
            continue
        t_mono_s[number], at = _number(text, at, end)
        at = _after(text, at, end, _VALUES)
        if at < 0:
            continue
        at = _values(text, at, end, values[number])
        taken[number] = at > 0 and _ends_well(text, at, end, digests[number - 1])
    return taken
