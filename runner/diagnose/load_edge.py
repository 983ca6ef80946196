"""ESR of the output capacitor, from how the output answers a step of the load.

The load's edge lasts some microseconds, so the answer is the mean of step answers spread over it;
the lead to the load adds L·dI/dt while the current moves. With C known from a fall, the rest is
fitted, for two forms of the loop, and the one that describes the record better counts:

* ``circuit``: the loop is R and L beside C with its ESR (circuit theory; exact in ngspice),
* ``taken over``: a resonance of ω and ζ, and the capacitor's I·ESR until the loop has taken over,
  within 1/(2ω).

Where the loop is faster than the edge nothing of the ESR is left to see.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from runner.diagnose.capacitors import Farads
from runner.diagnose.estimate import Estimate, about, not_from_these, root_sum
from runner.errors import RecordError
from runner.metrology.dispersion import Dispersion
from runner.record.reader import Record, WaveformLine

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Form = Callable[[NDArray[np.float64], NDArray[np.float64], float], NDArray[np.float64]]

__all__ = ["Edge", "esr_estimate", "fit_edge"]

SLEW_A_PER_S = 250e3
"""The transient check's edges."""
BEFORE_S, AFTER_S = 40e-6, 150e-6
EDGES, LEAST_SAMPLES = 3, 50
MODEL_U = 0.012
"""Of the model and the load's edge, relative (from simulated units)."""
SCATTER_SHARE = 0.15
BADLY = 0.012
"""Residual rms over the height of the answer, above which the model does not describe it: nine in
ten of simulated units leave half of that."""
BEST_TIMES = 2.0
"""Fits that leave this many times more than the best one have not found their place."""
FASTEST = 1.6
"""ω times the edge's length up to which the ESR shows."""
WHAT = "ESR of the output capacitor"


@dataclass(frozen=True, slots=True)
class Edge:
    """What a fit found: ohms, rad/s, residual rms over the height of the answer; and where."""

    esr_ohm: float
    omega: float
    residual: float
    form: int
    place: tuple[float, ...]


def _spread(rate: complex, t_s: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Integral of exp(rate·t) from 0 to t; 0 before."""
    return np.asarray((np.exp(rate * np.maximum(t_s, 0.0)) - 1.0) / rate)


def _circuit(t_s: NDArray[np.float64], p: NDArray[np.float64], farad: float) -> NDArray[np.float64]:
    """Integral of Z's step answer, Z = (R + sL) beside (ESR + 1/sC), V·s per ampere.

    v(0) = ESR, v'(0) = 1/C - ESR²/L, v(∞) = R, poles of s²LC + s(R + ESR)C + 1.
    """
    henry, ohm, esr = np.exp(p[0]), p[1], np.exp(p[2])
    alpha = (ohm + esr) / (2.0 * henry)
    damped = np.sqrt(complex(1.0 / (henry * farad) - alpha * alpha)) or complex(1.0)
    cosine = esr - ohm
    sine = (1.0 / farad - esr * esr / henry + alpha * cosine) / damped
    up = _spread(-alpha + 1j * damped, t_s) * (cosine - 1j * sine) / 2.0
    down = _spread(-alpha - 1j * damped, t_s) * (cosine + 1j * sine) / 2.0
    return np.asarray(ohm * np.maximum(t_s, 0.0) + (up + down).real)


def _taken_over(
    t_s: NDArray[np.float64], p: NDArray[np.float64], farad: float
) -> NDArray[np.float64]:
    """Integral of sin's decay /(ωC), of ESR·exp(-2ωt), and of the static resistance."""
    omega, ohm, esr, zeta = np.exp(p[0]), p[1], np.exp(p[2]), p[3]
    damped = omega * np.sqrt(1.0 - zeta * zeta)
    ring = _spread(-zeta * omega + 1j * damped, t_s).imag / (damped * farad)
    late = _spread(complex(-2.0 * omega), t_s).real
    return np.asarray(ring + esr * late + ohm * np.maximum(t_s, 0.0))


FORMS = (
    (_circuit, (-20.0, 1e-5, -8.0, 0.0), (-11.0, 0.5, 1.0, 1.0),
     [(np.log(3e-7), 0.02, np.log(0.01), 0.5), (np.log(3e-8), 0.02, np.log(0.1), 0.5)]),
    (_taken_over, (10.0, -0.1, -8.0, 0.02), (16.0, 0.5, 1.0, 0.98),
     [(np.log(1e5), 2e-3, np.log(0.02), 0.6), (np.log(5e5), 2e-3, np.log(0.02), 0.6)]),
)  # fmt: skip
"""Each form with bounds and starts of: ln henry or ln ω, static ohms, ln ESR, ζ (unused by the
first)."""


def fit_edge(
    t_s: NDArray[np.float64],
    volts: NDArray[np.float64],
    step_a: float,
    rise_s: float,
    farad: float,
    near: Edge | None = None,
) -> Edge | None:
    """Fit the answer to one edge, in both forms; or only from where another fit found its place.

    :param t_s: seconds, shape (n,), 0 about the edge
    :param volts: output in V, shape (n,), AC coupled
    :param step_a: current after the edge less before, A
    :param rise_s: length of the edge
    :param farad: output capacitor
    """
    height_v = float(np.ptp(volts))
    if t_s.size < LEAST_SAMPLES or height_v <= 0.0 or rise_s <= 0.0:
        return None
    places = [(form, start) for form in range(len(FORMS)) for start in FORMS[form][3]]
    fits = [
        _fit(form, start, (t_s, volts / height_v), step_a / height_v, rise_s, farad)
        for form, start in ([(near.form, near.place)] if near else places)
    ]
    return min(fits, key=lambda one: one.residual, default=None)


def _fit(
    number: int, start: tuple[float, ...],
    wave: tuple[NDArray[np.float64], NDArray[np.float64]], step_a: float, rise_s: float,
    farad: float,
) -> Edge:  # fmt: skip
    """Least squares over the form's four, when the edge began, its lead (H), rest (1)."""
    from scipy.optimize import least_squares

    t_s, volts = wave
    form, low, high, _ = FORMS[number]

    def left(p: NDArray[np.float64]) -> NDArray[np.float64]:
        x, moved = t_s - p[4], np.clip((t_s - p[4]) / rise_s, 0.0, 1.0)
        spread = form(x, p, farad) - form(x - rise_s, p, farad)
        lead = p[5] * ((moved > 0.0) & (moved < 1.0))
        return np.asarray(p[6] - step_a * (spread + lead) / rise_s - volts)

    found = least_squares(
        left, [*start, -rise_s, 1e-8, float(volts[0])], max_nfev=100,
        x_scale=[0.3, 2e-3, 0.5, 0.1, 1e-6, 1e-8, 0.1],
        bounds=([*low, -5.0 * rise_s, 0.0, -np.inf], [*high, rise_s, 1e-6, np.inf]),
    )  # fmt: skip
    rate = float(np.exp(found.x[0]))
    omega = 1.0 / np.sqrt(rate * farad) if form is _circuit else rate
    residual = float(np.sqrt(2.0 * found.cost / t_s.size))
    place = tuple(float(p) for p in found.x[:4])
    return Edge(float(np.exp(found.x[2])), float(omega), residual, number, place)


def esr_estimate(
    record: Record, output: Farads | None, sense_open: bool = False
) -> Estimate | None:
    """ESR from the records of the transient check; None when that check recorded no edge.

    ``sense_open`` when ohms in a sense lead are suspected: they answer a load step like an ESR.
    """
    lines = [w for w in record.check("transient").waveforms if not w.fields.get("clipped")]
    if not lines or output is None:
        return None
    if sense_open:
        return _unseen("ohms in a sense lead would look the same in the answer to the load step")
    lines = lines[:: max(len(lines) // EDGES, 1)]
    edges = [(e, w) for w in lines if (e := _edge(w, output)) is not None]
    best = min((e.residual for e, _ in edges), default=0.0)
    good = [(e, w) for e, w in edges if e.residual < min(BADLY, BEST_TIMES * best)]
    if len(good) < 2:
        return _unseen("the answers to the load step do not look like one capacitor and one loop")
    rise_s = abs(_step_a(lines[0])) / SLEW_A_PER_S
    if float(np.median([e.omega for e, _ in good])) * rise_s > FASTEST:
        return _unseen("the output answers faster than the load's edge")
    values = [e.esr_ohm for e, _ in good]
    middle = float(np.median(values))
    scatter = 1.48 * float(np.median(np.abs(np.array(values) - middle))) / middle
    if scatter > SCATTER_SHARE:
        return _unseen("the answers to the load step differ from one another")
    share = _share_of_c(*min(good, key=lambda one: one[0].residual), output)
    how = "fit of loop and capacitor to the load step"
    return about("output-esr", WHAT, middle, _spread_of(middle, scatter, share, output), "Ω", how)


def _share_of_c(edge: Edge, line: WaveformLine, output: Farads) -> float:
    """Part of a relative error of C that goes over to the ESR (JCGM 100, 5.1.3, note 2).

    Fitted once more with C its standard uncertainty less, and more, from where the fit found its
    place; the larger change counts.
    """
    u = output.spread.u / output.farad
    moved = (replace(output, farad=output.farad * (1.0 + s * u)) for s in (-1, 1))
    others = [one for other in moved if (one := _edge(line, other, edge)) is not None]
    return max(abs(one.esr_ohm / edge.esr_ohm - 1.0) / u for one in others)


def _spread_of(esr_ohm: float, scatter: float, share: float, output: Farads) -> Dispersion:
    """How the true ESR may lie.

    A load that is set too high makes C too small and the ESR too high by as much, and the fit is as
    good: its limit counts once. Of other errors of C the ``share`` goes over.
    """
    relative, known = esr_ohm / output.farad, output.spread
    return Dispersion(
        root_sum([esr_ohm * MODEL_U, esr_ohm * scatter, share * relative * known.t_u]),
        half_width=relative * known.half_width,
        second_half_width=share * relative * known.second_half_width,
    )


def _unseen(why: str) -> Estimate:
    by_hand = "; unplugged and discharged, an ESR meter across the capacitor"
    return not_from_these("output-esr", WHAT, "Ω", why + by_hand)


def _step_a(line: WaveformLine) -> float:
    step_a = float(line.at["to_a"]) - float(line.at["from_a"])
    return step_a if line.at["edge"] == "load on" else -step_a


def _edge(line: WaveformLine, output: Farads, near: Edge | None = None) -> Edge | None:
    try:
        volts = line.volts()
    except RecordError:
        return None
    dt_s, t0_s = float(line.fields["dt_s"]), float(line.fields["t0_s"])
    t_s = t0_s + dt_s * np.arange(volts.size)
    part = (t_s > -BEFORE_S) & (t_s < AFTER_S)
    step_a = _step_a(line)
    return fit_edge(
        np.asarray(t_s[part], dtype=np.float64),
        volts[part],
        step_a,
        abs(step_a) / SLEW_A_PER_S,
        output.farad,
        near,
    )
