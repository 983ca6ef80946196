"""Counts of simulated runs: how often each cause brought each state of each feature.

``fitted.json`` holds them by feature, cause (empty for a unit without fault), kind of unit and
state, with how it was made; ``python -m tests.diagnose.prove`` makes it again.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.diagnose.feature import EITHER
from runner.profile import Profile

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Fitted", "Run", "fit", "kind_of", "load_fitted", "weights_of"]

Run = tuple[str, str, Mapping[str, str]]
"""One simulated run: its cause (empty for none), the kind of its unit, state by feature."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """The counts, and the temperature that cross-validation gave."""

    runs: int
    temperature: float
    table: dict[str, dict[str, dict[str, dict[str, int]]]]
    """Feature, cause, kind, state: number of runs."""
    weights: dict[str, float] = field(default_factory=dict)
    """What a feature counts beside those that say the same, see :func:`weights_of`."""
    reach: float = 1.0
    """Highest probability that is stated: how often sure answers were right."""
    made: dict[str, Any] = field(default_factory=dict)

    def states(self, feature: str) -> list[str]:
        """All states of a feature that any run showed."""
        by_cause = self.table.get(feature, {}).values()
        return sorted({s for kinds in by_cause for states in kinds.values() for s in states})

    def counts(self, cause: str, feature: str, kind: str | None) -> Mapping[str, int]:
        """Runs by state, of one kind of unit or (``None``) of all."""
        kinds = self.table.get(feature, {}).get(cause, {})
        if kind is not None:
            return kinds.get(kind, {})
        total: Counter[str] = Counter()
        for states in kinds.values():
            total.update(states)
        return total


def fit(runs: Iterable[Run], temperature: float, **made: Any) -> Fitted:
    """Count the states of these runs, as far as the readings tell them apart."""
    table: dict[str, dict[str, dict[str, dict[str, int]]]] = {}
    known = [(c, k, {f: s for f, s in states.items() if EITHER not in s}) for c, k, states in runs]
    for cause, kind, states in known:
        for feature, state in states.items():
            row = table.setdefault(feature, {}).setdefault(cause, {}).setdefault(kind, {})
            row[state] = row.get(state, 0) + 1
    return Fitted(len(known), temperature, table, weights_of([run[2] for run in known]), made=made)


def weights_of(runs: Sequence[Mapping[str, str]]) -> dict[str, float]:
    """Weight of each feature: 1 over the sum of what it shares with each feature, itself too.

    Shared is the mutual information over the root of both entropies, from 0 to 1 (Strehl and
    Ghosh 2002, from memory), less the bias of counting few runs, (r - 1)(c - 1)/2n (Miller 1955,
    from memory). Ten features that always change together so count as one.
    """
    import numpy as np

    names = sorted({name for states in runs for name in states})
    codes = np.array([_codes([states.get(name) for states in runs]) for name in names])
    shared = dict.fromkeys(names, 1.0)
    for i, a in enumerate(names):
        for j in range(i + 1, len(names)):
            both = (codes[i] >= 0) & (codes[j] >= 0)
            part = _shared(codes[i][both], codes[j][both])
            shared[a] += part
            shared[names[j]] += part
    return {name: round(1.0 / total, 4) for name, total in shared.items()}


def _codes(states: Sequence[str | None]) -> list[int]:
    """Number the states of a feature; -1 where it was not measured."""
    numbers = {state: n for n, state in enumerate(sorted({s for s in states if s is not None}))}
    return [-1 if state is None else numbers[state] for state in states]


def _shared(a: NDArray[np.int64], b: NDArray[np.int64]) -> float:
    h_a, left = _entropy(a)
    h_b, right = _entropy(b)
    if h_a <= 0.0 or h_b <= 0.0:
        return 0.0
    bias = (left - 1) * (right - 1) / (2.0 * a.size)
    mutual = h_a + h_b - _entropy(a * (int(b.max()) + 1) + b)[0] - bias
    return min(max(mutual / math.sqrt(h_a * h_b), 0.0), 1.0)


def _entropy(codes: NDArray[np.int64]) -> tuple[float, int]:
    """Entropy in nats, and how many states there are."""
    import numpy as np

    counts = np.bincount(codes)
    counts = counts[counts > 0]
    p = counts / max(codes.size, 1)
    return float(-(p @ np.log(p))), int(counts.size)


def kind_of(profile: Profile) -> str:
    """What sorts units whose faults show differently: how they are set, and how many windings."""
    taps = profile.tap_points
    many = 0 if taps is None or profile.unit.tap_control == "none" else len(taps.up)
    return f"{profile.unit.setting}, {min(many, 2)} tap points"


@cache
def load_fitted() -> Fitted:
    """Read the counts that come with the program."""
    text = Path(__file__).with_name("fitted.json").read_text(encoding="utf-8")
    return Fitted(**json.loads(text))
