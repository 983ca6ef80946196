"""What the load-effect readings say: load effect, output resistance, bend, tail, panel ammeter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from runner.checks.indication import shown_minus_true
from runner.checks.judging import Judge
from runner.checks.scales import scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget
from runner.metrology.limit import Limit
from runner.metrology.propagate import propagate
from runner.metrology.readings import difference, mean_of_readings
from runner.metrology.repeats import mean
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["NAME", "findings", "places"]

NAME = "load-effect"
PAIRS_NEEDED = 2
LEAST_SHARE = 0.01
"""Below this share of the rated current a slope says nothing of the unit."""
RATED_SHARE = 0.94
"""Below this share of the rated current the load effect is not that of the rated load.

A load that is used up to 95 % of its rating may draw a percent less than it is set to.
"""


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Apply the limits at each voltage that was measured."""
    judge = Judge(NAME, profile)
    found: list[Finding] = []
    for set_v in places(data.readings, "set_v"):
        found += _load_effect(data, profile, judge, float(set_v))
        found += _bend(data, profile, judge, float(set_v))
        found += _tail(data, profile, judge, float(set_v))
    found += _panel(data, profile, judge)
    return found


def places(readings: Iterable[Reading], label: str) -> list[float | str]:
    """Return the values of a label in order of first appearance."""
    return list(dict.fromkeys(one.at[label] for one in readings if label in one.at))


def _load_effect(data: CheckData, profile: Profile, judge: Judge, set_v: float) -> list[Finding]:
    """Load effect from the pairs, and the output resistance with it."""
    effect = profile.limit("load-effect")
    slope = profile.limit("output-resistance")
    limit = Limit.about(0.0, effect.limit.at(set_v))
    at = f"at {set_v:.6g} V"
    budget = _paired(data, set_v)
    if isinstance(budget, str):
        return [
            judge.not_measured("load effect", "V", budget, at=at, limit=limit, source=effect.source)
        ]
    amps = _current(data, profile, set_v)
    if isinstance(amps, str):
        return [
            judge.not_measured("load effect", "V", amps, at=at, limit=limit, source=effect.source)
        ]
    budget = _with_shortfall(budget, amps, profile)
    at = f"at {set_v:.6g} V, 0 to {amps.value:.4g} A"
    reason = _mode_reason(data, set_v)
    resistance = propagate("output resistance", "Ω", lambda v, i: v / i, {"v": budget, "i": amps})
    return [
        judge.apply(budget, limit, effect.source, at=at, reason=reason),
        judge.apply(
            resistance,
            Limit.at_most(slope.limit.at(0.0)),
            slope.source,
            at=at,
            reason=reason,
        ),
    ]


def _paired(data: CheckData, set_v: float) -> Budget | str:
    """Budget of no load minus full load, or why there is none.

    Each full load is compared with the mean of the no-load readings before and after it, so
    that a steady drift leaves the difference altogether. No-load readings between two full
    loads count for both.
    """
    without: list[float] = []
    with_load: list[float] = []
    places_read: list[tuple[int, str, float]] = []
    first: Reading | None = None
    pairs = [int(float(n)) for n in places(data.of("output-voltage", set_v=set_v), "pair")]
    for pair in pairs:
        before = _valid(data, set_v, pair, "none")
        after = _valid(data, set_v, pair + 1, "none")
        full = _valid(data, set_v, pair, "full")
        if before and full:
            around = [(n, one) for n, one in ((pair, before), (pair + 1, after)) if one]
            places_read += [(n, "none", 1 / len(around)) for n, _ in around]
            places_read.append((pair, "full", -1.0))
            without.append(mean([mean(valid_values(one)) for _, one in around]))
            with_load.append(mean(valid_values(full)))
            first = first or before[0]
    if first is None or len(without) < PAIRS_NEEDED:
        return f"only {len(without)} pair(s) of valid readings, {PAIRS_NEEDED} needed" + _why(data)
    shares: dict[tuple[int, str], float] = {}
    for number, load, share in places_read:
        shares[number, load] = shares.get((number, load), 0.0) + share / len(without)
    groups = [valid_values(_valid(data, set_v, *place)) for place in shares]
    scale = scale_of(data, first)
    return difference(
        "load effect", without, with_load, scale, groups=groups, shares=[*shares.values()]
    )


def _valid(data: CheckData, set_v: float, pair: int, load: str) -> list[Reading]:
    found = data.of("output-voltage", set_v=set_v, pair=pair, load=load)
    return [one for one in found if one.valid]


def _why(data: CheckData) -> str:
    reasons = dict.fromkeys(one.reason for one in data.readings if one.reason)
    return f" ({'; '.join(map(str, reasons))})" if reasons else ""


def _current(data: CheckData, profile: Profile, set_v: float) -> Budget | str:
    readings = [one for one in data.of("load-current", set_v=set_v, load="full") if one.valid]
    values = valid_values(readings)
    if not values:
        return "the load gave no valid reading of its current" + _why(data)
    if mean(values) < LEAST_SHARE * profile.unit.current.high:
        return f"the load took no more than {mean(values):.3g} A"
    return mean_of_readings("load current", values, scale_of(data, readings[0]))


def _with_shortfall(budget: Budget, amps: Budget, profile: Profile) -> Budget:
    rated_a = profile.unit.current.high
    if amps.value >= RATED_SHARE * rated_a:
        return budget
    said = f"the load took {amps.value:.3g} A, the rated current is {rated_a:g} A"
    return replace(budget, caveats=(*budget.caveats, said))


def _mode_reason(data: CheckData, set_v: float) -> str:
    modes = {event["mode"] for event in data.events_of("mode") if event["set_v"] == set_v}
    words = {
        "cc": "the unit says that it no longer holds its voltage: current limit, or dropout",
        "tripped": "the load's protection acted",
        "low": "the output sags under load: dropout, a winding that is not switched in, or the"
        " current limit",
        "off": "the unit switched its output off",
    }
    return "; ".join(words[mode] for mode in sorted(modes & words.keys()))


def _bend(data: CheckData, profile: Profile, judge: Judge, set_v: float) -> list[Finding]:
    """Largest distance of the load line from the chord between no load and full load.

    A resistance gives a straight line; a knee (dropout, current limit) bends it.
    """
    effect = profile.limit("load-effect")
    limit = Limit.about(0.0, effect.limit.at(set_v))
    shares = [float(s) for s in places(data.of("output-voltage", set_v=set_v), "share")]
    means = {share: _mean(data, set_v, share, shares) for share in shares}
    known = {share: budget for share, budget in means.items() if budget is not None}
    if 0.0 not in known or 1.0 not in known or len(known) < 3:
        if not shares:
            return []
        why = "the load line lacks valid readings" + _why(data)
        return [judge.not_measured("bend of the load line", "V", why, at=f"at {set_v:.6g} V")]

    def off_chord(v: float, v0: float, v1: float, s: float) -> float:
        return v - (1 - s) * v0 - s * v1

    ends = known[0.0].value, known[1.0].value
    inner = [share for share in known if 0 < share < 1]
    worst = max(inner, key=lambda s: abs(off_chord(known[s].value, *ends, s)))
    budget = propagate(
        "bend of the load line",
        "V",
        lambda v, v0, v1: off_chord(v, v0, v1, worst),
        {"v": known[worst], "v0": known[0.0], "v1": known[1.0]},
    )
    at = f"at {set_v:.6g} V, {worst:.0%} of full load"
    return [judge.apply(budget, limit, effect.source, at=at, reason=_mode_reason(data, set_v))]


def _mean(data: CheckData, set_v: float, share: float, shares: Sequence[float]) -> Budget | None:
    """Output at one load; all loads are read in the same way on one range, so they scatter alike.

    One that scatters more than the others (a limit that acts, dropout) counts by itself.
    """
    readings = [r for r in data.of("output-voltage", set_v=set_v, share=share) if r.valid]
    if not readings:
        return None
    scale = scale_of(data, readings[0])
    others = (data.of("output-voltage", set_v=set_v, share=s) for s in shares if s != share)
    alike = [valid_values(some) for some in others]
    return mean_of_readings("output voltage", valid_values(readings), scale, alike=alike)


def _tail(data: CheckData, profile: Profile, judge: Judge, set_v: float) -> list[Finding]:
    """Change from just after the load step to a minute later; judged as drift."""
    soon = [r for r in data.of("output-voltage", set_v=set_v, tail="at once") if r.valid]
    later = [r for r in data.of("output-voltage", set_v=set_v, tail="later") if r.valid]
    if not data.of("output-voltage", set_v=set_v, tail="at once"):
        return []
    drift = profile.limit("drift")
    limit = Limit.about(0.0, drift.limit.at(set_v))
    what, at = "thermal tail of the load effect, one minute", f"at {set_v:.6g} V"
    if not soon or not later:
        why = "no valid readings" + _why(data)
        return [judge.not_measured(what, "V", why, at=at, limit=limit, source=drift.source)]
    budget = difference(
        what, valid_values(later), valid_values(soon), scale_of(data, soon[0]), paired=False,
        alike=_read_alike(data, set_v, soon[0]),
    )  # fmt: skip
    return [judge.apply(budget, limit, f"limit of drift: {drift.source}", at=at)]


def _read_alike(data: CheckData, set_v: float, as_this: Reading) -> list[list[float]]:
    """The readings of the pairs and of the load line on one scale, in groups by place."""
    groups: dict[tuple[tuple[str, float | str], ...], list[Reading]] = {}
    for one in data.of("output-voltage", set_v=set_v):
        same = (one.instrument, one.range) == (as_this.instrument, as_this.range)
        if one.valid and same and "tail" not in one.at:
            groups.setdefault(tuple(one.at.items()), []).append(one)
    return [valid_values(group) for group in groups.values()]


def _panel(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Panel ammeter against the load's own reading, where the panel can be read."""
    limits = profile.limit("panel-current")
    found = []
    voltages = places(data.of("panel-current"), "set_v")
    for panel in data.of("panel-current"):
        if "share" not in panel.at:
            continue
        set_v, share = float(panel.at["set_v"]), float(panel.at["share"])
        if set_v != voltages[0]:
            continue  # once is enough: the current is the same at every voltage
        at = f"at {share:.0%} of full load, {set_v:.6g} V"
        reference = [r for r in data.of("load-current", set_v=set_v, share=share) if r.valid]
        if panel.value is None or not reference:
            why = panel.reason or "no valid reading of the load's current"
            found.append(judge.not_measured("panel ammeter error", "A", why, at=at))
            continue
        true = mean_of_readings(
            "panel ammeter error", valid_values(reference), scale_of(data, reference[0])
        )
        limit = Limit.about(0.0, limits.limit.at(true.value))
        error = shown_minus_true("panel ammeter error", panel.value, true)
        found.append(judge.apply(error, limit, limits.source, at=at))
    return found
