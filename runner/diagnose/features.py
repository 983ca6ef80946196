"""What a record shows, in words that causes can be compared with.

Each feature has a state (``ok``, ``low far``, ``top`` …) and the number it rests on. A feature
that the record does not hold is left out: what was not measured speaks for and against nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from runner.diagnose.failures import FAILURES
from runner.diagnose.feature import Feature
from runner.diagnose.levels import LEVELS
from runner.diagnose.mains_content import ripple_features
from runner.diagnose.part_features import part_features
from runner.diagnose.run_features import run_features
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["Feature", "features_of"]


def features_of(
    record: Record, findings: Sequence[Finding], profile: Profile
) -> dict[str, Feature]:
    """Return the features that this record holds, by name."""
    read = {name: reader(findings) for name, reader in {**FAILURES, **LEVELS}.items()}
    found = {name: one for name, one in read.items() if one is not None}
    mains_hz = profile.unit.mains.frequency_hz
    found |= ripple_features(record.check("ripple"), findings, mains_hz)
    return found | run_features(record, profile) | part_features(record, profile)
