"""Counts what the runs at every place gave: ``python -m tests.faults.place_table FILE…``.

FILEs are the results of :mod:`tests.faults.every_place`, :mod:`tests.faults.many_places` and
:mod:`tests.faults.each_place`; the figures go to ``every_place.json``, from which the README's
part is made. A layer of which no results are given keeps its figures.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from runner.checks.order import NAMES
from tests.faults.each_place import spots
from tests.faults.every_place import KINDS, WHOLE, classes, first_layer, places
from tests.faults.many_places import key_of

__all__ = ["TABLE", "count", "section"]

TABLE = Path(__file__).with_name("every_place.json")


def count(lines: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """The figures of the layers that the lines are of; a case run again counts as it was last."""
    results = {one["case"]: one for one in lines}
    due = {place.key for place in first_layer()}
    pairs = [one for one in results.values() if one["case"] in due]
    whole = [one for one in results.values() if one["layer"] == 2]
    found: dict[str, Any] = {
        "transactions": {check: len(places(check)) for check in NAMES},
        "transactions_whole": len(places("")),
        "classes": sum(len(classes(check)) for check in NAMES),
        "pairs_due": len(due),
    }
    if pairs:
        found["pairs_together"] = sum("with" in one for one in pairs)
        found["pairs"] = _figures(pairs, results)
    if whole:
        found["whole"] = _figures(whole, results)
    return found | _each(results)


def _each(results: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """Every question by every kind: what came of it, and mixtures that were wrong."""
    due = {key_of(spot) for spot in spots()}
    mine = [one for one in results.values() if one["case"] in due]
    mixed = [one["case"] for one in results.values() if "mixture" in one["case"] and one["wrong"]]
    if not mine:
        return {}
    return {
        "each_due": len(due),
        "each_together": sum(one.get("with", 0) > 0 for one in mine),
        "each": _figures(mine, {one["case"]: one for one in mine}),
        "each_mixed": sorted(mixed),
    }


def _figures(of: Sequence[dict[str, Any]], everything: dict[str, Any]) -> dict[str, Any]:
    """What came of some cases: by kind of fault, what is wrong, how long the slowest took."""
    rows: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for one in of:
        rows[one["case"].split("|")[0]][one["said"]] += 1
    layer = of[0]["layer"] if of else 0
    wrong = [o["case"] for o in everything.values() if o["layer"] == layer and o["wrong"]]
    return {
        "cases": len(of),
        "wrong": sorted(wrong),
        "slowest_s": max((one.get("seconds", 0.0) for one in of), default=0.0),
        "kinds": {kind: dict(sorted(row.items())) for kind, row in rows.items() if row},
    }


def section() -> str:
    """The README's part, from the stored figures."""
    found = json.loads(TABLE.read_text(encoding="utf-8"))
    pairs, whole = found["pairs"], found["whole"]
    lines = [
        "## A fault at every place",
        "",
        "Over TCP on the compact unit of `tests/faults/compact.toml` (every check, fewest points):",
        f"{found['transactions_whole']} transactions in a whole acceptance, in"
        f" {found['classes']} classes of equal ones (same check, instrument and message but for"
        " the numbers in it: the program takes the same path through them). The safe ending was"
        " compared with the truth about the simulated load, the findings with those of the healthy"
        " run, the record with what is due of a record.",
        "",
        f"Pairs of class and harmful kind: {pairs['cases']} of {found['pairs_due']},"
        f" {found['pairs_together']} of them sown together, some fifty to an acceptance"
        f" (`many_places.py`), the others alone. {_wrong(pairs)}",
        "",
        *_rows(pairs["kinds"]),
        "",
        f"Whole acceptances with one fault at a drawn place: {whole['cases']} ({WHOLE} were due),"
        f" of {len(whole['kinds'])} kinds. {_wrong(whole)}",
        "",
        *_rows(whole["kinds"]),
        "",
        *_each_rows(found),
        "*Not reached*: that run had fewer messages than the healthy one (it waits by polling).",
        "*Completed, a finding says what is missing*: a reading was invalid and is not judged.",
        *(found.get("remarks") or []),
    ]
    return "\n".join(lines) + "\n"


def _each_rows(found: dict[str, Any]) -> list[str]:
    each = found.get("each")
    if each is None:
        return []
    return [
        f"Every question of the acceptance by every harmful kind but the overflow: {each['cases']}"
        f" of {found['each_due']}, {found['each_together']} of them sown together"
        f" (`each_place.py`), the others alone. {_wrong(each)} Mixtures with a wrong outcome, whose"
        f" faults were then sown again: {len(found['each_mixed'])}.",
        "",
        *_rows(each["kinds"]),
        "",
    ]


def _wrong(figures: dict[str, Any]) -> str:
    words = "; ".join(f"`{one}`" for one in figures["wrong"]) or "none"
    return f"Wrong outcomes left: {words}. Slowest {figures['slowest_s']:.0f} s."


def _rows(kinds: dict[str, dict[str, int]]) -> list[str]:
    outcomes = sorted({said for row in kinds.values() for said in row})
    return [
        f"| fault | {' | '.join(outcomes)} |",
        "|---" + "|---" * len(outcomes) + "|",
        *(
            f"| {kind} | " + " | ".join(str(row.get(one, 0)) for one in outcomes) + " |"
            for kind, row in kinds.items()
        ),
    ]


def main(files: list[str]) -> None:
    """Read the results and write the figures, keeping what they do not speak of."""
    lines = [json.loads(line) for file in files for line in Path(file).read_text().splitlines()]
    before = json.loads(TABLE.read_text(encoding="utf-8"))
    figures = {**before, **count(lines)}
    TABLE.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
