"""What the ripple readings say: rms with the floor taken off, peak to peak, share at mains."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from runner.checks.judging import Judge
from runner.checks.ripple_pick_up_findings import earthed_findings, picked_up, shorted_findings
from runner.checks.scales import scope_scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.scope_budgets import less_floor, scope_pp, scope_rms
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["LIGHT", "NAME", "findings", "pp_budget", "rms_budget"]

NAME = "ripple"
LIGHT = 0.1
RECORDS_NEEDED = 8
FLOOR_REMEDY = "a 10:1 probe multiplies the scope's own noise by ten: use a 1:1 lead or coax"


@dataclass(frozen=True, slots=True)
class Place:
    """One output voltage and load."""

    point: str
    set_v: float
    share: float
    load_a: float

    @property
    def words(self) -> str:
        """The place as a finding names it."""
        return f"{self.point}, {self.set_v:.6g} V, {self.load_a:.3g} A"


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Rms and peak to peak at each place, and the half-wave component over all places."""
    judge = Judge(NAME, profile)
    rms = profile.limit("ripple-rms")
    pp = profile.limit("ripple-pp")
    found = []
    places = _places(data)
    for place in places:
        reason = _cause(data, profile, place)
        rms_limit = Limit.at_most(rms.limit.at(place.set_v))
        budget, floor = rms_budget(data, place.set_v, place.load_a)
        what = "ripple and noise, rms"
        if isinstance(budget, str):
            found.append(
                judge.not_measured(
                    what, "V", budget, at=place.words, limit=rms_limit, source=rms.source
                )
            )
        else:
            found.append(
                judge.apply(
                    budget, rms_limit, rms.source, at=place.words, floor=floor, reason=reason
                )
            )
        pp_limit = Limit.at_most(pp.limit.at(place.set_v))
        budget, floor = pp_budget(data, place.set_v, place.load_a)
        what = "ripple and noise, peak to peak"
        if isinstance(budget, str):
            found.append(
                judge.not_measured(
                    what, "V", budget, at=place.words, limit=pp_limit, source=pp.source
                )
            )
        else:
            found.append(
                judge.apply(budget, pp_limit, pp.source, at=place.words, floor=floor, reason=reason)
            )
    found += _half_wave(data, profile, judge, places)
    return found + earthed_findings(data, profile, judge) + shorted_findings(data, profile, judge)


def _places(data: CheckData) -> list[Place]:
    at = [r.at for r in data.of("ripple-pp")]
    found = [
        Place(str(a["point"]), float(a["set_v"]), float(a["share"]), float(a["load_a"])) for a in at
    ]
    return list(dict.fromkeys(found))


def _enough(readings: Sequence[Reading], needed: int) -> str | None:
    """Why these readings are too few to be judged; None when they are enough."""
    valid = [one for one in readings if one.valid]
    if len(valid) >= min(needed, max(1, len(readings))) and valid:
        return None
    reasons = "; ".join(dict.fromkeys(str(one.reason) for one in readings if not one.valid))
    return f"only {len(valid)} of {len(readings)} records are good" + f" ({reasons})" * bool(
        reasons
    )


def _floor_of(data: CheckData, quantity: str, span_v: float | None) -> list[Reading]:
    return [one for one in data.of(quantity) if one.valid and one.range == span_v]


def rms_budget(data: CheckData, set_v: float, load_a: float) -> tuple[Budget | str, float | None]:
    """Return the rms budget with the floor taken off, and the floor, both in V.

    The floor that is taken off is that with the output off; the one returned, by which a figure
    may be refused, is the larger of it and of what shorted leads pick up.
    """
    readings = data.of("ripple-rms", set_v=set_v, load_a=load_a)
    why = _enough(readings, RECORDS_NEEDED)
    if why is not None:
        return why, None
    valid = [one for one in readings if one.valid]
    scale = scope_scale_of(
        data, valid[0].instrument, float(valid[0].range or 0.0), float(valid[0].at["probe"])
    )
    seen = scope_rms("ripple and noise, rms", valid_values(valid), scale)
    floor = valid_values(_floor_of(data, "floor-rms", valid[0].range))
    if not floor:
        return "the bench's own floor was not measured on this range", None
    own = scope_rms("floor", floor, scale)
    worst_v = max(own.value, picked_up(data, "rms") or 0.0)
    return less_floor("ripple and noise, rms", seen, own), worst_v


def pp_budget(data: CheckData, set_v: float, load_a: float) -> tuple[Budget | str, float | None]:
    """Return the budget of the largest peak to peak (floor not taken off), and the floor, V."""
    readings = data.of("ripple-pp", set_v=set_v, load_a=load_a)
    why = _enough(readings, RECORDS_NEEDED)
    if why is not None:
        return why, None
    valid = [one for one in readings if one.valid]
    scale = scope_scale_of(
        data, valid[0].instrument, float(valid[0].range or 0.0), float(valid[0].at["probe"])
    )
    floor = valid_values(_floor_of(data, "floor-pp", valid[0].range))
    what = "ripple and noise, peak to peak"
    budget = scope_pp(what, valid_values(valid), scale, floor_pp_v=floor)
    floor += [one for one in (picked_up(data, "pp"),) if one is not None]
    return budget, max(floor) if floor else None


def _amplitude(data: CheckData, quantity: str, set_v: float, load_a: float) -> Reading | None:
    found = [one for one in data.of(quantity, set_v=set_v, load_a=load_a) if one.valid]
    return found[0] if found else None


def _cause(data: CheckData, profile: Profile, place: Place) -> str:
    """What the spectrum says of the ripple's origin, in words."""
    mains_hz = profile.unit.mains.frequency_hz
    one = _amplitude(data, "ripple-f", place.set_v, place.load_a)
    two = _amplitude(data, "ripple-2f", place.set_v, place.load_a)
    words = []
    if one is not None and two is not None and one.value is not None and two.value is not None:
        seen = f"{1e3 * one.value:.3g} mV at {mains_hz:g} Hz, {1e3 * two.value:.3g} mV at twice it"
        if one.value > two.value:
            words.append(f"{seen}: one half-wave is missing, or hum is picked up")
        elif two.value > 0:
            words.append(f"{seen}: reservoir, or too little raw voltage, if it grows with load")
    modes = [e["mode"] for e in data.events_of("mode")
             if e["set_v"] == place.set_v and e["load_a"] == place.load_a]  # fmt: skip
    if "low" in modes:
        words.append("the output sags: dropout")
    if "cc" in modes:
        words.append("the unit says that it no longer holds its voltage")
    probes = {float(r.at["probe"]) for r in data.of("ripple-pp", set_v=place.set_v)}
    if max(probes, default=1.0) >= 10:
        words.append(FLOOR_REMEDY)
    return "; ".join(words)


def _half_wave(
    data: CheckData, profile: Profile, judge: Judge, places: Sequence[Place]
) -> list[Finding]:
    """Component at the mains frequency that grows with load: a rectifier path that is open.

    What does not grow with load is pick-up or an earth loop, hence the difference. It must stay
    below the component at twice the mains, or below a share of the rms limit.
    """
    half_wave = profile.limit("ripple-half-wave")
    source = half_wave.source
    what = f"component at {profile.unit.mains.frequency_hz:g} Hz that grows with load"
    rms_v = profile.limit("ripple-rms").limit.at(profile.unit.voltage.high)
    least_v = math.sqrt(2) * half_wave.limit.at(rms_v)
    worst: tuple[float, Budget, Limit, str] | None = None
    for full in (place for place in places if place.share > LIGHT):
        light = next((p for p in places if p.share == LIGHT and p.set_v == full.set_v), None)
        one = _amplitude(data, "ripple-f", full.set_v, full.load_a)
        two = _amplitude(data, "ripple-2f", full.set_v, full.load_a)
        few = _amplitude(data, "ripple-f", full.set_v, light.load_a) if light else None
        if one is None or two is None or few is None:
            continue
        budget = _growth(data, what, one, few)
        limit = Limit.at_most(max(least_v, two.value or 0.0))
        excess = budget.value / limit.room
        if worst is None or excess > worst[0]:
            worst = (excess, budget, limit, full.words)
    if worst is None:
        if not any(place.share == LIGHT for place in places):
            return []
        why = "the component could not be fitted at both loads"
        return [judge.not_measured(what, "V", why, source=source)]
    reason = "one half-wave is missing: a rectifier diode or its path is open"
    return [judge.apply(worst[1], worst[2], source, at=worst[3], reason=reason)]


def _growth(data: CheckData, what: str, full: Reading, light: Reading) -> Budget:
    scale = scope_scale_of(data, full.instrument, float(full.range or 0.0), float(full.at["probe"]))
    value = (full.value or 0.0) - (light.value or 0.0)
    lines = (
        Line.from_limit(
            f"gain of {scale.name}", scale.gain_rel * abs(value), form=scale.coverage,
            value=value, unit="V", source=scale.source,
        ),
        Line("fit at full load", "B", full.u or 0.0, full.value or 0.0, "V"),
        Line("fit at light load", "B", light.u or 0.0, light.value or 0.0, "V"),
    )  # fmt: skip
    return Budget(what, "V", value, lines, scale.caveats)
