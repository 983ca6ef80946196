"""Readings in several runs (passes, days): do the runs differ, and what is their mean worth.

One-way analysis of variance as in GUM H.5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from runner.metrology.budget import Line
from runner.metrology.repeats import checked, mean, standard_deviation

__all__ = ["Runs", "compare_runs", "compare_summaries"]


@dataclass(frozen=True)
class Runs:
    """J runs of K readings each; quantities in the unit of the readings.

    `between` is sqrt(K) times the standard deviation of the run means, `within` the pooled
    standard deviation in a run; `f` is the ratio of their squares and `p` the chance of one so
    large when the runs do not differ (infinite `f` and zero `p` when nothing scatters within).
    """

    count: int
    size: int
    mean: float
    between: float
    within: float
    f: float
    p: float

    @property
    def differ(self) -> bool:
        """Whether the runs differ at the 5 % level."""
        return self.p < 0.05

    @property
    def between_component(self) -> float:
        """Standard deviation of what changes from run to run (GUM H.28)."""
        return math.sqrt(max(0.0, self.between**2 - self.within**2) / self.size)

    def line(self, name: str, unit: str) -> Line:
        """Return the type A line of the mean: from the run means when runs differ, else pooled."""
        total = self.count * self.size
        if self.differ:
            u, dof, said = self.between / math.sqrt(total), self.count - 1, "the runs differ"
        else:
            freedom = (self.count - 1, self.count * (self.size - 1))
            squares = freedom[0] * self.between**2 + freedom[1] * self.within**2
            u, dof = math.sqrt(squares / sum(freedom) / total), sum(freedom)
            said = "the runs do not differ"
        source = f"{self.count} runs of {self.size}; {said} (p = {self.p:.2g})"
        return Line(name, "A", u, self.mean, unit, dof, 1.0, "t", source)


def compare_runs(runs: Sequence[Sequence[float]]) -> Runs:
    """Compare runs of equal size, at least two of at least two readings; else ValueError."""
    rows = [checked(f"runs[{i}]", run, at_least=2) for i, run in enumerate(runs)]
    sizes = {len(row) for row in rows}
    if len(sizes) > 1:
        raise ValueError(f"runs: expected the same number of readings in each, found {sizes}")
    means, spreads = [mean(row) for row in rows], [standard_deviation(row) for row in rows]
    return compare_summaries(means, spreads, sizes.pop() if sizes else 0)


def compare_summaries(means: Sequence[float], spreads: Sequence[float], size: int) -> Runs:
    """Compare runs of `size` readings known by mean and standard deviation."""
    centres = checked("means", means, at_least=2)
    widths = checked("spreads", spreads, at_least=2)
    if len(widths) != len(centres) or size < 2 or min(widths) < 0:
        raise ValueError(
            f"spreads: expected {len(centres)} standard deviations of 2 or more readings, "
            f"found {widths} of {size}"
        )
    between = math.sqrt(size) * standard_deviation(centres)
    within = math.hypot(*widths) / math.sqrt(len(widths))
    count = len(centres)
    f, p = _f_test(between, within, count - 1, count * (size - 1))
    return Runs(count, size, mean(centres), between, within, f, p)


def _f_test(
    between: float, within: float, dof_between: int, dof_within: int
) -> tuple[float, float]:
    from scipy.special import fdtrc

    if within <= 1e-100 * between:
        return (0.0, 1.0) if between == 0 else (math.inf, 0.0)
    f = (between / within) ** 2
    return f, float(fdtrc(dof_between, dof_within, f))
