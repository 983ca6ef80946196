"""The simulated person: five tempers at the knob, and the other prompts."""

from __future__ import annotations

import numpy as np
import pytest

from runner.operator.requests import (
    AskNumber,
    AskYesNo,
    Confirm,
    FitBleed,
    MoveLead,
    Request,
    SetStrap,
    SwitchUnit,
    TurnKnob,
)
from sim_instruments.bench import MemoryBench
from sim_instruments.hand import TEMPERS
from sim_instruments.meter import Meter
from tests.sim_instruments.bench_fakes import memory_bench


def bench_of(temper: str = "steady", seed: int = 1, **what: object) -> MemoryBench:
    bench = memory_bench(temper=temper, seed=seed, **what)
    bench.plant.set_output(True)
    return bench


def output_v(bench: MemoryBench) -> float:
    now_s = bench.clock.mono_s()
    return bench.plant.mean_v("plus", "minus", now_s - 0.2, now_s)


@pytest.mark.parametrize("temper", sorted(TEMPERS))
def test_turns_near_enough_to_the_target(temper: str) -> None:
    bench = bench_of(temper)
    for target in (3.0, 12.0, 11.0, 20.0):
        begun = bench.clock.mono_s()
        assert bench.operator.answer(TurnKnob("knob", "turn", target=target)).done
        assert bench.clock.mono_s() - begun > 1.0
        bench.clock.sleep(1.0)
        assert output_v(bench) == pytest.approx(
            target, abs=2 * TEMPERS[temper].near_enough_v + 0.005
        )


def test_overshoot_and_coming_back() -> None:
    bench = bench_of("heavy-handed")
    bench.operator.answer(TurnKnob("knob", "turn", target=4.0))
    begun = bench.clock.mono_s()
    bench.operator.answer(TurnKnob("knob", "turn", target=8.0))
    t = np.arange(begun, bench.clock.mono_s(), 0.01)
    assert bench.plant.samples_v("plus", "minus", t).max() > 8.2


def test_a_sweep_moves_on_while_the_program_watches() -> None:
    bench = bench_of()
    bench.operator.answer(TurnKnob("knob", "turn", target=5.0))
    assert bench.operator.answer(
        TurnKnob("knob", "sweep", target=8.0, rate_per_s=0.2, sweep=True)
    ).done
    seen = []
    for _ in range(60):
        bench.clock.sleep(0.5)
        seen.append(output_v(bench))
    assert seen[0] == pytest.approx(5.0, abs=0.2)
    assert seen[-1] == pytest.approx(8.0, abs=0.05)
    steps = np.diff(seen)
    assert steps.max() < 0.2 * 0.5 * 1.6
    assert steps.min() > -0.02


def test_rate_is_kept_and_a_new_prompt_ends_a_sweep() -> None:
    bench = bench_of()
    bench.operator.answer(TurnKnob("knob", "turn", target=5.0))
    bench.operator.answer(TurnKnob("knob", "sweep", target=10.0, rate_per_s=0.2, sweep=True))
    bench.clock.sleep(5.0)
    bench.operator.answer(AskYesNo("stop", "stop turning"))
    held = output_v(bench)
    bench.clock.sleep(10.0)
    assert output_v(bench) == pytest.approx(held, abs=0.02)


def test_gives_up_on_a_unit_that_cannot_reach() -> None:
    bench = bench_of(faults=["tap-stuck-low"])
    bench.plant.set_current_limit(0.1)
    begun_s = bench.clock.mono_s()
    bench.operator.answer(TurnKnob("knob", "turn", target=24.0))
    assert bench.clock.mono_s() - begun_s < 60.0
    assert output_v(bench) < 23.0


def test_current_knob_and_switches() -> None:
    bench = bench_of()
    bench.operator.answer(TurnKnob("knob", "turn", target=5.0))
    bench.operator.answer(TurnKnob("limit", "turn", target=1.0, unit="A"))
    bench.operator.answer(SwitchUnit("output", "off", what="output", on=False))
    bench.clock.sleep(20.0)
    assert abs(output_v(bench)) < 1.0
    bench.operator.answer(SwitchUnit("mains", "off", what="mains", on=False))
    bench.clock.sleep(1.0)
    now_s = bench.clock.mono_s()
    assert bench.plant.inlet(now_s - 0.2, now_s).p_w == pytest.approx(0.0, abs=0.1)


def test_moving_leads_reaches_the_meter() -> None:
    bench = bench_of()
    meter = bench.instruments["meter"]
    assert isinstance(meter, Meter)
    assert (meter.leads.hi, meter.leads.lo) == ("plus", "minus")
    assert bench.operator.answer(MoveLead("lead", "move", lead="meter.lo", to="unit.earth")).done
    assert (meter.leads.hi, meter.leads.lo) == ("plus", "earth")
    assert bench.operator.answer(MoveLead("lead", "off", lead="meter.hi", to="")).done
    assert not meter.leads.on
    assert not bench.operator.answer(MoveLead("lead", "?", lead="nobody.hi", to="")).done


def test_bleed_and_strap_act_on_the_unit() -> None:
    bench = bench_of(faults=["output-earth-leak:ohms=1e6"])
    bench.operator.answer(TurnKnob("knob", "turn", target=20.0))

    def against_earth() -> float:
        bench.clock.sleep(10.0)
        now_s = bench.clock.mono_s()
        return bench.plant.mean_v("minus", "earth", now_s - 1.0, now_s)

    free = against_earth()
    bench.operator.answer(FitBleed("bleed", "fit", a="unit.minus", b="unit.earth", ohms=1e6))
    assert abs(against_earth()) < abs(free) * 0.8 or abs(free) < 0.1
    bench.operator.answer(FitBleed("bleed", "off", ohms=0.0))
    assert against_earth() == pytest.approx(free, abs=0.2)
    bench.operator.answer(SetStrap("strap", "fit", position="minus"))
    assert abs(against_earth()) < 1e-3
    bench.operator.answer(SetStrap("strap", "off", position="none"))
    assert against_earth() == pytest.approx(free, abs=0.2)


def test_reads_what_is_there() -> None:
    bench = bench_of()
    bench.operator.answer(TurnKnob("knob", "turn", target=12.0))
    shown = bench.operator.answer(AskNumber("panel", "panel volts?", unit="V"))
    assert shown.value == bench.plant.panel_v()
    room = bench.operator.answer(AskNumber("room", "room?", unit="°C"))
    assert room.value == pytest.approx(bench.plant.temperature_c("ambient"), abs=0.1)
    line = bench.operator.answer(AskNumber("mains-voltage", "line?", unit="V"))
    assert line.value == pytest.approx(230.0, rel=0.05)
    assert bench.operator.answer(Confirm("hazard", "really?", code="H")).words
    assert bench.operator.answer(AskYesNo("case", "closed?", expected=False)).value == 0.0
    assert not bench.operator.answer(Request("other", "?")).done


def test_unknown_temper_is_named() -> None:
    with pytest.raises(ValueError, match="temper"):
        memory_bench(temper="angelic")
