"""Our link's query against bare pyvisa's on the same loopback instrument, taken in turns."""

from __future__ import annotations

import statistics
import time

from runner.clock import SystemClock
from runner.link.opening import open_session, visa_manager
from runner.link.options import LinkOptions
from tests.link.scripted import Scripted

__all__ = ["measure"]

_PAIRS = 3000
_WARM_UP = 300


def measure(pairs: int = _PAIRS) -> dict[str, float]:
    """Return ``query_over_bare_pyvisa``, the median of the ratios of neighbouring queries."""
    with Scripted({"READ?": b"+1.23456789E+01\n"}) as instrument:
        bare = visa_manager("@py").open_resource(
            instrument.address, read_termination="\n", write_termination="\n"
        )
        link = open_session("meter", instrument.address, LinkOptions(), SystemClock())
        try:
            ratios = []
            for number in range(_WARM_UP + pairs):
                begun_s = time.perf_counter()
                bare.query("READ?")
                middle_s = time.perf_counter()
                link.query("READ?")
                if number >= _WARM_UP:
                    ratios.append((time.perf_counter() - middle_s) / (middle_s - begun_s))
            return {"query_over_bare_pyvisa": statistics.median(ratios)}
        finally:
            link.close()
            bare.close()
