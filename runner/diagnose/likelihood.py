"""How well each cause, alone or with another, explains all features together.

P(state | cause) comes from three layers, each the prior of the next: what a healthy unit of this
kind shows, mixed with the states that the written table expects (physics and common practice); the
counts of simulated runs with this cause; those of runs on this kind of unit. A count of
``TRUST`` runs weighs as much as the layer below. Features of one fault go together; each logarithm
is weighed by ``Fitted.weights`` and the sum divided by ``Fitted.temperature``, found by
cross-validation, so that five signs of one thing do not count as five proofs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from runner.diagnose.causes import HEALTHY, Cause, load_causes
from runner.diagnose.failures import FAILURES
from runner.diagnose.feature import EITHER, FURTHER, Feature
from runner.diagnose.fitted import Fitted

__all__ = [
    "BAD_LUCK", "NONE_FITS", "Ranking", "StateTable", "expected", "probabilities", "together",
]  # fmt: skip

NONE_FITS, BAD_LUCK = "none-of-these", "bad-luck"
SHOWN, MAY = 0.85, 0.6
"""Part of the runs in which a cause brings a state it is expected to, or may, bring."""
TRUST, TRUST_KIND = 4.0, 6.0
LEAST_P = 0.001
"""What a state that a cause was never seen to bring may have."""
ODD_SHARE = 0.05
"""Part of the readings of a unit that its cause does not account for: they are as any cause brings
them. Without it one odd sign among forty outweighs all others."""
NONE_PRIOR, LUCK_PRIOR, STRAYS_P = 0.02, 1.0, 0.03
NEAR = "near"
NEAR_P, NEAR_ONLY_P = 0.03, 0.05
"""Bad luck strikes one of some thirty features; a fault seldom fails nothing clearly."""
PAIR_PRIOR = 0.003
"""Prior of a second cause beside the first: one fault is the rule (common practice). At 0.02
four of 72 simulated units with one fault were given a second one, at 0.001 two."""
PAIRED = 6
"""How many of the causes that explain most alone are paired with every other."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """Probability that each cause is present, and the pairs worth naming."""

    present: dict[str, float]
    pairs: list[tuple[str, str, float]]


@dataclass(slots=True)
class StateTable:
    """Probabilities of the states of features for one kind of unit, kept once computed."""

    fitted: Fitted
    kind: str
    _known: dict[tuple[str, str], dict[str, float]] = field(default_factory=dict)
    _joint: dict[tuple[str, str, str], dict[str, float]] = field(default_factory=dict)
    _any: dict[str, dict[str, float]] = field(default_factory=dict)

    def of(self, cause: Cause | None, feature: str) -> dict[str, float]:
        """P(state | cause) of all states of a feature; of a healthy unit for ``None``."""
        key = (cause.name if cause else "", feature)
        if key not in self._known:
            healthy = self._healthy(feature) if cause is None else self.of(None, feature)
            self._known[key] = healthy if cause is None else self._of(cause, feature, healthy)
        return self._known[key]

    def knows(self, feature: str, state: str) -> bool:
        """Whether a state, or each of those that are not told apart, is in the table."""
        return set(state.split(EITHER)) <= set(self.of(None, feature))

    def p(self, cause: Cause | None, feature: str, state: str) -> float:
        """P(state | cause), never below what a state not seen so far may have."""
        least = NEAR_P if cause is None and state == NEAR else LEAST_P
        return self.odd(feature, state, max(_share(self.of(cause, feature), state), least))

    def odd(self, feature: str, state: str, p: float) -> float:
        """``p`` with the ``ODD_SHARE`` of readings that are as any cause brings them."""
        return (1.0 - ODD_SHARE) * p + ODD_SHARE * _share(self.any_cause(feature), state)

    def any_cause(self, feature: str) -> dict[str, float]:
        """States that any of the causes brings, each as often as the other."""
        if feature not in self._any:
            rows = [self.of(cause, feature) for cause in load_causes()]
            self._any[feature] = {s: sum(r[s] for r in rows) / len(rows) for s in rows[0]}
        return self._any[feature]

    def both(self, a: Cause, b: Cause, feature: str) -> dict[str, float]:
        """P(state) when both causes are there, see :func:`together`."""
        key = (a.name, b.name, feature)
        if key not in self._joint:
            of_a, of_b = self.of(a, feature), self.of(b, feature)
            self._joint[key] = together(of_a, of_b, self.of(None, feature))
        return self._joint[key]

    def weight(self, feature: str) -> float:
        """What a logarithm of this feature counts."""
        return self.fitted.weights.get(feature, 1.0) / self.fitted.temperature

    def _healthy(self, feature: str) -> dict[str, float]:
        states = sorted(_words(feature) | set(self.fitted.states(feature)))
        calm = [s for s in states if s in HEALTHY] or states
        base = {s: (0.95 / len(calm) if s in calm else 0.0) + 0.05 / len(states) for s in states}
        base = _learnt(base, self.fitted.counts("", feature, None), TRUST)
        return _learnt(base, self.fitted.counts("", feature, self.kind), TRUST_KIND)

    def _of(self, cause: Cause, feature: str, healthy: Mapping[str, float]) -> dict[str, float]:
        base = expected(cause, feature, healthy)
        base = _learnt(base, self.fitted.counts(cause.name, feature, None), TRUST)
        return _learnt(base, self.fitted.counts(cause.name, feature, self.kind), TRUST_KIND)


def _share(row: Mapping[str, float], state: str) -> float:
    """P of a state; of several that the readings do not tell apart, their sum."""
    return sum(row.get(one, 0.0) for one in state.split(EITHER))


def _words(feature: str) -> set[str]:
    """States that the written table names for a feature, and a healthy unit's."""
    rows = [one.get(feature, ()) for c in load_causes() for one in (c.shows, c.may)]
    words = {word for row in rows for word in row}
    if feature in FAILURES:
        words |= {w + more for w in words & {"bad", "low", "high"} for more in FURTHER}
    return words | {NEAR} | ({"ok"} if not words & HEALTHY else set())


def expected(cause: Cause, feature: str, healthy: Mapping[str, float]) -> dict[str, float]:
    """Prior of a cause's states: those of the written table, else what a healthy unit shows."""
    found = dict(healthy)
    for words, share in ((cause.may.get(feature), MAY), (cause.shows.get(feature), SHOWN)):
        named = [s for s in healthy if any(s == w or s.startswith(f"{w} ") for w in words or ())]
        for state in found if named else ():
            part = share / len(named) if state in named else 0.0
            found[state] = part + (1 - share) * found[state]
    return found


def _learnt(base: Mapping[str, float], seen: Mapping[str, int], trust: float) -> dict[str, float]:
    total = sum(seen.values()) + trust
    return {s: (seen.get(s, 0) + trust * p) / total for s, p in base.items()}


def together(
    a: Mapping[str, float], b: Mapping[str, float], healthy: Mapping[str, float]
) -> dict[str, float]:
    """States of two causes at once: of the two signs the one less usual in a healthy unit shows."""
    usual = sorted(healthy, key=lambda s: -healthy[s])
    below_a = below_b = 0.0
    found = {}
    for state in usual:
        p, q = a.get(state, 0.0), b.get(state, 0.0)
        found[state] = p * (below_b + q) + q * below_a
        below_a, below_b = below_a + p, below_b + q
    return found


def probabilities(
    causes: Sequence[Cause],
    features: Mapping[str, Feature],
    table: StateTable,
    *,
    strays: int,
    near: int,
) -> Ranking:
    """Weigh single causes, pairs of them, bad luck and none of these.

    :param strays: failures clearly outside their limits
    :param near: failures within their uncertainty of the limit
    """
    seen = {n: f.state for n, f in features.items() if table.knows(n, f.state)}
    clear = math.log(1.0 if strays else NEAR_ONLY_P)
    scores: dict[tuple[str, ...], float] = {
        (c.name,): _score(table, c, seen) + math.log(c.prior) + clear for c in causes
    }
    by_score = sorted(causes, key=lambda c: -scores[(c.name,)])
    firsts = enumerate(by_score[:PAIRED], start=1)
    for a, b in ((a, b) for place, a in firsts for b in by_score[place:]):
        prior = math.log(PAIR_PRIOR * a.prior * b.prior) + clear
        scores[(a.name, b.name)] = prior + _both(table, a, b, seen)
    scores[(NONE_FITS,)] = math.log(NONE_PRIOR) + clear + _none(table, seen)
    if near:
        luck = math.log(LUCK_PRIOR) + strays * math.log(STRAYS_P)
        scores[(BAD_LUCK,)] = luck + _score(table, None, seen)
    return _normalised(scores, table.fitted.reach)


def _score(table: StateTable, cause: Cause | None, seen: Mapping[str, str]) -> float:
    return sum(
        table.weight(name) * math.log(table.p(cause, name, state)) for name, state in seen.items()
    )


def _both(table: StateTable, a: Cause, b: Cause, seen: Mapping[str, str]) -> float:
    total = 0.0
    for name, state in seen.items():
        p = max(_share(table.both(a, b, name), state), LEAST_P)
        total += table.weight(name) * math.log(table.odd(name, state, p))
    return total


def _none(table: StateTable, seen: Mapping[str, str]) -> float:
    """An unknown cause brings in each feature what any of the known ones brings, independently."""
    total = 0.0
    for name, state in seen.items():
        apart = len(state.split(EITHER)) / len(table.of(None, name))
        p = 0.7 * _share(table.any_cause(name), state) + 0.3 * apart
        total += table.weight(name) * math.log(p)
    return total


def _normalised(scores: Mapping[tuple[str, ...], float], reach: float) -> Ranking:
    """Probabilities; what is left of one by ``reach`` is for what no simulated unit shows."""
    top = max(scores.values())
    weights = {names: math.exp(score - top) for names, score in scores.items()}
    total = sum(weights.values()) / reach
    present: dict[str, float] = {}
    for names, weight in weights.items():
        for name in names:
            present[name] = present.get(name, 0.0) + weight / total
    pairs = [(n[0], n[1], w / total) for n, w in weights.items() if len(n) == 2 and w > 0.1 * total]
    return Ranking(dict(sorted(present.items(), key=lambda item: -item[1])), pairs)
