"""One instrument of a bench, opened through the same door as a whole bench."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from runner.bench import Bench
from runner.clock import Clock, VirtualClock
from runner.instruments.open import open_instruments

__all__ = ["bench_with", "opened_instrument"]

FAST = {"timeout_s": 0.3, "first_timeout_s": 0.6, "late_s": 0.3, "quiet_s": 0.02}


def bench_with(role: str, address: str, dialect: str, **more: Any) -> Bench:
    """A bench file with this one instrument; link patience short unless told."""
    link = {**FAST, **more.pop("link", {})}
    entry = {
        "name": "it",
        "role": role,
        "address": address,
        "dialect": dialect,
        "link": link,
        **more,
    }
    return Bench.model_validate(
        {
            "format": 1,
            "name": "one instrument",
            "mains": {"nominal": "230 V 50 Hz"},
            "instrument": [entry],
        }
    )


@contextmanager
def opened_instrument(
    role: str, address: str, dialect: str, clock: Clock | None = None, **more: Any
) -> Iterator[Any]:
    """The role's implementation, open; closed at the end."""
    bench = bench_with(role, address, dialect, **more)
    instruments = open_instruments(bench, None, clock or VirtualClock())
    try:
        yield getattr(instruments, role.replace("-", "_"))
    finally:
        instruments.close()
