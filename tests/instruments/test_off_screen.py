"""A trace that lies wholly off the screen is clipped; one that lies still within it is flat.

After a step the coupling capacitor of an AC input pushes the trace off the screen for a while
(common practice: wait for it). Taken for "flat" it once ended the wait for the ripple's floor.
"""

from __future__ import annotations

import numpy as np

from tests.faults.scope_setup import capture
from tests.instruments.twin import definite


def _all_at(code: int) -> dict[str, bytes]:
    volts = (code - 32768) * 1e-5 + 4.5
    return {
        "WAV:DATA?": definite(np.full(1000, code, ">u2").tobytes()) + b"\n",
        "MEAS:VAV? CHAN1": f"{volts:+.6E}\n".encode(),
        "MEAS:VPP? CHAN1": b"+0.0E+00\n",
    }


def test_off_the_screen_is_clipped() -> None:
    found = capture(_all_at(0), coupling="ac")
    assert found.valid and found.clipped


def test_within_the_screen_is_flat() -> None:
    found = capture(_all_at(30000), coupling="ac")
    assert found.reason == "flat: all samples are equal"
