"""The circuit against closed forms and tables that do not come from it."""

from __future__ import annotations

import csv
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from sim_instruments.plant.circuit import GRID, Circuit, State, load_law
from sim_instruments.plant.earth import Branch, view_of
from sim_instruments.plant.fast import LoadEdge, Ringing
from sim_instruments.plant.parts import Diode, Earth, TapControl, Winding
from sim_instruments.plant.relays import Relays
from sim_instruments.plant.steady import find_cycle
from sim_instruments.plant.stepping import diode_path_a

REFERENCES = Path(__file__).parent.parent / "references"
FORMS = tomllib.loads((REFERENCES / "rectifier_closed_forms.toml").read_text())["case"]
IDEAL = Diode(is_a=1e-9, n=0.002, rs_ohm=0.0)  # n·Vt = 52 µV


@pytest.mark.parametrize("case", FORMS, ids=lambda c: c["name"])
def test_closed_forms(case: dict) -> None:
    circuit = Circuit(
        50.0, case["peak_v"] / math.sqrt(2.0), 1e-3, 1e-3, case["c_f"], 1e-6,
        neg=case["pulses"] == 2, in_series=1, diode=IDEAL,
        i_quiescent_a=case.get("load_a", 0.0), g_leak_s=1.0 / case.get("load_ohm", math.inf),
    )  # fmt: skip
    cycle = find_cycle(circuit, State(0.0, 0.0))
    assert cycle is not None
    raw = cycle.waves[0]
    mean = cycle.mean("raw")
    assert mean == pytest.approx(case["mean_v"], rel=1e-3)
    assert raw.min() == pytest.approx(case["min_v"], rel=2e-3)
    acrms = math.sqrt(np.trapezoid((raw - mean) ** 2, dx=1 / GRID))
    assert acrms == pytest.approx(case["acrms_v"], rel=1e-2)


# rows that a supply can be in: reservoir that holds (ωCR >= 10), source of 0.1 to 10 %
CURVES = [
    row
    for row in csv.DictReader((REFERENCES / "rectifier_normalised.csv").read_text().splitlines())
    if 10 <= float(row["omega_C_RL"]) <= 100 and 0.01 <= float(row["Rs_over_RL"]) <= 0.1
]


@pytest.mark.parametrize(
    "row", CURVES, ids=lambda r: f"{r['n_pulses']}-{r['omega_C_RL']}-{r['Rs_over_RL']}"
)
def test_normalised_curves(row: dict[str, str]) -> None:
    """Capacitor-input rectifier curves, computed with an ideal diode at 200 000 steps a cycle."""
    load_ohm, peak_v = 10.0, 100.0
    c_f = float(row["omega_C_RL"]) / (2 * math.pi * 50.0 * load_ohm)
    source_ohm = float(row["Rs_over_RL"]) * load_ohm
    circuit = Circuit(
        50.0, peak_v / math.sqrt(2.0), source_ohm, source_ohm, c_f, 1e-6,
        neg=row["n_pulses"] == "2", in_series=1, diode=IDEAL, g_leak_s=1.0 / load_ohm,
    )  # fmt: skip
    cycle = find_cycle(circuit, State(0.0, 0.0))
    assert cycle is not None
    mean, raw, rect = cycle.mean("raw"), cycle.waves[0], np.abs(cycle.waves[2])
    assert mean / peak_v == pytest.approx(float(row["Vdc_over_Vpeak"]), rel=2e-3)
    acrms = math.sqrt(np.trapezoid((raw - mean) ** 2, dx=1 / GRID))
    assert 100 * acrms / mean == pytest.approx(float(row["ripple_rms_percent_of_Vdc"]), rel=1e-2)
    assert 100 * np.ptp(raw) / mean == pytest.approx(
        float(row["ripple_pp_percent_of_Vdc"]), rel=1e-2
    )
    per_diode = np.trapezoid(rect, dx=1 / GRID) / int(row["n_pulses"])
    assert rect.max() / per_diode == pytest.approx(
        float(row["diode_Ipeak_over_diode_Iavg"]), rel=1e-2
    )


@pytest.mark.parametrize("n_pulses", [1, 2])
@pytest.mark.parametrize("share", [0.001, 0.01, 0.05, 0.1, 0.3])
def test_infinite_reservoir(n_pulses: int, share: float) -> None:
    """Charge balance: tan α - α = n'·π·Rs/R with n' = 1 (half wave), 1/2 (full); V = Vp·cos α."""
    from scipy.optimize import brentq

    rhs = math.pi * share / n_pulses
    alpha = brentq(lambda a: math.tan(a) - a - rhs, 1e-6, math.pi / 2 - 1e-9)
    circuit = Circuit(
        50.0, 100.0 / math.sqrt(2.0), 10.0 * share, 10.0 * share, 1.0, 1e-6,
        neg=n_pulses == 2, in_series=1, diode=IDEAL, g_leak_s=0.1,
    )  # fmt: skip
    cycle = find_cycle(circuit, State(0.0, 0.0), max_cycles=80)
    assert cycle is not None
    assert cycle.mean("raw") == pytest.approx(100.0 * math.cos(alpha), rel=1e-3)


@pytest.mark.parametrize(("amperes", "volts"), [(2.0, 0.998), (8.42, 1.288)])
def test_diode_of_the_netlists(amperes: float, volts: float) -> None:
    """IS 2.5 nA, N 1.75, RS 35 mΩ at 27 °C: 0.998 V at 2 A, 1.288 V at 8.42 A (ngspice)."""
    d = Diode()
    found = diode_path_a(volts, d.rs_ohm, d.n_vt_v, d.is_a, 1.0)
    assert found == pytest.approx(amperes, rel=5e-3)


@pytest.mark.parametrize("x_v", [-5.0, 0.0, 1e-6, 0.1, 0.5, 1.0, 3.0, 30.0, 300.0])
@pytest.mark.parametrize("guess_a", [0.0, 1e-9, 0.1, 1e4])
def test_diode_path_satisfies_its_equation(x_v: float, guess_a: float) -> None:
    d = Diode()
    i = diode_path_a(x_v, 0.5, 2 * d.n_vt_v, d.is_a, guess_a)
    back = i * 0.5 + 2 * d.n_vt_v * math.log1p(i / d.is_a)
    assert back == pytest.approx(max(x_v, 0.0), abs=1e-6 + 1e-6 * abs(x_v))


# ---- load, relay, earth, fast answers ---------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "level", "v", "amperes"),
    [
        ("off", 0.0, 10.0, 0.0),
        ("cc", 2.0, 10.0, 2.0),
        ("cc", 2.0, 0.25, 1.0),  # below its minimum voltage of 0.5 V
        ("cr", 4.0, 10.0, 2.5),
        ("cp", 20.0, 10.0, 2.0),
        ("cp", 20.0, 1.0, 5.0),  # at its current maximum
        ("cv", 9.9, 10.0, 2.0),
        ("cv", 10.1, 10.0, 0.0),
        ("short", 0.01, 0.02, 2.0),
    ],
)
def test_load_laws(kind: str, level: float, v: float, amperes: float) -> None:
    c = Circuit(
        50.0, 10.0, 1.0, 1.0, 1e-3, 0.1, load_kind=kind, load_level=level, load_v_min=0.5,
        load_i_max=5.0,
    )  # fmt: skip
    a, g = load_law(c, v)
    assert a + g * v == pytest.approx(amperes)


def relays(**changes: object) -> Relays:
    windings = (Winding(10.0, 0.1), Winding(20.0, 0.2), Winding(30.0, 0.3))
    taps = TapControl(
        kind="relay", windings=windings, up_v=(8.4, 16.0), down_v=(7.4, 15.0), **changes
    )  # type: ignore[arg-type]
    return Relays(taps, np.random.default_rng(1))


def test_relay_hysteresis() -> None:
    """Closes above its upper threshold, opens below its lower one, nothing in between."""
    r = relays()
    seen = [(v, r.compare(v)) for v in (7.9, 8.39, 8.41, 7.9, 7.41, 7.39, 7.9)]
    assert [moved for _, moved in seen] == [False, False, True, False, False, True, False]


def test_relay_takes_its_time_and_breaks_before_it_makes() -> None:
    r = relays(operate_s=8e-3, release_s=4e-3, gap_s=2e-3, bounces=1, bounce_s=1e-3)
    r.compare(9.0)
    r.drive(1.0, 24.0)
    assert [round(m.t_s, 6) for m in r.motions] == [1.006, 1.008, 1.0085, 1.009]
    assert r.tap() == 0
    r.take(1.0065)
    assert r.winding() is None
    r.take(1.0082)
    assert r.tap() == 1
    assert r.transitions == 1
    r.take(1.0086)
    assert r.winding() is None  # bounce
    r.take(1.01)
    assert r.tap() == 1
    r.compare(7.0)
    r.drive(2.0, 24.0)
    r.take(2.1)
    assert r.tap() == 0


def test_relay_coil_terms() -> None:
    """Data-sheet form "70 % max / 10 % min" of a 12 V coil: on at 8.4 V, off at 1.2 V."""
    r = relays(coil_v=12.0, pull_in_v=8.4, drop_out_v=1.2)
    r.compare(9.0)
    assert r.drive(0.0, 8.3) == []
    assert r.drive(0.0, 8.5) == [(0, True)]
    assert r.drive(0.1, 1.3) == []
    assert r.drive(0.2, 1.1) == [(0, False)]


def test_binary_windings() -> None:
    windings = tuple(Winding(10.0 * (k + 1), 0.1) for k in range(4))
    taps = TapControl(
        kind="relay", arrangement="binary", windings=windings, up_v=(8.0, 16.0, 24.0),
        down_v=(7.0, 15.0, 23.0),
    )  # fmt: skip
    r = Relays(taps, np.random.default_rng(1))
    seen = []
    for t, v in enumerate((5.0, 10.0, 20.0, 30.0)):
        r.compare(v)
        r.drive(float(t), 24.0)
        r.take(t + 0.5)
        winding = r.winding()
        assert winding is not None
        seen.append(winding.emf_v)
    assert seen == [10.0, 20.0, 30.0, 40.0]


# V_s = 115 V, 50 Hz (common practice, calculated): stray capacitance, bleed, volts
STRAY = [
    (100e-12, 10e6, 34.0), (100e-12, 1e6, 3.6), (100e-12, 100e3, 0.36), (100e-12, 10e3, 0.036),
    (300e-12, 10e6, 79.0), (300e-12, 1e6, 10.8), (300e-12, 100e3, 1.08), (300e-12, 10e3, 0.11),
    (1e-9, 10e6, 110.0), (1e-9, 1e6, 34.0), (1e-9, 100e3, 3.6), (1e-9, 10e3, 0.36),
    (4.4e-9, 10e6, 115.0), (4.4e-9, 1e6, 93.0), (4.4e-9, 100e3, 15.7), (4.4e-9, 10e3, 1.6),
]  # fmt: skip


@pytest.mark.parametrize(("farads", "ohms", "volts"), STRAY)
def test_stray_voltage_of_a_floating_output(farads: float, ohms: float, volts: float) -> None:
    earth = Earth(1e15, 1e15, 0.0, 0.0, farads, 0.5, 0.0)
    view = view_of(earth, {"m": Branch("minus", "earth", ohms)}, 230.0, 50.0)
    assert view.ac_v_rms == pytest.approx(volts, rel=0.03)  # printed to two digits


def test_leak_dividers() -> None:
    """1 MΩ from plus to earth at 30 V: 27.2 V on a 10 MΩ meter, 14.3 V with 1 MΩ beside it."""
    earth = Earth(1e6, 1e15, 0.0, 0.0, 0.0, 0.5, 0.0)
    meter = {"m": Branch("minus", "earth", 10e6)}
    bled = meter | {"b": Branch("minus", "earth", 1e6)}
    assert 30.0 * view_of(earth, meter, 0.0, 50.0).share == pytest.approx(27.27, abs=0.01)
    assert 30.0 * view_of(earth, bled, 0.0, 50.0).share == pytest.approx(14.29, abs=0.01)


@pytest.mark.parametrize("zeta", [0.05, 0.3, 0.7, 0.95])
def test_load_edge_against_scipy(zeta: float) -> None:
    """Closed form of a ramped current step into (s/C)/(s² + 2ζωs + ω²), against lsim."""
    omega, z0, rise = 1.2e5, 0.05, 3e-6
    r = Ringing(omega, zeta, z0, 0.0)
    edge = LoadEdge(0.0, 1.5, rise, r, 0.0)
    t = np.arange(40000) * 5e-9
    current = 1.5 * np.clip(t / rise, 0.0, 1.0)
    system = signal.TransferFunction([z0 * omega, 0.0], [1.0, 2 * zeta * omega, omega**2])
    _, expected, _ = signal.lsim(system, current, t)
    assert np.abs(edge.volts(t) + expected).max() < 1e-4 * np.abs(expected).max()
