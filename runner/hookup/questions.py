"""What a person is asked before power, in words without jargon."""

from __future__ import annotations

from runner.bench import Bench
from runner.operator.requests import AskYesNo
from runner.profile import Profile

__all__ = ["line_up_questions"]


def line_up_questions(bench: Bench, profile: Profile) -> tuple[AskYesNo, ...]:
    """Questions whose answer must be yes before the unit is switched on, in order."""
    line_v = profile.unit.mains.voltage_v
    asked = [
        ("wires", "Are the wires on the bench those of the bench file, and no others?"
         " (asleft hookup draws them.)"),
        _strap(bench),
        ("selector", f"Does the unit's line selector stand at {line_v:g} V, and is the fuse fitted"
         " the one printed beside its holder?"),
        ("knobs", "Are the unit's voltage and current set to their lowest, and its output off?"),
    ]  # fmt: skip
    if bench.unit.case == "closed":
        asked.append(("case", "Is the case of the unit closed and screwed down?"))
    if "lamp-limiter" in bench.mains.chain:
        asked.append(("lamp", "Does the green-yellow wire go straight past the lamp to the unit?"))
    if "variac" in bench.mains.chain:
        asked.append(("variac", f"Does the variac stand at {line_v:g} V?"))
    if bench.pc.power == "battery":
        asked.append(("charger", "Is the computer off its charger, and will it stay off?"))
    return tuple(AskYesNo(topic=f"line-up:{topic}", text=text) for topic, text in asked)


def _strap(bench: Bench) -> tuple[str, str]:
    if bench.unit.earth_strap == "none":
        return "strap", "Is the link between an output post and the earth post taken off?"
    sign = {"plus": "+", "minus": "−"}[bench.unit.earth_strap]
    return "strap", f"Does the link join {sign} to the earth post, and nothing else?"
