"""Tables from the lines of a sweep: coverage, false acceptance, decisions on healthy units."""

from __future__ import annotations

import json
import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from runner.metrology.coverage import t_factor
from runner.metrology.decision import Outcome, Rule, decide
from runner.metrology.dispersion import Dispersion
from runner.metrology.limit import Limit

__all__ = ["coverage", "false_acceptance", "quantity_of", "read", "tables", "undecided"]

Line = dict[str, Any]


def read(files: Iterable[Path]) -> list[Line]:
    """Return the lines of all files, each seed once for each kind of run.

    What a later file says of a check takes the place of what an earlier one said.
    """
    found: dict[tuple[int, bool], Line] = {}
    for file in files:
        for text in file.read_text(encoding="utf-8").splitlines():
            line = json.loads(text)
            before = found.setdefault((line["seed"], line["quick"]), line)
            if before is not line:
                new = {row["check"] for row in line["findings"]}
                kept = [row for row in before["findings"] if row["check"] not in new]
                before["findings"] = kept + line["findings"]
    return list(found.values())


def quantity_of(row: Line) -> tuple[str, str]:
    """Check and quantity, the number of the tap point left out."""
    return row["check"], re.sub(r"(tap point) \d+", r"\1", row["what"])


def _judged(lines: list[Line]) -> dict[tuple[str, str], list[tuple[int, float, float, float]]]:
    """Seed, value, U and true value of every finding that has all, by quantity."""
    found: dict[tuple[str, str], list[tuple[int, float, float, float]]] = defaultdict(list)
    for line in lines:
        for row in line["findings"]:
            if row["v"] is not None and row["t"] is not None and row["U"]:
                value, true = row["v"], row["t"]
                place = (line["seed"], value, row["U"], true)
                found[quantity_of(row)].append(place)
    return found


def coverage(lines: list[Line]) -> dict[tuple[str, str], dict[str, float]]:
    """Share of findings whose interval holds the true value, by quantity.

    ``bias`` is the mean error over the mean U, ``spread`` the rms error over the rms U: about
    0.5 where U is as large as it should be.
    """
    table = {}
    for name, rows in sorted(_judged(lines).items()):
        seeds, values, u, true = (np.array(column) for column in zip(*rows, strict=True))
        error = values - true
        table[name] = {
            "units": len(set(seeds.tolist())), "findings": len(rows),
            "inside": float(np.mean(np.abs(error) <= u * (1 + 1e-9))),
            "bias": float(np.mean(error) / np.mean(u)),
            "spread": float(np.sqrt(np.mean(error**2) / np.mean(u**2))),
        }  # fmt: skip
    return table


def false_acceptance(lines: list[Line], *, draws: int = 4) -> dict[tuple[str, str], float]:
    """Share of units beyond a limit that the guard band w = U lets pass, by quantity.

    Limits are drawn evenly within 2 U on the wrong side of each true value, so that every unit
    is truly beyond its limit, and near it. Upper limits and lower ones by turns; each is decided
    by the program's own rule (``decide``).
    """
    random = np.random.default_rng(2024)
    table = {}
    for name, rows in sorted(_judged(lines).items()):
        passed = []
        for _, value, u, true in rows:
            spread = Dispersion(u / t_factor(0.95, math.inf))
            for share in random.uniform(0, 2, draws):
                limits = (Limit.at_most(true - share * u), Limit.at_least(true + share * u))
                passed += [decide(value, spread, limit, Rule()).outcome for limit in limits]
        table[name] = sum(outcome is Outcome.PASS for outcome in passed) / len(passed)
    return table


def undecided(lines: list[Line]) -> dict[str, Any]:
    """How many healthy units fail, and how many are conditional or not measured, and by what."""
    worst: Counter[str] = Counter()
    by: Counter[tuple[str, str, str]] = Counter()
    for line in lines:
        decisions = {row["d"] for row in line["findings"]} | (
            set() if line["how"] == "complete" else {"not complete"}
        )
        order = (
            "not complete", "fail", "conditional fail", "not measured", "conditional pass", "pass",
        )  # fmt: skip
        worst[next(word for word in order if word in decisions)] += 1
        by.update({(*quantity_of(r), r["d"]) for r in line["findings"] if r["d"] != "pass"})
    return {"units": len(lines), "worst": dict(worst), "by": dict(by)}


def tables(lines: list[Line]) -> str:
    """All tables as Markdown."""
    near = false_acceptance(lines)
    text = [
        "| check | quantity | units | findings | inside | mean error / U | rms error / U "
        "| beyond the limit, yet accepted |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (check, what), row in coverage(lines).items():
        text.append(
            f"| {check} | {what} | {row['units']} | {row['findings']} | {row['inside']:.1%} "
            f"| {row['bias']:+.2f} | {row['spread']:.2f} | {near[check, what]:.2%} |"
        )
    counted = undecided(lines)
    text += ["", f"{counted['units']} healthy units at the proposed default limits: " + ", ".join(
        f"{number} {word}" for word, number in sorted(counted["worst"].items()))]  # fmt: skip
    for (check, what, decision), number in sorted(counted["by"].items()):
        text.append(f"- {decision}: {check}, {what}: {number} units")
    return "\n".join(text)
