"""Writes one and the same ripple in every layout that scopes use; maker and model invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

DT_S = 1e-5
N = 20_000
PP_V = 0.0040
RMS_V = 0.0040 / np.sqrt(12)

T_S = np.round(np.arange(N) * DT_S - 0.05, 9)
HEAD = ["time,CH1", "s,V"]

V = np.round(12 + PP_V * (np.arange(N) * DT_S * 100 % 1 - 0.5)
             + np.random.default_rng(5).normal(0, 2e-5, N), 6)  # fmt: skip


def _comma(text: str) -> str:
    return text.replace(".", ",")


def plain() -> str:
    """Time and one channel, names and units above."""
    return "\n".join([*HEAD, *(f"{t:.5e},{v:.6f}" for t, v in zip(T_S, V, strict=True))])


def no_header() -> str:
    return "\n".join(f"{t:.5e},{v:.6f}" for t, v in zip(T_S, V, strict=True)) + "\n"


def semicolon_decimal_comma() -> str:
    rows = [_comma(f"{t:.5e};{v * 1e3:.3f}") for t, v in zip(T_S, V, strict=True)]
    return "\r\n".join(["Zeit [s];Kanal 1 [mV]", *rows])


def tab_units_in_names() -> str:
    rows = [f"{t * 1e3:.5f}\t{v:.6f}\t{0.5 * v:.6f}" for t, v in zip(T_S, V, strict=True)]
    return "\n".join(["Time (ms)\tA (V)\tB (V)", *rows])


def commas_for_everything() -> str:
    rows = [_comma(f"{t:.6f}") + "," + _comma(f"{v:.6f}") for t, v in zip(T_S, V, strict=True)]
    return "\n".join(["Temps,Voie 1", *rows])


def quoted_decimal_comma() -> str:
    rows = ['"' + _comma(f"{t:.6f}") + '","' + _comma(f"{v:.6f}") + '"'
            for t, v in zip(T_S, V, strict=True)]  # fmt: skip
    return "\n".join(['"Time","Volt"', *rows])


def interval_in_header() -> str:
    head = ["Maker,Norvane", "Model,ZX-104", f"Sample Interval,{DT_S:.6e},s", "Vertical Units,V"]
    return "\n".join([*head, "CH1", *(f"{v:.6f}" for v in V)])


def rate_in_header() -> str:
    head = ["# scope ZX-104", "# Sample Rate: 100 kSa/s"]
    return "\n".join([*head, *(f"{k},{v:.6f}" for k, v in enumerate(V))])


def increment_below_its_name() -> str:
    head = ["X,CH1,Start,Increment,", f"Sequence,Volt,-0.05,{DT_S:.6e}"]
    return "\n".join([*head, *(f"{k},{v:.6f}," for k, v in enumerate(V))])


def header_beside_the_rows() -> str:
    beside = ["Record Length,20000,Points", f"Sample Interval,{DT_S:.6e},s", "Source,CH1,",
              "Vertical Units,V,"]  # fmt: skip
    rows = [f"{t:.6f},{v:.6f}," for t, v in zip(T_S, V, strict=True)]
    return "\n".join(f"{beside[k] if k < 4 else ',,'},{row}" for k, row in enumerate(rows))


def thousands_of_header_lines() -> str:
    head = [f"Setting {k},{k * 0.5}" for k in range(4000)]
    rows = [f"{t:.6f},{v * 1e3:.3f}" for t, v in zip(T_S, V, strict=True)]
    return "\n".join([*head, "", "Time,Ch 1", "(s),(mV)", *rows])


def white_space_and_closing_lines() -> str:
    rows = [f"  {t:+.6f}   {v:+.6f}" for t, v in zip(T_S, V, strict=True)]
    return "\n".join(["t/s   U/V", *rows, "", "end of file", ""])


def gap_by_blank_lines() -> str:
    rows = [f"{t:.6f},{v:.6f}" for t, v in zip(T_S, V, strict=True)]
    rows[8000:8100] = [""] * 100
    return "\n".join([*HEAD, *rows])


def gap_by_a_remark() -> str:
    rows = [f"{t:.6f},{v:.6f}" for t, v in zip(T_S, V, strict=True)]
    rows[8000:8100] = ["--- gap ---"]
    return "\n".join([*HEAD, *rows])


def gap_in_time_only() -> str:
    keep = np.r_[0:8000, 8100:N]
    return "\n".join([*HEAD, *(f"{T_S[k]:.6f},{V[k]:.6f}" for k in keep)])


def segments_that_start_again() -> str:
    return "\n".join([*HEAD, *(f"{T_S[k % 5000]:.6f},{V[k]:.6f}" for k in range(N))])


def coarse_time() -> str:
    return "\n".join([*HEAD, *(f"{t:.4f},{v:.6f}" for t, v in zip(T_S, V, strict=True))])


def uneven_time() -> str:
    jitter = np.random.default_rng(6).uniform(-0.4, 0.4, N) * DT_S
    t_s = np.arange(N) * DT_S + jitter
    v = 12 + PP_V * (t_s * 100 % 1 - 0.5) + np.random.default_rng(5).normal(0, 2e-5, N)
    return "\n".join([*HEAD, *(f"{a:.8f},{b:.6f}" for a, b in zip(t_s, v, strict=True))])


SAMPLED: dict[str, Callable[[], str]] = {
    f.__name__: f
    for f in (
        plain, no_header, semicolon_decimal_comma, tab_units_in_names, commas_for_everything,
        quoted_decimal_comma, interval_in_header, rate_in_header, increment_below_its_name,
        header_beside_the_rows, thousands_of_header_lines, white_space_and_closing_lines,
        gap_by_blank_lines, gap_by_a_remark, gap_in_time_only, segments_that_start_again,
        coarse_time, uneven_time,
    )
}  # fmt: skip


def _pairs() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    blocks = V.reshape(-1, 20)
    return T_S[::20], blocks.min(axis=1), blocks.max(axis=1)


def min_max_columns() -> str:
    rows = [f"{t:.6f},{a:.6f},{b:.6f}" for t, a, b in zip(*_pairs(), strict=True)]
    return "\n".join(["Time,CH1 Min,CH1 Max", "s,V,V", *rows])


def min_max_rows() -> str:
    rows = [f"{t:.6f},{x:.6f}" for t, a, b in zip(*_pairs(), strict=True) for x in (b, a)]
    return "\n".join([*HEAD, *rows])


ENVELOPES: dict[str, Callable[[], str]] = {f.__name__: f for f in (min_max_columns, min_max_rows)}


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "capture.csv"
    path.write_bytes(text.encode(encoding))
    return path
