"""Many faults in one acceptance: ``python -m tests.faults.many_places FILE [SECONDS [CHECK…]]``.

The first layer of :mod:`tests.faults.every_place`, some fifty cases at a time: faults are sown far
enough apart that the link is in step again before the next one. A whole acceptance that completes
with the findings of the healthy run has taken each of them rightly. Where it does not, only what
is certain counts: faults of checks that were ended before the run stopped, the fault that it
stopped at, and a fault that is the only one of a check with a missing finding. All others stay
due, for another mixture or for a run with that fault alone. Results have the lines of
``every_place``; a mixture with a wrong outcome is a line of its own, to be taken apart.
"""

from __future__ import annotations

import json
import multiprocessing
import random
import signal
import sys
from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

from runner.checks.order import NAMES
from runner.clock import SystemClock
from runner.errors import BenchError
from runner.finding import Finding
from tests.faults.compact import Watched, acceptance
from tests.faults.every_place import (
    Place,
    class_of,
    compare,
    first_layer,
    healthy,
    rule_at,
    scratch,
    told,
)

__all__ = ["APART", "ENDING", "Pair", "Sower", "key_of", "mixture"]

APART = 20
"""Questions on the whole bench between two faults."""
ENDING = "error queue overflows"
"""What stops one run in four: it is sown in acceptances of one check only."""
WORKERS = 2
Pair = tuple[str, ...]
"""Check, instrument, class of messages (which of its class, for each place), kind of fault."""


class Sower:
    """Decides at each question whether a fault that is still due goes there."""

    def __init__(self, due: set[Pair], draw: random.Random, *, opening: bool = True) -> None:
        self.opening = opening
        self.due: dict[Pair, list[str]] = {}
        for *place, kind in sorted(due):
            self.due.setdefault(tuple(place), []).append(kind)
        self.draw, self.since = draw, draw.randrange(APART)
        self.sown: list[tuple[Pair, int]] = []

    def __call__(self, check: str, name: str, number: int, message: str) -> str | None:
        """Rule of the fault to sow, or None; remembered in ``sown``."""
        self.since += 1
        place = self.place(NAMES[0] if check == "opening" else check, name, class_of(message))
        kinds = self.due.get(place, [])
        if check == "opening" and not self.opening:
            return None  # what goes wrong there ends most runs: before-power alone bears it
        if not kinds or self.since <= APART:
            return None
        self.since = 0
        kind = kinds.pop(self.draw.randrange(len(kinds)))
        self.sown.append(((*place, kind), number))
        return rule_at(kind, number)

    def place(self, *where: str) -> Pair:
        """What the faults are due at: check, instrument and class of a message."""
        return where


def mixture(only: str, sower: Sower, seed: int) -> list[dict[str, Any]]:
    """Run one acceptance with as many of the due faults as it takes: the lines of results."""
    watched, clock = Watched(sow=sower), SystemClock()
    expected = healthy(only)[0]
    begun_s = clock.mono_s()
    wrong: list[str] = []
    found: tuple[Finding, ...] = ()
    with scratch() as folder:
        try:
            outcome = acceptance(folder, {}, (only,) if only else (), watched=watched)
        except BenchError as error:
            said, reason = "stopped at opening", str(error)
        else:
            said, wrong = told(outcome, expected)
            found, reason = tuple(outcome.assessment.findings), outcome.ending.reason
    sown = [pair for pair, number in sower.sown if _used(watched, pair, number)]
    done = {NAMES[0] if said == "stopped at opening" else watched.check}
    if said.startswith("stopped") and found:
        before = NAMES[: NAMES.index(max(done & set(NAMES), key=NAMES.index, default=NAMES[0]))]
        wrong += compare(
            tuple(one for one in expected if one.check in before),
            tuple(one for one in found if one.check in before),
        )
    wrong += [] if watched.load_is_off() else ["load still on"]
    common = {"layer": 1, "wrong": [], "seconds": round(clock.mono_s() - begun_s, 2), "apart": []}
    if wrong:
        case = f"mixture|{only}|{seed}"
        return [{**common, "case": case, "said": said, "wrong": wrong, "sown": sown}]
    lacking = {one.check for one in found if one.value is None}
    certain = _certain(sown, said, watched.check, lacking)
    return [
        {**common, "case": key_of(pair), "said": word, "reason": reason, "with": len(sown) - 1}
        for pair, word in certain
    ]


def _used(watched: Watched, pair: Pair, number: int) -> bool:
    rules = watched.bench.rudeness[pair[1]].rules
    return any(rule.used for rule in rules if rule.options.get("query") == str(number))


def key_of(pair: Pair) -> str:
    """What a pair is called in the lines of results."""
    check, name, words, *which, kind = pair
    return "|".join([Place(check, name, 0, kind, words).key, *which])


def _certain(sown: list[Pair], said: str, last: str, lacking: set[str]) -> list[tuple[Pair, str]]:
    """The pairs about which a run that was not wrong says something, with what it says."""
    if said.startswith("stopped"):
        ended = NAMES[: NAMES.index(last)] if last in NAMES else ()
        sure = [(one, "completed") for one in sown if one[0] in ended and one[0] not in lacking]
        return sure + [(one, said) for one in sown[-1:] if one[0] not in ended]
    in_check = Counter(one[0] for one in sown)
    return [
        (one, said if one[0] in lacking else "completed")
        for one in sown
        if one[0] not in lacking or in_check[one[0]] == 1
    ]


# ---- the long run -------------------------------------------------------------------------------


def _try(job: tuple[str, int, set[Pair]]) -> list[dict[str, Any]]:
    only, seed, due = job

    def hang(_number: int, _frame: object) -> None:
        raise TimeoutError("hang")

    signal.signal(signal.SIGALRM, hang)
    signal.alarm(1200)
    try:
        return mixture(only, Sower(due, random.Random(seed), opening=bool(only)), seed)
    except Exception as error:  # noqa: BLE001 - whatever escapes is a finding of this run
        wrong = [f"{type(error).__name__}: {error}"]
        return [{"case": f"mixture|{only}|{seed}", "layer": 1, "said": "escaped", "wrong": wrong}]
    finally:
        signal.alarm(0)


def main(file: Path, seconds: float, checks: list[str]) -> None:
    """Sow what is due until nothing is, or out of time; of ``checks`` alone, if they are named."""
    clock = SystemClock()
    end_s = clock.mono_s() + seconds
    lines = file.read_text("utf-8").splitlines() if file.exists() else []
    done = {json.loads(line)["case"] for line in lines}
    due = {(one.only, one.name, one.words, one.kind) for one in first_layer()}
    due = {pair for pair in due if key_of(pair) not in done}
    seed = 1000 * len(lines)
    with multiprocessing.Pool(WORKERS) as pool, file.open("a", encoding="utf-8") as out:
        while due and clock.mono_s() < end_s:
            jobs = []
            for only in checks or [""] * WORKERS:
                seed += 1
                jobs.append((only, seed, _share(due, only, random.Random(seed))))
            for results in pool.imap_unordered(partial(_try), jobs):
                for one in results:
                    out.write(json.dumps(one) + "\n")
                    done.add(one["case"])
                out.flush()
            due = {pair for pair in due if key_of(pair) not in done}


def _share(due: set[Pair], only: str, draw: random.Random) -> set[Pair]:
    """What one run may sow: a part of it, so that runs at the same time differ."""
    mine = [
        one for one in sorted(due)
        if only in {"", one[0]} and (only or one[3] != ENDING)
    ]  # fmt: skip
    return set(draw.sample(mine, max(len(mine) // WORKERS, min(len(mine), 60))))


if __name__ == "__main__":
    main(Path(sys.argv[1]), float([*sys.argv[2:], "1e9"][0]), sys.argv[3:])
