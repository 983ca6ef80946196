"""How well each cause, alone or with another, explains all features together.

A cause predicts each feature's state. P(state) is ``SHOWN`` when it is expected, ``MAY`` when it
is possible, ``HEALTHY_P`` when nothing is expected and the state is a healthy unit's; the rest is
shared by the states that are not. Severity is not known, so a table of states stands for the
integral over it. Features of one fault go together; the sum of their logarithms is divided by
``TEMPERATURE`` so that five signs of one thing do not count as five proofs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations

from runner.diagnose.causes import HEALTHY, Cause
from runner.diagnose.features import Feature

__all__ = ["BAD_LUCK", "HEALTHY_P", "NONE_FITS", "probabilities", "state_p"]

NONE_FITS, BAD_LUCK = "none-of-these", "bad-luck"
SHOWN, MAY, HEALTHY_P = 0.85, 0.45, 0.975
TEMPERATURE = 1.5
PAIR_PRIOR = 0.02
"""Prior of a second cause beside the first (common practice: one fault is the rule)."""
NONE_PRIOR = 0.3
NONE_P = 0.3
STRAYS_P = 0.03
PAIRED = 10


def state_p(cause: Cause, name: str, state: str) -> float:
    """Probability of this feature's state when the unit has this cause alone."""
    shown, may = cause.shows.get(name, []), cause.may.get(name, [])
    if state in shown:
        return SHOWN / (1 if len(shown) == 1 else 1.2)
    if state in may:
        return MAY
    healthy = state in HEALTHY
    if shown:
        return 0.05 if healthy else 0.02
    if may:
        return 1 - MAY if healthy else 0.03
    return HEALTHY_P if healthy else 1 - HEALTHY_P


def _log(p: float) -> float:
    return math.log(p) / TEMPERATURE


def _alone(cause: Cause, features: Mapping[str, Feature]) -> float:
    return math.log(cause.prior) + sum(
        _log(state_p(cause, name, one.state)) for name, one in features.items()
    )


def _both(a: Cause, b: Cause, features: Mapping[str, Feature]) -> float:
    """Two at once: each sign may come from either; a sign is missing only if both lack it."""
    total = math.log(PAIR_PRIOR * a.prior * b.prior)
    for name, one in features.items():
        p, q = (state_p(c, name, one.state) for c in (a, b))
        total += _log(min(p, q) if one.state in HEALTHY else max(p, q))
    return total


def _bad_luck(features: Mapping[str, Feature], strays: int, near: int) -> float:
    """A healthy unit: failures within the uncertainty happen, clear ones hardly ever."""
    if not near:
        return -math.inf
    calm = sum(_log(HEALTHY_P) for one in features.values() if one.state in HEALTHY)
    return calm + strays * _log(STRAYS_P) + _log(0.5)


def _none(features: Mapping[str, Feature]) -> float:
    p = {True: 1 - NONE_P, False: NONE_P}
    return math.log(NONE_PRIOR) + sum(_log(p[f.state in HEALTHY]) for f in features.values())


def probabilities(
    causes: Sequence[Cause], features: Mapping[str, Feature], *, strays: int, near: int
) -> tuple[dict[str, float], list[tuple[str, str, float]]]:
    """Probability that each cause is present, and the pairs worth naming.

    :param strays: failures clearly outside their limits
    :param near: failures within their uncertainty of the limit
    """
    scores: dict[tuple[str, ...], float] = {(c.name,): _alone(c, features) for c in causes}
    by_score = sorted(causes, key=lambda c: -scores[(c.name,)])
    seeds = by_score[:PAIRED]
    for a, b in combinations(seeds, 2):
        scores[(a.name, b.name)] = _both(a, b, features)
    scores[(NONE_FITS,)] = _none(features)
    scores[(BAD_LUCK,)] = _bad_luck(features, strays, near)
    top = max(scores.values())
    weights = {names: math.exp(score - top) for names, score in scores.items()}
    total = sum(weights.values())
    present: dict[str, float] = {}
    for names, weight in weights.items():
        for name in names:
            present[name] = present.get(name, 0.0) + weight / total
    pairs = [(n[0], n[1], w / total) for n, w in weights.items() if len(n) == 2 and w > 0.1 * total]
    return dict(sorted(present.items(), key=lambda item: -item[1])), pairs
