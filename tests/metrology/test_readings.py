"""Direct readings and computed quantities against GTC and the supply terms' own arithmetic."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from scipy.stats import ttest_ind

from runner.metrology.budget import Budget, Line
from runner.metrology.bulk import difference_of_groups, mean_of_groups, reading_u
from runner.metrology.certificate import CertificateEntry
from runner.metrology.coverage import t_factor
from runner.metrology.derived import output_resistance, ratio, temperature_coefficient
from runner.metrology.propagate import propagate, read_together
from runner.metrology.readings import (
    contact_line,
    difference,
    lead_drop_line,
    mean_of_readings,
    single_reading,
)

from .outside import OUTSIDE, known, meter_scale

TERMS = OUTSIDE["supply_terms"]
NO_LOAD = [12.00003, 11.99998, 12.00001, 12.00000, 11.99999]
FULL_LOAD = [11.99402, 11.99399, 11.99400, 11.99401, 11.99398]
SCALE = meter_scale(100.0, 0.0045, 0.0006, resolution=1e-5, noise_rms=2e-5)


def _gtc(budget: Budget) -> GTC.UncertainReal:
    """Build the same sum from GTC's own uncertain numbers; shared errors are one number."""
    shared = {line.shared: GTC.ureal(0, 1) for line in budget.lines if line.shared}
    total = GTC.constant(budget.value)
    for line in budget.lines:
        error = shared[line.shared] * line.u if line.shared else GTC.ureal(0, line.u, line.dof)
        total = total + line.sensitivity * error
    return total


def _agrees(budget: Budget) -> None:
    outside = _gtc(budget)
    assert budget.value == pytest.approx(GTC.value(outside), rel=1e-12)
    assert budget.u == pytest.approx(GTC.uncertainty(outside), rel=1e-12)
    assert budget.dof == pytest.approx(GTC.dof(outside), rel=1e-9)


def test_mean_of_readings_agrees_with_gtc_type_a() -> None:
    budget = mean_of_readings("output voltage", NO_LOAD, SCALE)
    _agrees(budget)
    outside = GTC.type_a.estimate(NO_LOAD)
    assert budget.value == pytest.approx(GTC.value(outside), rel=1e-15)
    assert budget.lines[0].u == pytest.approx(GTC.uncertainty(outside), rel=1e-12)
    assert budget.lines[0].dof == GTC.dof(outside)


def test_single_reading_takes_the_scatter_of_the_sheet() -> None:
    budget = single_reading("output voltage", 12.0, SCALE)
    _agrees(budget)
    kinds = [line.kind for line in budget.lines]
    assert kinds == ["B", "B", "B"]
    # 34401A form at 12 V on 100 V: 1140 uV, u 658.2 uV; noise and digit add in squares.
    assert budget.u * 1e6 == pytest.approx(math.sqrt(658.2**2 + 20**2 + 10**2 / 12), abs=0.1)


def test_load_effect_loses_the_offset_and_counts_gain_once() -> None:
    budget = difference("load effect", NO_LOAD, FULL_LOAD, SCALE)
    _agrees(budget)
    assert budget.value * 1000 == pytest.approx(TERMS["load_effect_mv"], abs=0.01)
    pct = 100 * budget.value / TERMS["load_effect_no_load_v"]
    assert pct == pytest.approx(TERMS["load_effect_pct_of_12_v"], abs=0.0005)
    gain = next(line for line in budget.lines if "on the difference" in line.name)
    assert gain.u == pytest.approx(0.0045e-2 * 6.002e-3 / math.sqrt(3), rel=1e-3)
    # Twice 658 uV would be 930 uV: a tenth of a millivolt is provable because it leaves.
    assert budget.u < 15e-6


def test_difference_of_two_shared_readings_equals_the_difference_budget() -> None:
    up = mean_of_readings("a", [9.5], meter_scale())
    down = mean_of_readings("b", [9.1], meter_scale())
    both = propagate("a - b", "V", lambda a, b: a - b, {"a": up, "b": down})
    _agrees(both)
    assert both.u == pytest.approx(difference("a - b", [9.5], [9.1], meter_scale()).u, rel=1e-9)
    other = propagate("a + b", "V", lambda a, b: a + b, {"a": up, "b": down})
    assert other.u == pytest.approx(up.u + down.u, rel=1e-9)


def test_readings_of_unlike_sign_carry_both_limits_in_full() -> None:
    up, down = (mean_of_readings("v", [v], meter_scale()) for v in (5.0, -5.0))
    both = propagate("a - b", "V", lambda a, b: a - b, {"a": up, "b": down})
    assert both.u == pytest.approx(up.u + down.u, rel=1e-12)


def test_readings_on_two_ranges_carry_both_limits() -> None:
    low, high = meter_scale(10.0), meter_scale(100.0, 0.0045, 0.0006)
    budget = difference("step", [9.0], [12.0], low, high)
    u_low, u_high = low.components(9.0).u, high.components(12.0).u
    assert budget.u == pytest.approx(math.hypot(u_low, u_high), rel=1e-12)
    assert budget.value == -3.0


def test_unpaired_difference_pools_the_scatter_on_one_range() -> None:
    """Against scipy's two-sample interval with one spread for both (equal_var=True)."""
    budget = difference("load effect", NO_LOAD, FULL_LOAD[:4], SCALE, paired=False)
    _agrees(budget)
    line = budget.lines[0]
    interval = ttest_ind(NO_LOAD, FULL_LOAD[:4], equal_var=True).confidence_interval(0.95)
    assert line.dof == len(NO_LOAD) + 4 - 2
    assert t_factor(0.95, line.dof) * line.u == pytest.approx(
        (interval.high - interval.low) / 2, rel=1e-9
    )


def test_unpaired_difference_on_two_ranges_has_two_scatters() -> None:
    other = meter_scale(10.0)
    budget = difference("load effect", NO_LOAD, FULL_LOAD[:4], SCALE, other, paired=False)
    first, second = GTC.type_a.estimate(NO_LOAD), GTC.type_a.estimate(FULL_LOAD[:4])
    scatter = math.hypot(*(line.u for line in budget.lines[:2]))
    assert scatter == pytest.approx(GTC.uncertainty(first - second), rel=1e-12)


def test_unpaired_difference_needs_as_many_where_paired() -> None:
    with pytest.raises(ValueError, match="second: expected 5 readings, found 4"):
        difference("load effect", NO_LOAD, FULL_LOAD[:4], SCALE)


def test_certificate_correction_reaches_value_and_difference() -> None:
    entry = CertificateEntry(
        "dc-volts", 100.0, correction=1e-3, correction_pct_reading=1.0, u_expanded=2e-3
    )
    scale = SCALE.certified(entry, 2.0, "K-2")
    assert mean_of_readings("v", [10.0], scale).value == pytest.approx(10.101)
    step = difference("d", [10.0], [9.0], scale)
    assert step.value == pytest.approx(1.01)
    # The constant part may be gain at full scale: 1 mV over 100 V on a difference of 1 V.
    gain = next(line for line in step.lines if "on the difference" in line.name)
    assert gain.u == pytest.approx(1e-5)


def test_output_resistance_of_the_supply_terms_example() -> None:
    voltage = known(-TERMS["load_effect_mv"] / 1000, 20e-6, 9)
    current = known(TERMS["load_effect_step_a"], 2e-3, math.inf, "A")
    budget = output_resistance(voltage, current)
    assert budget.value * 1000 == pytest.approx(TERMS["output_resistance_mohm"])
    _agrees(budget)
    relative = math.hypot(20e-6 / 6e-3, 2e-3 / 2)
    assert budget.u == pytest.approx(budget.value * relative, rel=1e-9)
    with pytest.raises(ValueError, match="more than three times its standard uncertainty"):
        ratio("r", "Ω", voltage, known(1e-3, 2e-3, unit="A"))


def test_temperature_coefficient_of_the_makers_example() -> None:
    change = known(TERMS["tempco_v"], 0.1e-3)
    rise = known(TERMS["tempco_k"], 0.8, unit="K")
    per_kelvin = temperature_coefficient(change, rise)
    assert per_kelvin.value * 1000 == pytest.approx(TERMS["tempco_mv_per_k"])
    ppm = temperature_coefficient(change, rise, at_v=TERMS["tempco_at_v"])
    assert ppm.value == pytest.approx(TERMS["tempco_ppm_per_k"])
    assert ppm.u / ppm.value == pytest.approx(math.hypot(0.1 / 32, 0.8 / 20), rel=1e-9)


def test_sets_read_together_agree_with_gtc() -> None:
    volts, amps = [12.01, 12.03, 11.98, 12.00], [1.001, 1.004, 0.998, 1.000]
    budget = read_together("resistance", "Ω", lambda v, a: v / a, {"v": volts, "a": amps})
    v, a = GTC.type_a.multi_estimate_real((volts, amps))
    outside = v / a
    assert budget.value == pytest.approx(GTC.value(outside), rel=1e-12)
    assert budget.u == pytest.approx(GTC.uncertainty(outside), rel=1e-12)
    common = {"v": [Line.from_limit("gain", 0.12)]}
    wider = read_together(
        "resistance", "Ω", lambda v, a: v / a, {"v": volts, "a": amps}, lines=common
    )
    assert wider.u > budget.u
    with pytest.raises(ValueError, match="series: expected as many readings of each"):
        read_together("x", "", lambda v, a: v * a, {"v": volts, "a": amps[:2]})


def test_leads_and_contacts() -> None:
    # Supply terms: 2 x 10 mohm at 2 A drop 40 mV; one maker allots 2 mV to contacts.
    assert lead_drop_line(0.020, 2.0).u == pytest.approx(0.040 / math.sqrt(3))
    budget = mean_of_readings("v", NO_LOAD, SCALE, extra=[contact_line(2e-3, "V")])
    assert budget.lines[-1].u == pytest.approx(2e-3 / math.sqrt(3))
    assert budget.adding(contact_line(1e-3, "V")).u > budget.u


def test_budget_rows_share_the_whole_variance_and_survive_json() -> None:
    up, down = (mean_of_readings("v", [v], meter_scale(resolution=1e-4)) for v in (9.5, 9.0))
    both = propagate("a - b", "V", lambda a, b: a - b, {"a": up, "b": down})
    assert sum(row["variance_share"] for row in both.rows()) == pytest.approx(1)
    assert Budget.from_dict(both.to_dict()) == both
    assert both.to_dict()["lines"][0]["dof"] == "inf"


def test_function_that_strips_the_uncertainty_is_refused() -> None:
    def size(x: float) -> float:
        return abs(x)

    with pytest.raises(ValueError, match="strips the uncertainty"):
        propagate("size", "V", size, {"x": known(1.0, 0.1)})
    with pytest.raises(ValueError, match="quotient: no value"):
        propagate("quotient", "V", lambda x: 1 / x, {"x": known(0.0, 0.1)})


def test_whole_arrays_agree_with_single_budgets_and_gtc() -> None:
    draw = np.random.default_rng(7)
    first = 12 + 1e-4 * draw.standard_normal((40, 10))
    second = first - 6e-3 + 3e-5 * draw.standard_normal((40, 10))
    scale = meter_scale(
        100.0, 0.0045, 0.0006, resolution=1e-5, linearity_pct_range=1e-5, noise_rms=1e-5
    )
    means, steps = mean_of_groups(first, scale), difference_of_groups(first, second, scale)
    singles = reading_u(first, scale)
    for i in range(len(first)):
        for found, budget in (
            (means, mean_of_readings("v", first[i].tolist(), scale)),
            (steps, difference("d", first[i].tolist(), second[i].tolist(), scale)),
        ):
            outside = _gtc(budget)
            assert found.value[i] == pytest.approx(GTC.value(outside), rel=1e-12)
            assert found.u[i] == pytest.approx(GTC.uncertainty(outside), rel=1e-12)
            assert found.dof[i] == pytest.approx(GTC.dof(outside), rel=1e-9)
        assert singles[i, 0] == pytest.approx(scale.components(first[i, 0]).u, rel=1e-12)


def test_readings_all_alike_prove_nothing_when_the_last_digit_is_unknown() -> None:
    """GUM F.2.2.1: indications that do not vary still have the resolution's uncertainty."""
    blunt = meter_scale(100.0, 0.0045, 0.0006)
    same = difference("load effect", [24.0286] * 3, [24.0218] * 3, blunt)
    assert any("last digit is not known" in caveat for caveat in same.caveats)
    sharp = meter_scale(100.0, 0.0045, 0.0006, resolution=1e-4)
    known_digit = difference("load effect", [24.0286] * 3, [24.0218] * 3, sharp)
    assert known_digit.caveats == ()
    # Two roundings of half a digit each: triangular, u = digit/sqrt(6) (GUM 4.3.9).
    assert known_digit.u == pytest.approx(1e-4 / math.sqrt(6), rel=1e-3)
