"""Is this wiring harmless? Worked out from the bench file before anything is energised."""

from runner.hookup.earth_reference import EarthReference, Kind, TerminalReference
from runner.hookup.hazards import Grade, Hazard
from runner.hookup.measured import earth_measured
from runner.hookup.questions import line_up_questions
from runner.hookup.verdict import CAUTION, HookupVerdict, earthed_leads, judge, unproved_earth

__all__ = [
    "CAUTION",
    "EarthReference",
    "Grade",
    "Hazard",
    "HookupVerdict",
    "Kind",
    "TerminalReference",
    "earth_measured",
    "earthed_leads",
    "judge",
    "line_up_questions",
    "unproved_earth",
]
