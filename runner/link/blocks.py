"""IEEE 488.2 response blocks, read by count and by nothing else (488.2 clauses 8.7.9, 8.7.10)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from runner.errors import FramingError

__all__ = ["BlockShape", "read_block"]


@dataclass(frozen=True, slots=True)
class BlockShape:
    """How a block comes dressed.

    ``prefix`` is the exact text in front of ``#`` (empty: none). ``unit_bytes`` is what one
    count of the header stands for: 1, or the width of a point for instruments that count points.
    """

    prefix: bytes = b""
    unit_bytes: int = 1


def read_block(
    exactly: Callable[[int], bytes],
    to_end: Callable[[], bytes],
    shape: BlockShape,
    cap: int,
) -> bytes:
    """Read one block.

    ``exactly(n)`` gives the next n bytes, ``to_end()`` everything up to the end of the message
    (only an indefinite block needs it).

    :raises FramingError: the header is not one, or tells more bytes than ``cap``
    """
    if shape.prefix:
        found = exactly(len(shape.prefix))
        if found != shape.prefix:
            raise FramingError(f"a block was due after {shape.prefix!r}, found {found!r}")
    head = exactly(2)
    if head[:1] != b"#" or not head[1:].isdigit():
        raise FramingError(f"a block header '#<digit>' was due, found {head!r}")
    digits = int(head[1:])
    if digits == 0:
        return to_end()
    count = exactly(digits)
    if not count.isdigit():
        raise FramingError(f"a block length of {digits} digits was due, found {count!r}")
    n_bytes = int(count) * shape.unit_bytes
    if n_bytes > cap:
        raise FramingError(f"the block claims {n_bytes} bytes, more than the {cap} allowed")
    return exactly(n_bytes)
