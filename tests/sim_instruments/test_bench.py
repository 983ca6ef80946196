"""Benches as the runner opens them: by entry point, by seed, with wires that act."""

from __future__ import annotations

import socket
from contextlib import closing
from typing import Any

import pytest
import pyvisa

from runner.bench_provider import open_simulated
from runner.errors import ConnectError, InputError
from sim_instruments.bench_clock import BenchClock
from sim_instruments.mains_gear import MainsMeter, MainsSource, Thermometer
from sim_instruments.meter import Meter
from sim_instruments.scope import Scope
from sim_instruments.scpi.instrument import Identity
from sim_instruments.stand import Stand
from tests.sim_instruments.bench_fakes import Talk, memory_bench, setup_of, tcp_bench


def spoken_lines(bench: Any) -> list[str]:
    """A short piece of work at a bench, all answers kept."""
    talks = {name: Talk(instrument) for name, instrument in bench.instruments.items()}
    out = [talk.ask("*IDN?") for talk in talks.values()]
    talks["supply"].write("VOLT 13;CURR 3;OUTP ON")
    talks["load"].write("CURR 1;:INP ON")
    bench.clock.sleep(2.0)
    talks["meter"].write("CONF:VOLT:DC 100")
    out += [talks["meter"].ask("READ?") for _ in range(3)]
    out.append(talks["load"].ask("MEAS:VOLT?;CURR?"))
    talks["scope"].write("CHAN1:COUP AC;SCAL 2MV;:TRIG:SOUR LINE;:SING;*OPC?")
    talks["scope"].read(30.0)
    talks["scope"].write("WAV:DATA?")
    out.append(talks["scope"].read().hex())
    out.append(talks["mains-meter"].ask("FETC:ALL?"))
    return out


def test_same_seed_same_bytes_other_seed_other_bytes() -> None:
    first, again, other = (spoken_lines(memory_bench(seed=seed)) for seed in (5, 5, 6))
    assert first == again
    assert all(a != b for a, b in zip(first[5:], other[5:], strict=True))


def test_instances_differ_in_their_true_errors() -> None:
    gains = set()
    for seed in range(5):
        meter = memory_bench(seed=seed).instruments["meter"]
        assert isinstance(meter, Meter)
        gains.add(meter.truth.volts[10.0].gain)
    assert len(gains) == 5


@pytest.mark.parametrize("provider", ["memory", "tcp"])
def test_found_by_entry_point_and_opened_by_pyvisa(provider: str) -> None:
    bench = open_simulated(provider, setup_of(provider))
    manager = pyvisa.ResourceManager(bench.visa_library)
    try:
        for address in bench.addresses.values():
            link = manager.open_resource(
                address, read_termination="\n", write_termination="\n", timeout=5000
            )
            assert link.query("*IDN?").count(",") == 3
            link.close()
    finally:
        manager.close()
        bench.close()
        bench.close()


def test_rude_rules_of_the_bench_file() -> None:
    bench = memory_bench(
        rude={"meter": ["say:match=[*]IDN?,text=GDM,8255".replace(",8", r"\x2c8")]}
    )
    manager = pyvisa.ResourceManager(bench.visa_library)
    try:
        link = manager.open_resource(
            bench.addresses["meter"], read_termination="\n", write_termination="\n"
        )
        assert link.query("*IDN?") == "GDM,8255"
    finally:
        manager.close()


def test_probe_of_the_bench_file_reaches_the_scope() -> None:
    scope = memory_bench().instruments["scope"]
    assert isinstance(scope, Scope)
    assert (scope.probes[1].leads.hi, scope.probes[1].leads.lo) == ("plus", "minus")
    assert scope.probes[2].leads.hi == "coil1"
    assert scope.probes[2].factor == 10.0


def test_earthed_shell_ties_the_unit_and_isolated_does_not() -> None:
    setup = setup_of("memory")
    entries = [
        entry.model_copy(update={"reference": "earthed"}) if entry.name == "scope" else entry
        for entry in setup.bench.instrument
    ]
    for bench, tied in (
        (setup.bench, False),
        (setup.bench.model_copy(update={"instrument": tuple(entries)}), True),
    ):
        clock = BenchClock()
        stand = Stand(bench, setup.profile, clock, seed=1)
        stand.plant.set_voltage(20.0)
        clock.sleep(10.0)
        now_s = clock.mono_s()
        floats = abs(stand.plant.rms_ac_v("minus", "earth", now_s - 0.2, now_s))
        assert (floats < 1e-3) is tied


def test_joined_shells_on_two_nodes_short_the_output() -> None:
    setup = setup_of("memory")
    entries = tuple(
        entry.model_copy(update={"reference": "joined"}) if entry.name == "scope" else entry
        for entry in setup.bench.instrument
    )
    wires = [w for w in setup.bench.connection if w.a != "scope.ch2.shell"]
    wrong = setup.bench.connection[0].model_copy(update={"a": "scope.ch2.shell", "b": "unit.plus"})
    for connection, shorted in ((setup.bench.connection, False), ((*wires, wrong), True)):
        bench = setup.bench.model_copy(update={"instrument": entries, "connection": connection})
        clock = BenchClock()
        stand = Stand(bench, setup.profile, clock, seed=1)
        supply = Talk(stand.instruments["supply"])
        supply.write("VOLT 10;CURR 1;OUTP ON")
        clock.sleep(3.0)
        now_s = clock.mono_s()
        volts = stand.plant.mean_v("plus", "minus", now_s - 0.1, now_s)
        assert volts < 0.5 if shorted else volts == pytest.approx(10.0, abs=0.1)
        assert supply.ask("STAT:QUES:COND?") == ("1" if shorted else "2")


def test_thermometer_mains_meter_and_source_tell_the_truth() -> None:
    setup = setup_of("memory")
    clock = BenchClock()
    stand = Stand(setup.bench, setup.profile, clock, seed=1)
    who = Identity("N", "M", "1")
    thermometer = Thermometer(who, clock, stand.plant, name="t")
    source = MainsSource(who, clock, stand.plant, nominal_v=230.0, nominal_hz=50.0)
    meter = MainsMeter(who, clock, stand.plant, name="m")
    heat, line, power = Talk(thermometer), Talk(source), Talk(meter)
    stand.plant.set_voltage(12.0)
    clock.sleep(5.0)
    for word, place in (("TEMP", "heatsink"), ("TEMP2", "ambient")):
        assert abs(float(heat.ask(f"MEAS:{word}?")) - stand.plant.temperature_c(place)) <= 1.1
    heat.write("UNIT:TEMP K")
    assert float(heat.ask("MEAS:TEMP2?")) == pytest.approx(
        stand.plant.temperature_c("ambient") + 273.15, abs=1.1
    )
    line.write("VOLT 207")
    clock.sleep(2.0)
    volts, amperes, watts, apparent, factor, hertz = (
        float(v) for v in power.ask("MEAS:ALL?").split(",")
    )
    now_s = clock.mono_s()
    inlet = stand.plant.inlet(now_s - 0.5, now_s)
    assert volts == pytest.approx(inlet.v_rms, rel=1e-3, abs=0.2)
    assert amperes == pytest.approx(inlet.i_rms, rel=0.02, abs=5e-3)
    assert watts == pytest.approx(inlet.p_w, rel=0.02, abs=0.5)
    assert factor == pytest.approx(watts / apparent, abs=0.01)
    assert hertz == pytest.approx(50.0, abs=0.1)
    assert volts < 215
    assert len(power.ask("FETC:VOLT?;CURR?;POW?;FREQ?").split(";")) == 4
    line.write("OUTP OFF")
    clock.sleep(2.0)
    assert float(power.ask("MEAS:VOLT?")) == pytest.approx(0.0, abs=1.0)


def test_supply_over_voltage_trip_and_modes() -> None:
    bench = memory_bench()
    supply, load = Talk(bench.instruments["supply"]), Talk(bench.instruments["load"])
    supply.write("VOLT 10;CURR 1;OUTP ON")
    bench.clock.sleep(2.0)
    assert supply.ask("STAT:QUES:COND?") == "2"
    load.write("CURR 2;:INP ON")
    bench.clock.sleep(2.0)
    assert supply.ask("STAT:QUES:COND?") == "1"
    load.write("INP OFF")
    supply.write("VOLT:PROT 8")
    bench.clock.sleep(1.5)
    supply.write("VOLT 10")
    bench.clock.sleep(3.0)
    assert supply.ask("VOLT:PROT:TRIP?;:OUTP?") == "1;0"
    supply.write("OUTP ON")
    assert supply.errors() == [-221]
    supply.write("VOLT 5;OUTP:PROT:CLE;:OUTP ON")
    assert supply.ask("OUTP?") == "1"


@pytest.mark.parametrize("options", [{"rude": {"meter": ["nonsense"]}}, {"temper": "angelic"}])
def test_wrong_options_are_wrong_input(options: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="expected"):
        open_simulated("memory", setup_of("memory", **options))


def test_a_taken_port_is_bench_trouble() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(ConnectError, match="in use"):
            open_simulated("tcp", setup_of("tcp", port_base=taken.getsockname()[1]))


def test_two_served_benches_stand_side_by_side() -> None:
    """Different ports, different instruments; a set-point on one moves nothing on the other."""
    with closing(tcp_bench(seed=1)) as one, closing(tcp_bench(seed=2)) as other:
        ports = [*one.server.ports.values(), *other.server.ports.values()]
        assert len(set(ports)) == len(ports)
        assert tcp_ask(one, "supply", "*IDN?") != ""
        tcp_ask(one, "supply", "VOLT 7;:VOLT?")
        assert float(tcp_ask(one, "supply", "VOLT?")) == pytest.approx(7.0)
        assert float(tcp_ask(other, "supply", "VOLT?")) == pytest.approx(0.0)


def tcp_ask(bench: Any, name: str, line: str) -> str:
    with socket.create_connection(("127.0.0.1", bench.server.ports[name]), 5.0) as link:
        link.sendall(line.encode() + b"\n")
        return link.makefile("r").readline().strip()
