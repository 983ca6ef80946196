"""Limits of a quantity: one- or two-sided, made of relative and absolute parts."""

from __future__ import annotations

from dataclasses import dataclass

from runner.metrology.plain import finite, not_negative

__all__ = ["Limit", "Tolerance"]


@dataclass(frozen=True)
class Tolerance:
    """The trade's "0.01 % + 3 mV": a share of something plus a fixed part (half-width)."""

    pct: float = 0.0
    fixed: float = 0.0

    def __post_init__(self) -> None:
        not_negative("pct", self.pct)
        not_negative("fixed", self.fixed)

    def half_width(self, of: float) -> float:
        """Return the half-width for a quantity of size `of` (unit of `of` and of `fixed`)."""
        finite("of", of)
        return self.pct / 100 * abs(of) + self.fixed


@dataclass(frozen=True)
class Limit:
    """Lowest and highest value allowed, in the unit of the quantity; None where there is none.

    `nominal` is the value that a one-sided limit is measured from (zero for ripple).
    """

    low: float | None = None
    high: float | None = None
    nominal: float = 0.0

    def __post_init__(self) -> None:
        finite("nominal", self.nominal)
        for key, bound in (("low", self.low), ("high", self.high)):
            if bound is not None:
                finite(key, bound)
        if self.low is None and self.high is None:
            raise ValueError("low: expected a low or a high limit, found neither")
        if self.low is not None and self.high is not None and not self.low <= self.high:
            raise ValueError(f"low: expected at most the high {self.high!r}, found {self.low!r}")

    @classmethod
    def at_most(cls, high: float, *, nominal: float = 0.0) -> Limit:
        """Upper limit only."""
        return cls(high=high, nominal=nominal)

    @classmethod
    def at_least(cls, low: float, *, nominal: float = 0.0) -> Limit:
        """Lower limit only."""
        return cls(low=low, nominal=nominal)

    @classmethod
    def about(cls, nominal: float, half_width: float) -> Limit:
        """Both limits, `half_width` to either side of the nominal value."""
        not_negative("half_width", half_width)
        return cls(low=nominal - half_width, high=nominal + half_width, nominal=nominal)

    @property
    def room(self) -> float:
        """Half the distance of two limits; distance of a single one from the nominal value."""
        if self.low is not None and self.high is not None:
            return (self.high - self.low) / 2
        bound = self.high if self.high is not None else self.low
        return abs((bound or 0.0) - self.nominal)
