"""The ripple of a capture as plain data and as sentences."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from runner.captures.ripple import CaptureRipple
from runner.quantity import format_quantity
from runner.signals.mains import MainsFit
from runner.signals.samples import Invalid

__all__ = ["plain_ripple", "sentences"]


def plain_ripple(found: CaptureRipple) -> dict[str, Any]:
    """Figures, lines and notes as JSON values; volts, hertz, seconds, dB of the rated output."""
    analysis = found.analysis
    mains: dict[str, Any] = {"nominal_hz": found.mains_hz, "f_hz": None, "lines": [], "reason": ""}
    others: list[dict[str, float]] = []
    if isinstance(analysis, Invalid):
        mains["reason"] = analysis.reason
    else:
        others = [{"f_hz": line.f_hz, "amplitude_v": line.amplitude_v} for line in analysis.others]
        fit = analysis.mains
        if isinstance(fit, Invalid):
            mains["reason"] = fit.reason
        else:
            mains |= {"f_hz": fit.f_hz, "frequency_found": fit.frequency_found}
            mains["lines"] = [
                {
                    "order": line.order, "f_hz": line.f_hz, "amplitude_v": line.amplitude_v,
                    "u_amplitude_v": line.u_amplitude_v,
                }
                for line in fit.lines
            ]  # fmt: skip
    return {
        "channel": found.channel,
        "pp_v": found.pp_v,
        "rms_v": found.rms_v,
        "rms_db_of_rated": found.rms_db_of_rated,
        "reason": found.pp_reason or found.rms_reason,
        "clipping_suspected": found.clipping_suspected,
        "mains": mains,
        "others": others,
        "notes": [*found.capture.notes, *found.notes],
    }


def sentences(found: CaptureRipple) -> Iterator[str]:
    """Say the same for a person, one line each."""
    for note in (*found.capture.notes, *found.notes):
        yield f"  {note}"
    for what, value, reason in (
        ("peak to peak", found.pp_v, found.pp_reason),
        ("rms", found.rms_v, found.rms_reason),
    ):
        said = reason if value is None else format_quantity(value, "V")
        yield f"{what}: {said}"
    if found.rated_v is not None and found.rms_db_of_rated is not None:
        rated = format_quantity(found.rated_v, "V")
        yield f"rms of the rated {rated}: {found.rms_db_of_rated:.2f} dB"
    if isinstance(found.analysis, Invalid):
        return
    yield _mains_sentence(found.analysis.mains, found.mains_hz)
    for line in found.analysis.others:
        yield (
            f"not of the mains: {format_quantity(line.amplitude_v, 'V', 3)} amplitude at "
            f"{format_quantity(line.f_hz, 'Hz')}"
        )


def _mains_sentence(fit: MainsFit | Invalid, nominal_hz: float) -> str:
    if isinstance(fit, Invalid):
        return f"at the mains frequency: {fit.reason}"
    names = {1: "f", 2: "2f", 4: "4f"}
    shown = ", ".join(
        f"{names[line.order]} {format_quantity(line.amplitude_v, 'V', 3)} ± {u}"
        for line in fit.lines
        if line.order in names
        for u in [format_quantity(2 * line.u_amplitude_v, "V", 2)]
    )
    at = f"{fit.f_hz:.3f} Hz" if fit.frequency_found else f"{nominal_hz:g} Hz (none stands out)"
    return f"amplitudes at the mains, f = {at}: {shown}"
