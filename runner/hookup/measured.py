"""From what the check ``earth-reference`` wrote to how the output stands to earth."""

from __future__ import annotations

import math
from collections.abc import Sequence

from runner.checks.scales import scale_of, valid_values
from runner.hookup.earth_reference import (
    AcPair,
    DcReadings,
    EarthReference,
    ReadingLimits,
    earth_reference,
)
from runner.metrology.last_digit import spread_within
from runner.metrology.readings import DIFFER_P
from runner.metrology.scale import Scale
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["TERMINALS", "earth_measured"]

TERMINALS = ("plus", "minus")
SPREAD_SHARE = 0.54
"""95 % limit of the mean of five readings as a share of their range: t(4) = 2.776 over the
expected range 2.326 σ and √5 (tables of Student's t and of the range; from memory)."""
LINE_WANDER = 0.01
"""What the line voltage may change between two alternating readings (common practice)."""
COVERAGE = 2.0
"""Factor from a standard uncertainty to the 95 % limits of error that the arithmetic takes."""


def earth_measured(data: CheckData) -> EarthReference:
    """Return how both terminals stand to earth; without terminals when nothing usable is there."""
    arrangement = next(iter(data.events_of("arrangement")), None)
    output = data.of("output-voltage")
    direct = {
        (terminal, bleed): data.of("earth-voltage", terminal=terminal, bleed=bleed)
        for terminal in TERMINALS
        for bleed in ("off", "on")
    }
    if arrangement is None or not all(map(valid_values, [output, *direct.values()])):
        return EarthReference()
    meter_ohms, bleed_ohms = float(arrangement["meter_ohms"]), float(arrangement["bleed_ohms"])
    scale = scale_of(data, next(one for one in output if one.valid))
    output_v = _mean(scale, output)
    alone, bled = (
        DcReadings(
            output_v, _mean(scale, direct["plus", bleed]), _mean(scale, direct["minus", bleed]),
            shunt_ohms,
            max(_spread(direct[terminal, bleed]) for terminal in TERMINALS),
            *_scatter(direct["plus", bleed], direct["minus", bleed]),
        )
        for bleed, shunt_ohms in (
            ("off", meter_ohms), ("on", 1 / (1 / meter_ohms + 1 / bleed_ohms)),
        )
    )  # fmt: skip
    limits = _limits(data, scale, output)
    try:
        return earth_reference(
            alone, bled, limits, _pairs(data, arrangement),
            frequency_hz=float(arrangement["frequency_hz"]),
        )  # fmt: skip
    except ValueError:
        return EarthReference()


def _mean(scale: Scale, readings: Sequence[Reading]) -> float:
    values = [scale.corrected(value) for value in valid_values(readings)]
    return sum(values) / len(values)


def _limits(data: CheckData, scale: Scale, output: Sequence[Reading]) -> ReadingLimits:
    values = valid_values(output)
    wander_v = max(values) - min(values)
    own_u = math.hypot(scale.noise_rms, scale.resolution_u, scale.linearity)
    alternating = [one for one in data.of("earth-ac-voltage") if one.valid]
    limits = ReadingLimits(
        offset_v=COVERAGE * (scale.offset + scale.tempco_offset),
        scatter_v=math.hypot(COVERAGE * own_u, wander_v),
    )
    if not alternating:
        return limits
    ac = scale_of(data, alternating[0])
    return ReadingLimits(
        limits.offset_v,
        limits.scatter_v,
        ac_gain=COVERAGE * (ac.gain_rel + ac.tempco_rel),
        ac_scatter=LINE_WANDER,
        ac_floor_v=COVERAGE * math.hypot(ac.offset, ac.noise_rms, ac.resolution_u),
    )


def _spread(readings: Sequence[Reading]) -> float:
    """What hum and slow settling do at most to the mean of the readings at one place, in V."""
    values = valid_values(readings)
    return SPREAD_SHARE * (max(values) - min(values))


def _scatter(
    plus: Sequence[Reading], minus: Sequence[Reading]
) -> tuple[float | None, float | None, float]:
    """Standard uncertainty of the mean of either terminal's readings in V, and its freedom.

    Both are read in the same way, so their scatter is pooled unless it differs (F test).
    """
    sets = [valid_values(one) for one in (plus, minus)]
    own = [spread_within([one]) for one in sets]
    if not all(one.dof for one in own):
        return None, None, math.inf
    pooled = [
        one.joined([other], 0.0, DIFFER_P) for one, other in zip(own, sets[::-1], strict=True)
    ]
    alike = all(one.dof == own[0].dof + own[1].dof for one in pooled)
    first, second = pooled if alike else own
    return first.mean_u, second.mean_u, float(min(first.dof, second.dof))


def _pairs(data: CheckData, arrangement: dict[str, object]) -> list[AcPair]:
    pairs = []
    for terminal in TERMINALS:
        alone = valid_values(data.of("earth-ac-voltage", terminal=terminal, bleed="off"))
        bled = valid_values(data.of("earth-ac-voltage", terminal=terminal, bleed="on"))
        if alone and bled:
            low, high, bleed = (
                float(str(arrangement[key]))
                for key in ("ac_meter_low_ohms", "ac_meter_high_ohms", "bleed_ohms")
            )
            pairs.append(AcPair(alone[-1], bled[-1], low, high, bleed))
    return pairs
