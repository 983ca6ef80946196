"""Harms the bench under a running soak instead of the runner: frozen, gone, its link vanished.

``python -m tests.faults.silences TRIALS WHAT FOLDER`` with WHAT one of FROZEN (the bench's process
stands still for four seconds), LINK (the network link vanishes for four seconds), CUT (the link
stays away until the runner has given up, then comes back), GONE (the process is killed).
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from runner.deadman import FILE_NAME
from runner.record.chain import chain_faults
from runner.record.journal import JOURNAL_NAME
from runner.record.reader import open_record
from tests.faults.killing import Killer, deadman_pid, wait
from tests.faults.link import LinkedBench, why_no_links

__all__ = ["Silenced", "silence", "summary"]

PAUSE_S = 4.0
OFF_WITHIN_S = 3.0
ENDS_WITHIN_S = 120.0
LONGEST_TRY_S = 20.0
"""The dead-man's pause between tries is 5 s; a try on a dead link has its own deadline."""


@dataclass(frozen=True, slots=True)
class Silenced:
    """One trial. ``off_after_s``: from the moment the bench could be reached again."""

    word: str
    exit_code: int
    how: str
    told: bool
    """Whether an unreachable load was said loudly: in the record, and by the dead-man."""
    gap: bool
    load_on_after: bool | None
    off_after_s: float | None
    faults: tuple[str, ...]
    on_at_harm: bool

    @property
    def good(self) -> bool:
        """Went on or ended safely; load off where it can be reached, told where it cannot."""
        if self.faults:
            return False
        if self.word == "GONE":
            return self.exit_code == 4 and self.told
        if self.load_on_after:
            return False
        if self.word == "CUT":
            return self.told and self.off_after_s is not None
        return self.exit_code in {0, 1, 4}


def silence(killer: Killer, name: str, word: str, after_s: float) -> Silenced:
    """Begin a soak, harm its bench ``after_s`` after the first row, see what came of it."""
    pid = killer.begin(name)
    folder = killer.until_running(name)
    time.sleep(after_s)
    on = killer.load_on()
    harm, heal = _harms(killer, word)
    harm()
    healed_s = None
    if word in {"FROZEN", "LINK"}:
        time.sleep(PAUSE_S)
        heal()
        healed_s = time.monotonic()
    code = wait(pid, ENDS_WITHIN_S)
    if word == "CUT":
        heal()
        healed_s = time.monotonic()
    off_after_s = None
    if word == "CUT" and healed_s is not None:
        off_after_s = _until_off(killer, healed_s)
    record = open_record(folder)
    safe = [line["load_off_confirmed"] for line in record.of_kind("safe")]
    said = (folder / FILE_NAME).read_bytes() if (folder / FILE_NAME).exists() else b""
    events = {line["what"] for line in record.of_kind("event")}
    load_on = None if word == "GONE" else killer.load_on()
    if word == "GONE":
        with suppress(OSError, StopIteration):
            os.kill(deadman_pid(folder), signal.SIGKILL)
    data = (folder / JOURNAL_NAME).read_bytes()
    faults = tuple(f.sentence for f in chain_faults(data[: data.rfind(b"\n") + 1]))
    return Silenced(
        word, code, str((record.ending() or {}).get("how", "torn off")),
        safe[-1:] == [False] or b"load not off" in said, bool({"gap", "silent"} & events),
        load_on, off_after_s, faults, on,
    )  # fmt: skip


def _harms(killer: Killer, word: str) -> tuple[Callable[[], None], Callable[[], None]]:
    process, served = killer.served.process, killer.served
    if word in {"LINK", "CUT"}:
        if not isinstance(served, LinkedBench):
            raise TypeError("this bench has no link")
        return served.vanish, served.come_back
    if word == "FROZEN":
        return (
            lambda: os.kill(process.pid, signal.SIGSTOP),
            lambda: os.kill(process.pid, signal.SIGCONT),
        )
    return process.kill, lambda: None


def _until_off(killer: Killer, since_s: float) -> float | None:
    while (now_s := time.monotonic()) < since_s + LONGEST_TRY_S:
        if not killer.load_on():
            return now_s - since_s
        time.sleep(0.05)
    return None


def summary(found: list[Silenced]) -> str:
    late = max((one.off_after_s or 0.0 for one in found), default=0.0)
    ways = sorted({f"{one.how} (exit {one.exit_code})" for one in found})
    return (
        f"{len(found)} times, load on at {sum(one.on_at_harm for one in found)},"
        f" good {sum(one.good for one in found)}, gap listed {sum(one.gap for one in found)},"
        f" off within {late:.2f} s of the link's return; ended: {', '.join(ways)}"
    )


def bench_for(word: str, place: Path) -> Killer:
    """Return a bench on which this can be tried; GONE needs one for each trial."""
    if word in {"LINK", "CUT"}:
        return Killer(place, served=LinkedBench(place))
    return Killer(place)


def main() -> None:
    """Harm at random instants and print what came of it."""
    trials, word, place = int(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
    place.mkdir(parents=True)
    if word in {"LINK", "CUT"} and why_no_links():
        sys.exit(why_no_links())
    rng, found = random.Random(2), []
    killer = bench_for(word, place)
    try:
        for number in range(trials):
            one = silence(killer, f"t{number}", word, rng.uniform(0.0, 2.5))
            found.append(one)
            if not one.good:
                print("NOT GOOD", one, flush=True)
            if word == "GONE":
                killer.close()
                own = place / f"bench{number}"
                own.mkdir()
                killer = Killer(own)
    finally:
        killer.close()
    print(summary(found), flush=True)


if __name__ == "__main__":
    main()
