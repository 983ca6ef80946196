"""Fetching one channel's record: settings, preamble, data, and the preamble once more."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.errors import FramingError
from runner.instruments.decode import as_number
from runner.instruments.dialect import ScopeWords
from runner.instruments.roles import ChannelSetup, TimebaseSetup
from runner.instruments.waveforms import DECODERS, Record, Scaling, samples_from
from runner.link.blocks import BlockShape
from runner.link.numbers import Number, parse_number, shown
from runner.link.session import Session

__all__ = ["RecordReader"]

_BYTES_A_SECOND = 200_000.0  # the slowest transfer worth waiting for


class RecordReader:
    """Reads records through a session; ``set_all`` and ``ask`` are the scope's own."""

    def __init__(
        self,
        session: Session,
        words: ScopeWords,
        set_all: Callable[..., Any],
        ask: Callable[..., Any],
    ) -> None:
        self._session, self._words, self._set_all, self._ask = session, words, set_all, ask

    def read(self, n: int, channel: ChannelSetup, timebase: TimebaseSetup) -> tuple[Record, bytes]:
        """Record and raw bytes of channel ``n``; repeated once when the preamble has changed.

        :raises FramingError: what came cannot be the record
        :raises DeadlineError: it did not come
        """
        waveform = self._words.waveform
        prepare = [(key, value.format(n=n)) for key, value in waveform.prepare]
        told = self._set_all(prepare, self._comes_along(n), n=n)
        before = self._scaling(n, told)
        for _ in range(2):
            data = self._data(n, self._points(before, told), timebase)
            after = self._scaling(n)
            if _essence(after) == _essence(before):
                raw = samples_from(data, waveform.sample, waveform.order)
                return DECODERS[waveform.decode](raw, before), data
            before = after
        raise FramingError("the scope's scaling changes while its record is read")

    def _comes_along(self, n: int) -> list[str]:
        """Questions that may be asked in the message of the settings."""
        waveform, points = self._words.waveform, self._words.queries.get("record-points")
        text = bool(waveform.preamble) and not waveform.preamble_is_block
        return [
            *([points.ask] if points is not None else []),
            *([waveform.preamble.format(n=n)] if text else []),
        ]

    def _scaling(self, n: int, told: Mapping[str, str] = MappingProxyType({})) -> Scaling:
        """Scaling of channel ``n``; ``told`` holds answers that came along with the settings."""
        waveform = self._words.waveform
        facts = {}
        for name, question in waveform.facts.items():
            number = self._ask(question, as_number, n=n)
            if number.value is None:
                raise FramingError(f"the scope does not tell {name}: {number.reason}")
            facts[name] = number.value
        if not waveform.preamble:
            return Scaling((), b"", facts)
        command = waveform.preamble.format(n=n)
        if waveform.preamble_is_block:
            return Scaling((), self._session.query_block(command, BlockShape())[0], facts)
        if command in told:
            with suppress(FramingError):
                return Scaling(self._head(told[command]), b"", facts)
            self._session.counts.repeats += 1
        return Scaling(self._session.ask(command, self._head, repeats=1), b"", facts)

    def _head(self, text: str) -> tuple[float, ...]:
        parts = text.split(",")
        due = self._words.waveform.preamble_fields
        if due and len(parts) != due:
            raise FramingError(f"{due} fields were due in the preamble, found {shown(text)}")
        numbers = [parse_number(part).value for part in parts]
        if any(number is None for number in numbers):
            raise FramingError(f"a preamble of numbers was due, found {shown(text)}")
        return tuple(number for number in numbers if number is not None)

    def _points(self, scaling: Scaling, told: Mapping[str, str]) -> int | None:
        question = self._words.queries.get("record-points")
        if question is not None:
            number = Number(None)
            if question.ask in told:
                with suppress(FramingError):
                    number = as_number(question, told[question.ask])
            if number.value is None:
                number = self._ask(question, as_number)
            return None if number.value is None else int(number.value)
        if self._words.waveform.decode.startswith("ten-fields"):
            return int(scaling.head[2])
        if self._words.waveform.decode == "real-volts":
            return int(scaling.head[2])
        return int(scaling.facts["points"]) if "points" in scaling.facts else None

    def _data(self, n: int, points: int | None, timebase: TimebaseSetup) -> bytes:
        waveform = self._words.waveform
        width = np.dtype(waveform.sample).itemsize
        shape = BlockShape(
            waveform.prefix.format(n=n).encode(), width if waveform.count_in_points else 1
        )
        pieces = _pieces(points or 0, waveform.chunk_points, waveform.first_point)
        data = b""
        for first, last in pieces:
            for template in waveform.window:
                self._session.write(template.format(first=first, last=last, n=n))
            within_s = self._session.options.timeout_s + (last - first) * width / _BYTES_A_SECOND
            data += self._session.query_block(waveform.data.format(n=n), shape, within_s)[0]
        if not data:
            raise FramingError("no samples: the scope sent an empty block")
        if points is not None and len(data) != points * width:
            raise FramingError(
                f"width: {points} points of {width} bytes were due, found {len(data)} bytes"
            )
        return data

    def clipped(self, data: bytes, record: Record, channel: ChannelSetup) -> bool:
        """Whether any sample is at the end of the converter or of the screen."""
        waveform = self._words.waveform
        if waveform.sample == "float32":
            edge_v = channel.span_v / 2 * 0.999
            return bool(np.any(np.abs(record.v - channel.offset_v) >= edge_v))
        raw = samples_from(data, waveform.sample, waveform.order).astype(np.int64)
        low, high = waveform.rails or _rails(raw, waveform.sample)
        return bool(np.any((raw <= low) | (raw >= high)))


def _rails(raw: NDArray[np.int64], sample: str) -> tuple[int, int]:
    """Lowest and highest code; a converter of fewer bits than the word moves in larger steps."""
    info = np.iinfo(np.dtype(sample))
    most = 2 ** (info.bits - 8)  # no converter in use has fewer than 8 bits
    step = int(np.gcd.reduce(raw - info.min)) if raw.size else 1
    step = min(step & -step, most) if step else most
    return int(info.min), int(info.max) + 1 - step


def _essence(scaling: Scaling) -> tuple[object, ...]:
    """All of the scaling but the count of points, which follows the window asked for."""
    head = tuple(scaling.head)
    return (head[:2] + head[3:] if len(head) == 10 else head), scaling.head_block, scaling.facts


def _pieces(points: int, chunk: int, first: int) -> list[tuple[int, int]]:
    if not chunk or points <= chunk:
        return [(first, first + max(points, 1) - 1)]
    return [(first + at, first + min(at + chunk, points) - 1) for at in range(0, points, chunk)]
