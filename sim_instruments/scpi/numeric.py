"""Numbers in answers: NR1, NR2, NR3 and the standard's values for infinity and no number.

IEEE 488.2, 8.7.2-8.7.4; SCPI-1999 vol. 1, 7.2.1 (9.9E37, 9.91E37).
"""

from __future__ import annotations

import math

__all__ = ["INFINITY", "NOT_A_NUMBER", "nr1", "nr3"]

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37


def nr1(value: int) -> str:
    """Write an integer."""
    return str(int(value))


def nr3(value: float, digits: int = 8) -> str:
    """Write a real with sign, point and exponent; infinities and NaN by the standard's values."""
    if math.isnan(value):
        value = NOT_A_NUMBER
    elif math.isinf(value):
        value = math.copysign(INFINITY, value)
    return f"{value:+.{digits}E}"
