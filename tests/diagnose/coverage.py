"""``python -m tests.diagnose.coverage``: how often estimates hold the truth.

Over the cases of ``cases.jsonl.xz`` (:mod:`tests.diagnose.seen`). Those in ``looked_at.json`` were
seen while estimates and their uncertainties were chosen; the others were not, and are the proof.
Prints each case outside and a table of both, by estimate.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any

from tests.diagnose.prove import looked_at
from tests.diagnose.seen import load_seen

__all__ = ["Held", "held_in", "table"]

Held = tuple[str, bool, bool, str]
"""Estimate, case not looked at, inside, the sentence about it."""


def held_in(case: dict[str, Any]) -> Iterator[Held]:
    """Yield, for each estimate of a case whose truth is known, whether it holds it."""
    for one in case["held"]:
        value, low, high, true = (one[key] for key in ("value", "low", "high", "true"))
        name = "earth" if one["name"].startswith("earth") else one["name"].split()[0]
        sigma = (high - low) / 4.0
        told = f"{case['number']} {case['faults']} {one['name']}: {value:.4g}, true {true:.4g}"
        told += f" ({(value - true) / sigma:+.1f} σ)" if sigma > 0.0 else ""
        yield name, case["number"] not in looked_at(), low <= true <= high, told


def table(held: Iterable[Held]) -> list[str]:
    """Rows of the table: estimate, cases looked at, others."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    for estimate, is_fresh, is_inside, _ in held:
        for key in (estimate, "all"):
            counts[key][2 * is_fresh] += is_inside
            counts[key][2 * is_fresh + 1] += 1
    rows = [
        "| estimate | looked at: inside of | others: inside of | others, % |",
        "|---|---|---|---|",
    ]
    for name, (seen_in, seen, fresh_in, fresh) in sorted(
        counts.items(), key=lambda c: c[0] == "all"
    ):
        share = f"{100 * fresh_in / fresh:.0f}" if fresh else "–"
        rows.append(f"| {name} | {seen_in} of {seen} | {fresh_in} of {fresh} | {share} |")
    return rows


def main() -> None:
    """Go through the kept cases."""
    held = [one for case in load_seen() for one in held_in(case)]
    for _, _, inside, told in held:
        if not inside:
            sys.stdout.write(f"outside: {told}\n")
    sys.stdout.write("\n".join(table(held)) + "\n")


if __name__ == "__main__":
    main()
