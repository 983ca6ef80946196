"""Pairs of minimum and maximum, in two columns or in two rows, as peak detection writes them."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from runner.captures.capture import Channel
from runner.captures.header import Heading
from runner.signals.samples import FloatArray

__all__ = ["join_envelopes", "rows_side_by_side"]

_LOW = re.compile(r"\bmin(?:imum)?\b|(?<=_)min$|\bmin(?=_)", re.IGNORECASE)
_HIGH = re.compile(r"\bmax(?:imum)?\b|(?<=_)max$|\bmax(?=_)", re.IGNORECASE)
_JOINTS = " _.-"


def rows_side_by_side(
    table: FloatArray, names: Sequence[Heading], time_at: int
) -> tuple[FloatArray, list[Heading]] | None:
    """Turn pairs of rows that share a time into one row, time first; None when there are none.

    Every other column becomes two, "… min" and "… max", the smaller and the larger of the pair.
    """
    times = table[:, time_at]
    if len(table) < 8 or len(table) % 2 or not np.array_equal(times[0::2], times[1::2]):
        return None
    if not np.all(np.diff(times[0::2]) > 0):
        return None
    columns, headings = [times[0::2]], [names[time_at]]
    for position, heading in enumerate(names):
        if position != time_at:
            pair = (table[0::2, position], table[1::2, position])
            columns += [np.minimum(*pair), np.maximum(*pair)]
            headings += [Heading(f"{heading.name} {end}", heading.unit) for end in ("min", "max")]
    return np.stack(columns, axis=1), headings


def join_envelopes(channels: Sequence[Channel], notes: list[str]) -> tuple[Channel, ...]:
    """Join channels named alike but for "min" and "max" into one with an envelope."""
    joined: list[Channel] = []
    waiting = list(channels)
    while waiting:
        channel = waiting.pop(0)
        partner = next((other for other in waiting if _are_pair(channel, other)), None)
        if partner is None:
            joined.append(channel)
            continue
        waiting.remove(partner)
        low = np.minimum(channel.samples, partner.samples)
        high = np.maximum(channel.samples, partner.samples)
        name = _LOW.sub("", _HIGH.sub("", channel.name)).strip(_JOINTS) or channel.name
        notes.append(f"{channel.name!r} and {partner.name!r} are pairs of minimum and maximum")
        joined.append(Channel(name, channel.unit, low / 2 + high / 2, (low, high)))
    return tuple(joined)


def _are_pair(one: Channel, other: Channel) -> bool:
    if one.unit != other.unit:
        return False
    stems = []
    for first, second in ((one, other), (other, one)):
        if _LOW.search(first.name) and _HIGH.search(second.name):
            low, high = _LOW.sub("", first.name), _HIGH.sub("", second.name)
            stems.append((low.strip(_JOINTS).lower(), high.strip(_JOINTS).lower()))
    return any(low == high for low, high in stems)
