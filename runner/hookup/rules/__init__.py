"""The rules: each looks at the wiring and returns the hazards it finds."""

from __future__ import annotations

from collections.abc import Callable

from runner.hookup.hazards import Hazard, Wiring
from runner.hookup.rules.isolation import isolation_rules
from runner.hookup.rules.knowledge import knowledge_rules
from runner.hookup.rules.loops import loop_rules
from runner.hookup.rules.mains import mains_rules
from runner.hookup.rules.ratings import rating_rules
from runner.hookup.rules.shorts import short_rules
from runner.hookup.rules.sources import source_rules
from runner.hookup.rules.work import work_rules

__all__ = ["RULES"]

RULES: tuple[Callable[[Wiring], list[Hazard]], ...] = (
    mains_rules,
    short_rules,
    isolation_rules,
    rating_rules,
    source_rules,
    knowledge_rules,
    work_rules,
    loop_rules,
)
