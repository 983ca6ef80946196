"""An uncertainty budget, line by line, and what the lines come to (GUM 5.1.2, annexes G and H).

Lines are independent of each other, except that lines with the same `shared` word are one and
the same error (an instrument's limit in two readings on one range): their contributions are
added with their signs before anything is squared.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

from runner.metrology.coverage import divisor, effective_dof, whole
from runner.metrology.dispersion import Dispersion
from runner.metrology.plain import STRICT, finite, from_plain, not_negative, to_plain

__all__ = ["Budget", "Line", "merged"]


@dataclass(frozen=True)
class Line:
    """One input of a budget.

    `u` is the standard uncertainty of the input in the input's `unit`; times `sensitivity` it
    is the contribution in the result's unit. `kind` A is from repeated readings, B from
    anything else. A `shared` word marks an error met again in other lines with that word.
    `shift` is where the middle of the input's true value lies from the value taken, where
    bounds are not alike on both sides (GUM 4.3.8); in the input's unit.
    """

    __pydantic_config__ = STRICT

    name: str
    kind: Literal["A", "B"]
    u: float
    value: float = 0.0
    unit: str = ""
    dof: float = math.inf
    sensitivity: float = 1.0
    distribution: str = "normal"
    source: str = ""
    shared: str = ""
    shift: float = 0.0

    def __post_init__(self) -> None:
        not_negative("u", self.u)
        finite("shift", self.shift)
        finite("value", self.value)
        finite("sensitivity", self.sensitivity)
        finite("contribution", self.contribution)
        if not self.dof >= 1:
            raise ValueError(f"dof: expected at least 1 degree of freedom, found {self.dof!r}")
        if self.shared and not math.isinf(self.dof):
            raise ValueError(f"dof: expected infinite for a shared error, found {self.dof!r}")

    @property
    def contribution(self) -> float:
        """Signed contribution to the result (result's unit)."""
        return self.sensitivity * self.u

    def carried(self, factor: float, *, into: str = "") -> Line:
        """Return the line as part of another result that moves `factor` times as much."""
        name = f"{into}: {self.name}" if into else self.name
        return replace(self, name=name, sensitivity=self.sensitivity * factor)

    @classmethod
    def from_bounds(
        cls, name: str, below: float, above: float, *, value: float = 0.0, unit: str = "",
        source: str = "",
    ) -> Line:  # fmt: skip
        """Build a type B line from how far below and above `value` the input may truly lie.

        A rectangle over both, whose middle is not the value (GUM 4.3.8).
        """
        not_negative("below", below)
        not_negative("above", above)
        u = (above + below) / 2 / divisor("rectangular")
        return cls(
            name, "B", u, value, unit, distribution="rectangular", source=source,
            shift=(above - below) / 2,
        )  # fmt: skip

    @classmethod
    def from_limit(
        cls,
        name: str,
        half_width: float,
        *,
        form: str = "rectangular",
        value: float = 0.0,
        unit: str = "",
        sensitivity: float = 1.0,
        source: str = "",
        shared: str = "",
    ) -> Line:
        """Build a type B line from the half-width of a limit of error (see `divisor`)."""
        return cls(
            name=name,
            kind="B",
            u=half_width / divisor(form),
            value=value,
            unit=unit,
            sensitivity=sensitivity,
            distribution="normal" if form.startswith("normal") else form,
            source=source,
            shared=shared,
        )


@dataclass(frozen=True)
class Budget:
    """A value with the lines of its uncertainty; `value` and results are in `unit`.

    `caveats` keep a decision from being a plain pass; `notes` are only said in the report.
    """

    __pydantic_config__ = STRICT

    quantity: str
    unit: str
    value: float
    lines: tuple[Line, ...]
    caveats: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        finite("value", self.value)
        if not self.lines:
            raise ValueError("lines: expected at least one, found none")
        finite("u", self.u)

    @cached_property
    def _parts(self) -> list[tuple[float, float, bool]]:
        """Independent (contribution, degrees of freedom, whether rectangular)."""
        parts: list[tuple[float, float, bool]] = []
        common: dict[str, tuple[float, bool]] = {}
        for line in self.lines:
            rectangular = line.distribution == "rectangular" and math.isinf(line.dof)
            if not line.shared:
                parts.append((line.contribution, line.dof, rectangular))
                continue
            total, still = common.get(line.shared, (0.0, True))
            common[line.shared] = (total + line.contribution, still and rectangular)
        return parts + [(total, math.inf, shape) for total, shape in common.values()]

    @cached_property
    def u(self) -> float:
        """Combined standard uncertainty (GUM eq. 11a, 16)."""
        return math.hypot(*(part[0] for part in self._parts))

    @cached_property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite, GUM eq. G.2b)."""
        return effective_dof([(part[0], part[1]) for part in self._parts])

    @cached_property
    def dispersion(self) -> Dispersion:
        """How the true value may lie: the two largest rectangles apart from the rest."""
        parts = self._parts
        shaped = [i for i, part in enumerate(parts) if part[2]]
        largest = sorted(shaped, key=lambda i: -abs(parts[i][0]))[:2]
        rest = [(c, dof) for i, (c, dof, _) in enumerate(parts) if i not in largest]
        widths = [*(math.sqrt(3) * abs(parts[i][0]) for i in largest), 0.0, 0.0]
        shift = math.fsum(line.sensitivity * line.shift for line in self.lines)
        scatter = math.hypot(*(c for c, _ in rest))
        return Dispersion(scatter, effective_dof(rest), widths[0], widths[1], shift)

    def k(self, coverage: float = 0.95) -> float:
        """Return the coverage factor for the share `coverage`."""
        return self.dispersion.k(coverage)

    @property
    def k_from(self) -> str:
        """Where the coverage factor comes from, in words for the report."""
        if self.dispersion.ruled_by_limits:
            return "distribution of the largest limits of error with the rest folded in"
        dof = whole(self.dispersion.dof)
        if math.isinf(dof):
            return "normal distribution"
        return f"t distribution, {dof:.0f} degrees of freedom"

    def expanded(self, coverage: float = 0.95) -> float:
        """Return the expanded uncertainty U = k u (budget's unit)."""
        return self.k(coverage) * self.u

    def rows(self) -> list[dict[str, Any]]:
        """Return the lines for printing: each with its contribution and share of the variance.

        Lines that share an error carry the share of their sum on the first of them.
        """
        sums: dict[str, float] = {}
        for line in self.lines:
            if line.shared:
                sums[line.shared] = sums.get(line.shared, 0.0) + line.contribution
        rows = []
        for line in self.lines:
            whole = sums.pop(line.shared, 0.0) if line.shared else line.contribution
            share = (whole / self.u) ** 2 if self.u > 0 else 0.0
            row = {"contribution": line.contribution, "variance_share": share}
            rows.append(to_plain(line) | row)
        return rows

    def adding(self, *lines: Line) -> Budget:
        """Return the budget with further lines."""
        return replace(self, lines=self.lines + lines)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return to_plain(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Budget:
        """Build from plain values; ValueError names key, expected and found."""
        return from_plain(cls, plain)


def merged(groups: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    """Return the sentences of several tuples once each, in order."""
    return tuple(dict.fromkeys(sentence for group in groups for sentence in group))
