"""Tables of what the diagnosis reached: by fault, pairs, calibration."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from runner.diagnose.diagnosis import ALIKE
from runner.diagnose.likelihood import BAD_LUCK

if TYPE_CHECKING:
    from tests.diagnose.prove import Judged

__all__ = ["tables"]

BANDS = ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 1.01))


def tables(
    judged: Sequence[Judged], losses: Mapping[float, float], traces: Mapping[int, bool]
) -> str:
    """Return the whole page, markdown; ``traces`` as :func:`tests.diagnose.traces.traced`."""
    single = [one for one in judged if len(one.case.causes) == 1]
    pairs = [one for one in judged if len(one.case.causes) == 2]
    lucky = [one for one in judged if not one.case.causes]
    fresh = [one for one in single if one.case.fresh]
    whole = [one for one in single if not one.case.missing]
    return "\n".join([
        _reached("All units with one fault", single), "",
        _reached("Those never looked at (most of the wrong ones were: see README.md)", fresh), "",
        _reached("With all instruments on the bench", whole), "",
        *_by_fault(single), "", *_calibration(single), "",
        "\n\n".join(_pairs(pairs, traces)), "", *_luck(lucky), "",
        "Loss by temperature: " + ", ".join(f"{t:g}: {x:.3f}" for t, x in losses.items()), "",
    ])  # fmt: skip


def share(count: int, many: int) -> str:
    """Count of many, in words."""
    return f"{count} of {many} ({count / many:.1%})" if many else "none"


def _reached(which: str, single: Sequence[Judged]) -> str:
    places = [one.place(one.case.causes[0]) for one in single]
    first, three = (share(sum(p <= most for p in places), len(places)) for most in (1, 3))
    open_ = share(sum(_not_ruled_out(one) for one in single), len(single))
    return (f"{which}: right cause first {first}, among those not ruled out {open_},"
            f" within three {three}.")  # fmt: skip


def _not_ruled_out(one: Judged) -> bool:
    """Whether the truth is the first answer, or the report names it beside the first."""
    first = next(iter(one.ranking.present.values()))
    return one.ranking.present.get(one.case.causes[0], 0.0) * ALIKE > first


def _by_fault(single: Sequence[Judged]) -> list[str]:
    places: dict[str, list[int]] = defaultdict(list)
    instead: dict[str, Counter[str]] = defaultdict(Counter)
    for one in single:
        cause = one.case.causes[0]
        places[cause].append(one.place(cause))
        if places[cause][-1] > 1:
            instead[cause][next(iter(one.ranking.present))] += 1
    lines = ["| fault | units | first | in three | named instead |", "|---|---|---|---|---|"]
    for cause in sorted(places):
        row = places[cause]
        others = ", ".join(f"{n} {name}" for name, n in instead[cause].most_common())
        lines.append(f"| {cause} | {len(row)} | {sum(p == 1 for p in row)} |"
                     f" {sum(p <= 3 for p in row)} | {others} |")  # fmt: skip
    return lines


def _calibration(single: Sequence[Judged]) -> list[str]:
    lines = ["| first answer stated at | answers | right |", "|---|---|---|"]
    for low, high in BANDS:
        mine = [
            name == one.case.causes[0]
            for one in single
            for name, p in list(one.ranking.present.items())[:1]
            if low <= p < high
        ]
        lines.append(
            f"| {low:.0%} to {min(high, 1):.0%} | {len(mine)} | {share(sum(mine), len(mine))} |"
        )
    return lines


def _pairs(pairs: Sequence[Judged], traces: Mapping[int, bool]) -> list[str]:
    seen = [one for one in pairs if traces.get(one.case.number)]
    hidden = [one for one in pairs if traces.get(one.case.number) is False]
    return [
        _both("Two faults", pairs),
        _both("Those in which each makes something fail that the other alone does not", seen),
        _both("Those in which one hides the other", hidden),
    ]


def _both(which: str, pairs: Sequence[Judged]) -> str:
    both = [all(one.place(cause) <= 4 for cause in one.case.causes) for one in pairs]
    either = [any(one.place(cause) <= 4 for cause in one.case.causes) for one in pairs]
    return (f"{which}: both within four {share(sum(both), len(both))},"
            f" one of them {share(sum(either), len(either))}.")  # fmt: skip


def _luck(lucky: Sequence[Judged]) -> list[str]:
    right = sum(one.place(BAD_LUCK) == 1 for one in lucky)
    wrong = Counter(
        f"{next(iter(one.ranking.present))} ({one.case.failed[0].what})"
        for one in lucky
        if one.place(BAD_LUCK) > 1
    )
    said = ", ".join(f"{many} {name}" for name, many in wrong.most_common())
    reached = share(right, len(lucky))
    return [f"Healthy but unlucky: said so {reached}. Said instead: {said or 'nothing else'}."]
