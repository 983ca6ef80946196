"""Each transaction by each kind: ``python -m tests.faults.each_place FILE [SECONDS [WORKERS]]``.

As :mod:`tests.faults.many_places`, but a class of equal messages is not enough: of a class with
ten questions the first, the second … and the tenth are each due with every kind. Most of a run is
waiting for answers that do not come, so that many workers fit on two cores.

A fault that ended a run before is kept out of mixtures, which it would cut short, and gets a run
of its check alone. An overflowing error queue (``ENDING``) is left to the classes.
"""

from __future__ import annotations

import json
import random
import signal
import sys
from collections import Counter
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from traceback import format_tb
from typing import Any

from runner.checks.order import NAMES
from runner.clock import SystemClock
from tests.faults.every_place import HARMFUL, classes
from tests.faults.many_places import APART, ENDING, Pair, Sower, key_of, mixture

__all__ = ["Counting", "Plan", "spots"]

KINDS = tuple(kind for kind in HARMFUL if kind != ENDING)
MISSES = 3
"""Runs that completed without a place, after which it counts as not reached (polls are few)."""
DENSE = 1500
"""With fewer due, runs of one check take them: a whole acceptance would carry few."""
PATIENCE_S = 1200


def spots() -> set[Pair]:
    """Check, instrument, class, which question of its class, kind: all that are due."""
    return {
        (check, name, words, str(which), kind)
        for check in NAMES
        for (name, words), numbers in classes(check).items()
        for which in range(1, len(numbers) + 1)
        for kind in KINDS
    }


class Counting(Sower):
    """A sower that knows which question of its class this one is."""

    counted: Counter[Pair]

    def __init__(self, due: set[Pair], draw: random.Random, *, opening: bool = True) -> None:
        super().__init__(due, draw, opening=opening)
        self.since = APART if len(due) == 1 else self.since
        self.counted = Counter()

    def place(self, *where: str) -> Pair:
        """The class and the question's number in it."""
        self.counted[where] += 1
        return (*where, str(self.counted[where]))


class Plan:
    """What is due, what each run gets of it, and what its results mean for the next."""

    def __init__(self, due: set[Pair], done: set[str], seed: int) -> None:
        self.due = {spot for spot in due if key_of(spot) not in done}
        self.draw, self.seed = random.Random(seed), seed
        self.by_key = {key_of(spot): spot for spot in self.due}
        self.ended: Counter[Pair] = Counter()
        self.borne: Counter[Pair] = Counter()
        self.missed: Counter[Pair] = Counter()
        self.not_whole: Counter[Pair] = Counter()
        self.busy: set[Pair] = set()

    def ends(self, spot: Pair) -> bool:
        """Whether its like, at another place of its class, ended runs or left something out."""
        like = (*spot[:3], spot[4])
        return spot[0] == NAMES[0] or self.ended[like] > self.borne[like]

    def next_run(self) -> tuple[str, int, set[Pair]] | None:
        """Check alone (empty: all), seed, faults it may sow; None when nothing is left to give."""
        self.seed += 1
        free = sorted(self.due - self.busy)
        plain = [spot for spot in free if not self.ends(spot)]
        whole = [spot for spot in plain if self.not_whole[spot] < MISSES]
        if len(whole) > DENSE:
            return "", self.seed, self._one_a_place(whole)
        if plain:
            only = self.draw.choice(plain)[0]
            mine = self._one_a_place([spot for spot in plain if spot[0] == only])
            self.busy |= mine
            return only, self.seed, mine
        if free:
            alone = self.draw.choice(free)
            self.busy.add(alone)
            return alone[0], self.seed, {alone}
        return None

    def _one_a_place(self, plain: list[Pair]) -> set[Pair]:
        self.draw.shuffle(plain)
        return set({spot[:4]: spot for spot in plain}.values())

    def learn(
        self, only: str, mine: set[Pair], lines: list[dict[str, Any]], counted: Counter[Pair]
    ) -> None:
        """Take off what is done; remember what ends runs and what no run comes to.

        An acceptance of one check ends with questions that a whole one does not ask there.
        """
        self.busy -= mine
        for line in lines:
            for spot in map(tuple, line.pop("doubtful", [])):
                self.ended[(*spot[:3], spot[4])] += 1
            spot = self.by_key.get(line["case"], ())
            if spot:
                self.due.discard(spot)
                like = (*spot[:3], spot[4])
                (self.borne if line["said"] == "completed" else self.ended)[like] += 1
        if all(line["said"] == "completed" for line in lines):
            missed = self.missed if only else self.not_whole
            missed.update(s for s in mine if counted[s[:3]] < int(s[3]))

    def not_reached(self) -> list[dict[str, Any]]:
        """Lines for places that run after run did not have."""
        gone = [spot for spot in sorted(self.due) if self.missed[spot] >= MISSES]
        self.due -= set(gone)
        common = {"layer": 3, "said": "not reached", "wrong": [], "seconds": 0.0}
        return [{"case": key_of(spot), **common} for spot in gone]


def _try(only: str, seed: int, mine: set[Pair]) -> tuple[list[dict[str, Any]], Counter[Pair]]:
    def hang(_number: int, _frame: object) -> None:
        raise TimeoutError("hang")

    sower = Counting(mine, random.Random(seed), opening=bool(only))
    signal.signal(signal.SIGALRM, hang)
    signal.alarm(PATIENCE_S)
    try:
        lines = mixture(only, sower, seed)
    except Exception as error:  # noqa: BLE001 - whatever escapes is a finding of this run
        wrong = [f"{type(error).__name__}: {error}", *format_tb(error.__traceback__)]
        case = f"mixture|{only}|{seed}"
        lines = [{"case": case, "said": "escaped", "seconds": 0.0, "wrong": wrong}]
    finally:
        signal.alarm(0)
    known = {line["case"] for line in lines}
    doubtful = [spot for spot, _ in sower.sown if key_of(spot) not in known]
    for line in lines:
        line["layer"] = 3
    if doubtful and not any(line["said"].startswith("stopped") for line in lines):
        # a finding of their check is missing, or the run was wrong: each is tried alone
        lines.append({"case": f"doubtful|{only}|{seed}", "said": "completed", "wrong": [],
                      "layer": 3, "seconds": 0.0, "doubtful": doubtful})  # fmt: skip
    return lines, sower.counted


def main(file: Path, seconds: float, workers: int) -> None:
    """Sow until nothing is due, or out of time."""
    clock = SystemClock()
    end_s = clock.mono_s() + seconds
    known = (
        [json.loads(one) for one in file.read_text("utf-8").splitlines()] if file.exists() else []
    )
    plan = Plan(spots(), {one["case"] for one in known}, 1000 * len(known))
    running: dict[Future[Any], tuple[str, set[Pair]]] = {}
    with ProcessPoolExecutor(workers) as pool, file.open("a", encoding="utf-8") as out:
        while running or (plan.due and clock.mono_s() < end_s):
            while len(running) < workers and clock.mono_s() < end_s:
                job = plan.next_run()
                if job is None:
                    break
                running[pool.submit(_try, *job)] = (job[0], job[2])
            ready, _ = wait(running, return_when=FIRST_COMPLETED)
            for one in ready:
                lines, counted = one.result()
                plan.learn(*running.pop(one), lines, counted)
                for line in (*lines, *plan.not_reached()):
                    if not line["case"].startswith("doubtful"):
                        out.write(json.dumps(line) + "\n")
                out.flush()


if __name__ == "__main__":
    seconds, workers = [*sys.argv[2:], *("1e9", "8")[len(sys.argv) - 2 :]][:2]
    main(Path(sys.argv[1]), float(seconds), int(workers))
