"""A fault at every place: ``python -m tests.faults.every_place FILE [SECONDS [LAYER]]``.

Each case is one acceptance over TCP on the compact unit with one fault of one kind at one
transaction of one instrument. Results go to FILE, one JSON line a case; what is there already is
not done again, so the run may be cut off at any moment. Cases come in two layers, each in a
fixed random order: one place of each class of equal transactions (same check, instrument and
message but for its numbers) in an acceptance of that check, and places drawn from the whole
acceptance. :mod:`tests.faults.many_places` runs the first layer many at a time,
:mod:`tests.faults.each_place` every question by every kind; :mod:`tests.faults.place_table` counts.
"""

from __future__ import annotations

import json
import multiprocessing
import random
import re
import signal
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from runner.checks.order import NAMES
from runner.clock import SystemClock
from runner.errors import BenchError
from runner.finding import Finding
from tests.faults.compact import Watched, acceptance

__all__ = [
    "HARMFUL",
    "KINDS",
    "Place",
    "cases",
    "class_of",
    "classes",
    "compare",
    "first_layer",
    "healthy",
    "judge",
    "places",
    "rule_at",
    "scatter_of",
    "scratch",
    "told",
]

KINDS = {
    "never answered": "mute",
    "late, beyond patience": "late:by=1.3s",
    "torn": "torn:after=4",
    "doubled": "double",
    "a warning in front": "junk:text=WARNING",
    "a number in front": "junk:text=+5.0E+00",
    "a number behind": "more:text=+5.0E+00",
    "garbage": "say:text=garbage",
    "not a number": "say:text=+9.91E37",
    "closed": "close",
    "reset": "reset",
    "never ends": "endless:gap=0.05",
    "not heard": "deaf",
    "error queue overflows": "overflow",
    "late, within patience": "late:by=0.4s",
    "in pieces": "segments:size=1,gap=0.01",
    "carriage return before the end": r"tail:text=\r\n",
    "NUL in front": r"head:text=\0",
}
HARMFUL = tuple(KINDS)[:-4]
"""Kinds after which an answer is lost or in doubt; the others must change nothing."""
DEADLINE_S, WHOLE_DEADLINE_S = 60.0, 600.0
"""Real seconds after which a case of one check, or a whole acceptance, counts as a hang."""
SCATTER = 0.01
"""Share of the limit by which findings may lie apart beyond both uncertainties.

With as few readings as here most uncertainties say only what the last digit leaves, and the mains
wanders between two runs. Of 184 whole acceptances the change of output voltage at low line lay
furthest apart, by 0.92 % of its limit (0.1 mV); everything else by less than 0.05 %.
"""
HEALTHY_TRIES = 3
"""A busy computer may keep an answer longer than the patience of these links."""
WHOLE = 400
"""Cases of the second layer, each a whole acceptance."""
WORKERS = 2


@dataclass(frozen=True)
class Place:
    """The ``number``-th question to an instrument in an acceptance of ``only`` (empty: whole).

    ``words`` is the class that it stands for; numbers move a little from run to run.
    """

    only: str
    name: str
    number: int
    kind: str
    words: str = ""

    @property
    def key(self) -> str:
        """What identifies the case in the file of results."""
        return f"{self.kind}|{self.only}|{self.name}|{self.words or self.number}"

    @property
    def layer(self) -> int:
        """Which of the two layers it belongs to."""
        return 1 if self.words else 2

    @property
    def deadline_s(self) -> float:
        """When it counts as a hang."""
        return DEADLINE_S if self.only else WHOLE_DEADLINE_S


def rule_at(kind: str, number: int) -> str:
    """The rule of bad manners for one kind at one question."""
    text = KINDS[kind]
    return f"{text}{',' if ':' in text else ':'}query={number}"


@lru_cache(maxsize=32)
def healthy(only: str, over: str = "tcp") -> tuple[tuple[Finding, ...], Watched]:
    """Findings and messages of an acceptance without faults."""
    reason = ""
    for _ in range(HEALTHY_TRIES):
        watched = Watched()
        with scratch() as folder:
            checks = (only,) if only else ()
            outcome = acceptance(folder, {}, checks, over=over, watched=watched)
        if outcome.ending.how == "complete":
            return tuple(outcome.assessment.findings), watched
        reason = outcome.ending.reason
    raise RuntimeError(reason)


def places(only: str) -> list[tuple[str, int, str]]:
    """Instrument, number and message of every question of an acceptance, in order.

    Of an acceptance of one check only those of the check itself; opening the bench and the
    safe ending belong to the first check.
    """
    return [
        (name, number, message)
        for check, name, number, message in healthy(only)[1].asked
        if only in {"", check} or (only == NAMES[0] and check not in NAMES[1:])
    ]


def classes(only: str) -> dict[tuple[str, str], list[int]]:
    """Numbers of equal questions: same instrument and message but for the numbers in it."""
    found: dict[tuple[str, str], list[int]] = {}
    for name, number, message in places(only):
        found.setdefault((name, class_of(message)), []).append(number)
    return found


def class_of(message: str) -> str:
    """The message without its numbers."""
    return re.sub(r"[-+.\d]+(E[-+]?\d+)?", "#", message)


def first_layer() -> list[Place]:
    """One place of each class with each harmful kind."""
    draw = random.Random(6)
    first: list[Place] = []
    for check in NAMES:
        for (name, words), numbers in classes(check).items():
            first += [Place(check, name, draw.choice(numbers), kind, words) for kind in HARMFUL]
    return draw.sample(first, len(first))


def cases() -> Iterator[Place]:
    """All cases, the most telling first."""
    yield from first_layer()
    draw = random.Random(7)
    whole = [(name, number) for name, number, _ in places("")]
    yield from (Place("", *draw.choice(whole), draw.choice(list(KINDS))) for _ in range(WHOLE))


def judge(place: Place, over: str = "tcp") -> dict[str, Any]:
    """Run one case: what came of it, and everything that is wrong with that."""
    watched, clock = Watched(), SystemClock()
    apart: list[list[Any]] = []
    rude = {place.name: [rule_at(place.kind, place.number)]}
    begun_s = clock.mono_s()
    with scratch() as folder:
        checks = (place.only,) if place.only else ()
        try:
            outcome = acceptance(folder, rude, checks, over=over, watched=watched)
        except BenchError as error:  # while the bench was being opened: nothing was energised
            said, wrong, reason = "stopped at opening", _unclear(str(error)), str(error)
        else:
            reason = outcome.ending.reason
            due = healthy(place.only, over)[0]
            said, wrong = told(outcome, due)
            apart = shares(due, tuple(outcome.assessment.findings))
    wrong += [] if watched.load_is_off() else ["load still on"]
    took_s = clock.mono_s() - begun_s
    wrong += ["hang"] if took_s > place.deadline_s else []
    used = sum(rule.used for rule in watched.bench.rudeness[place.name].rules)
    said = said if used else "not reached"
    return {
        "said": said,
        "wrong": wrong,
        "reason": reason,
        "seconds": round(took_s, 2),
        "apart": apart,
    }


def told(outcome: Any, due: tuple[Finding, ...]) -> tuple[str, list[str]]:
    ending, record = outcome.ending, outcome.record
    wrong = [f"record: {problem}" for problem in record.problems]
    if record.lines[-1]["kind"] != "end":
        wrong.append("the record has no end")
    if [line["seq"] for line in record.lines] != list(range(len(record.lines))):
        wrong.append("a line of the record is missing")
    if ending.load_off_confirmed is None:
        wrong.append("nobody asked whether the load is off")
    off = "" if ending.load_off_confirmed else ", load loudly not confirmed off"
    if ending.how != "complete":
        return f"stopped{off}", wrong + _unclear(ending.reason)
    found = tuple(outcome.assessment.findings)
    missing = any(one.value is None for one in found)
    wrong += compare(due, found)
    return ("completed, a finding says what is missing" if missing else "completed") + off, wrong


def _unclear(reason: str) -> list[str]:
    return [] if len(reason) > 20 and "unexpected" not in reason else [f"unclear: {reason!r}"]


def compare(due: tuple[Finding, ...], found: tuple[Finding, ...]) -> list[str]:
    """What differs beyond the uncertainties; a value that is said to be missing may be.

    Findings of one name that have all come are compared one by one, whatever else has vanished.
    """
    kept = [_by_name(them) for them in (due, found)]
    wrong = _vanished(due, found) if kept[0].keys() != kept[1].keys() else []
    for name in kept[0].keys() & kept[1].keys():
        pairs = zip(kept[0][name], kept[1][name], strict=False)
        if len(kept[0][name]) == len(kept[1][name]):
            wrong += [said for a, b in pairs if (said := _apart(a, b))]
        elif all(b.value is not None for b in kept[1][name]):
            wrong.append(f"other number of findings: {name}")
    return wrong


def _by_name(findings: tuple[Finding, ...]) -> dict[tuple[str, str], list[Finding]]:
    named: dict[tuple[str, str], list[Finding]] = {}
    for one in findings:
        named.setdefault((one.check, one.what), []).append(one)
    return named


def _apart(a: Finding, b: Finding) -> str:
    """How ``b`` differs from ``a``, empty if it does not."""
    if b.value is None:
        hidden = b.decision == "pass" or not b.reason
        return f"{b.what} {b.at}: {b.decision} without a value" if hidden else ""
    room = (a.u_expanded or 0.0) + (b.u_expanded or 0.0) + scatter_of(b)
    if a.value is None or abs(a.value - b.value) > room or a.decision != b.decision:
        return f"{b.check}, {b.what} {b.at}: {b.value} {b.decision}, due {a.value}"
    return ""


def _vanished(due: tuple[Finding, ...], found: tuple[Finding, ...]) -> list[str]:
    """Findings that are not those of the healthy run, unless their own check says what it lacks.

    A finding that sums others up is not made of what was not measured; then one of the same check
    has no value and a reason. That another check lacks something excuses nothing.
    """
    excused = {one.check for one in found if one.value is None and one.reason}
    names = [{(one.check, one.what) for one in them} for them in (due, found)]
    lost = sorted(f"{check}, {what}" for check, what in names[0] ^ names[1] if check not in excused)
    return [f"other findings: {lost}"] if lost else []


def shares(due: tuple[Finding, ...], found: tuple[Finding, ...]) -> list[list[Any]]:
    """Findings further apart than their uncertainties: name, value, due, both U, nearest limit."""
    pairs = {(one.check, one.what, one.at): one for one in due}
    apart: list[list[Any]] = []
    for b in found:
        a = pairs.get((b.check, b.what, b.at))
        if a is None or a.value is None or b.value is None:
            continue
        both = (a.u_expanded or 0.0) + (b.u_expanded or 0.0)
        if abs(a.value - b.value) > both:
            apart.append([f"{b.check}, {b.what} {b.at}", b.value, a.value, both, _scale(b)])
    return apart


def scatter_of(finding: Finding) -> float:
    """How far a value may lie beyond the uncertainties, in its unit; see ``SCATTER``."""
    return SCATTER * _scale(finding)


def _scale(finding: Finding) -> float:
    """What scatter is a share of: the nearest limit, half the width between two, or the value.

    The value also where it only must not be less (a leak of gigaohms against one megohm).
    """
    low, high = finding.limit_low, finding.limit_high
    if low and high is None:
        return max(abs(finding.value or 0.0), abs(low))
    known = [abs(one) for one in (low, high) if one]  # a limit of nothing is no scale
    if low is not None and high is not None:
        known.append((high - low) / 2)
    return min(known, default=abs(finding.value or 0.0)) + 1e-6


def scratch() -> Any:
    memory = Path("/dev/shm")
    folder = tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None)
    return _AsPath(folder)


class _AsPath:
    def __init__(self, folder: Any) -> None:
        self._folder = folder

    def __enter__(self) -> Path:
        return Path(self._folder.name)

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()


# ---- the long run -------------------------------------------------------------------------------


def _try(place: Place, end_s: float) -> dict[str, Any] | None:
    if SystemClock().mono_s() > end_s:
        return None

    def hang(_number: int, _frame: object) -> None:
        raise TimeoutError("hang")

    signal.signal(signal.SIGALRM, hang)
    signal.alarm(int(2 * place.deadline_s))
    try:
        result = judge(place)
    except Exception as error:  # noqa: BLE001 - whatever escapes is a finding of this run
        result = {"said": "escaped", "wrong": [f"{type(error).__name__}: {error}"]}
    finally:
        signal.alarm(0)
    return {"case": place.key, "layer": place.layer, **result}


def main(file: Path, seconds: float, layer: int = 0) -> None:
    """Work through the cases (of one layer alone, if it is named) until done or out of time."""
    clock = SystemClock()
    end_s = clock.mono_s() + seconds
    done: set[str] = set()
    if file.exists():
        done = {json.loads(line)["case"] for line in file.read_text("utf-8").splitlines()}
    wanted = [place for place in cases() if place.key not in done and layer in {0, place.layer}]
    if layer == 2:  # other places are drawn when the schedule has changed since: fewer are due
        wanted = wanted[: WHOLE - sum("||" in key for key in done)]
    with multiprocessing.Pool(WORKERS) as pool, file.open("a", encoding="utf-8") as out:
        for result in pool.imap_unordered(partial(_try, end_s=end_s), wanted):
            if result is not None:  # a run that is told to end goes on: it is let finish
                out.write(json.dumps(result) + "\n")
                out.flush()


if __name__ == "__main__":
    seconds, layer = [*sys.argv[2:], *("1e9", "0")[len(sys.argv) - 2 :]][:2]
    main(Path(sys.argv[1]), float(seconds), int(layer))
