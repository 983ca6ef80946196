"""Kills a soak in every way over TCP and looks at what is left: load, journal, lost readings.

The soak runs in a process of its own (forked, so that its modules need not be loaded anew), its
dead-man in another, the bench in a third, faster than the wall clock.
"""

from __future__ import annotations

import gc
import json
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from math import hypot
from pathlib import Path

from runner.acceptance import Acceptance, load_inputs
from runner.assess import assess
from runner.deadman import FILE_NAME
from runner.errors import AsleftError
from runner.guard import Guard
from runner.job import Job
from runner.operator.requests import Answer, AskNumber, Request
from runner.record.chain import chain_faults
from runner.record.journal import JOURNAL_NAME
from runner.record.reader import open_record
from runner.resume import read_resumable
from runner.soak.plan import make_plan
from runner.soak.run import SoakWanted, resume_soak, run_soak, wanted_again
from runner.soak.samples import samples_of
from tests.soak.served import ServedBench

__all__ = ["Killed", "Killer", "findings_of_record"]

FOR_S, EVERY_S = 8.0, 0.05
UNDER_WAY_S = 6.0
"""Instants of harm counted from the first row: inside every stage."""
OFF_WITHIN_S = 3.0
SERIAL = "K-1"


class Agreeing:
    """A person who says yes to everything and reads 230 V at the inlet."""

    def answer(self, request: Request) -> Answer:
        value = 230.0 if isinstance(request, AskNumber) else None
        return Answer(done=True, value=value, words="yes")


@dataclass(frozen=True, slots=True)
class Killed:
    """One trial. ``was_on``: the load was on at the instant; times in s."""

    at_s: float
    was_on: bool
    off_after_s: float | None
    confirmed: bool
    lost_s: float | None
    faults: tuple[str, ...]
    folder: Path

    @property
    def good(self) -> bool:
        """Load off in time, read back off by whoever did it, journal whole."""
        off = self.off_after_s is not None and self.off_after_s <= OFF_WITHIN_S
        lost = self.lost_s is None or self.lost_s <= 1.0
        return off and self.confirmed and lost and not self.faults


class Killer:
    """A served bench on which soaks are begun and killed."""

    def __init__(self, place: Path, speed: float = 20.0, served: ServedBench | None = None) -> None:
        self.place = place
        self.served = served or ServedBench(place, speed)
        inputs = load_inputs(self.served.bench, "lb-2403")
        plan = make_plan(inputs.profile, inputs.bench, FOR_S, EVERY_S)
        job = Job(serial=SERIAL)
        self.wanted = SoakWanted(
            Acceptance(inputs=inputs, job=job, out=place), plan, guards="a test"
        )
        self._wire = self.served.connect("load")
        self._answers = self._wire.makefile("rb")

    def close(self) -> None:
        self._answers.close()
        self._wire.close()
        self.served.stop()

    def load_on(self) -> bool:
        self._wire.sendall(b"INP?\n")
        return self._answers.readline().strip() in {b"1", b"ON"}

    # ---- processes ----------------------------------------------------------------------------

    def begin(self, name: str) -> int:
        """Begin a soak in a new process; returns its id. Its record is inside ``name``."""
        acceptance = replace(self.wanted.acceptance, out=self.place / name)
        wanted = replace(self.wanted, acceptance=acceptance)
        return _forked(lambda: run_soak(wanted, lambda _: Agreeing(), _quiet).assessment.exit_code)

    def resume(self, folder: Path) -> int:
        """Take a record up again in a new process; returns its id."""

        def work() -> int:
            resumable = read_resumable(folder, SERIAL)
            wanted = wanted_again(resumable)
            outcome = resume_soak(resumable, wanted, lambda _: Agreeing(), _quiet)
            return int(outcome.assessment.exit_code)

        return _forked(work)

    def folder(self, name: str) -> Path:
        return next((self.place / name).iterdir())

    def until_running(self, name: str, within_s: float = 20.0) -> Path:
        """Wait until rows are being written."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            with suppress(OSError, StopIteration):
                folder = self.folder(name)
                if b'"kind":"s"' in (folder / JOURNAL_NAME).read_bytes():
                    return folder
            time.sleep(0.02)
        raise AssertionError("the soak does not begin")

    # ---- trials -------------------------------------------------------------------------------

    def trial(self, name: str, at_s: float, harm: Callable[[int, Path], None]) -> Killed:
        """Begin, do harm after ``at_s`` (from the start of the process), see what is left."""
        pid = self.begin(name)
        begun_s = time.monotonic()
        time.sleep(at_s)
        return self._harmed(name, pid, time.monotonic() - begun_s, harm)

    def trial_under_way(
        self, name: str, after_s: float, harm: Callable[[int, Path], None]
    ) -> Killed:
        """As ``trial``, with ``after_s`` counted from the first row."""
        pid = self.begin(name)
        self.until_running(name)
        time.sleep(after_s)
        return self._harmed(name, pid, after_s, harm)

    def _harmed(
        self, name: str, pid: int, at_s: float, harm: Callable[[int, Path], None]
    ) -> Killed:
        was_on = self.load_on()
        folder = next((self.place / name).glob("*"), self.place / name)
        harm(pid, folder)
        harmed_s = time.monotonic()
        off_after_s = self._off_after(harmed_s)
        with suppress(ChildProcessError):
            _wait(pid, 15.0)
        confirmed = self._confirmed(folder) and not self.load_on()
        return Killed(
            at_s, was_on, off_after_s, confirmed, _lost_s(folder, harmed_s, was_on=was_on),
            _faults(folder), folder,
        )  # fmt: skip

    def _off_after(self, since_s: float) -> float | None:
        """When the load was seen off for good: the last moment it was on, within 4 s."""
        last_on_s = since_s
        while (now_s := time.monotonic()) < since_s + 4.0:
            if self.load_on():
                last_on_s = now_s
            elif now_s - last_on_s > 1.8:
                return last_on_s - since_s
            time.sleep(0.02)
        return None if self.load_on() else last_on_s - since_s

    def _confirmed(self, folder: Path) -> bool:
        """Whether runner or dead-man wrote that it read the load back off, where one watched."""
        end_s = time.monotonic() + 5.0
        while time.monotonic() < end_s:
            own = folder / FILE_NAME
            said = [json.loads(line)["what"] for line in own.read_bytes().splitlines()] if (
                own.exists()
            ) else []  # fmt: skip
            journal = folder / JOURNAL_NAME
            ended = journal.exists() and b'"load_off_confirmed":true' in journal.read_bytes()
            if "load off, read back off" in said or ended or not said:
                return True
            time.sleep(0.05)
        return False


def _quiet(_check: str, _fraction: float, _doing: str) -> None:
    return


def _forked(work: Callable[[], int]) -> int:
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        os.setsid()
        signal.signal(signal.SIGUSR1, _lose_pipe)
        null = os.open(os.devnull, os.O_RDWR)
        os.dup2(null, 0)
        os.dup2(null, 1)
        os.dup2(null, 2)
        code = int(work())
    except AsleftError as error:
        code = int(error.exit_code)
    finally:
        os._exit(code)


def _wait(pid: int, within_s: float) -> int:
    """Wait for a process; a stopped or endless one is killed. Returns its exit code."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.kill(pid, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


wait = _wait


def _lost_s(folder: Path, harmed_s: float, *, was_on: bool) -> float | None:
    """Seconds from the last whole line to the harm; None when the load was off (between rows)."""
    journal = folder / JOURNAL_NAME
    if not was_on or not journal.exists():
        return None
    last = journal.read_bytes().rpartition(b"\n")[0].rpartition(b"\n")[2]
    return max(0.0, harmed_s - float(json.loads(last)["t_mono_s"])) if last else None


def _faults(folder: Path) -> tuple[str, ...]:
    """Breaks of the chain; a torn last line is not one."""
    journal = folder / JOURNAL_NAME
    if not journal.exists():
        return ()
    data = journal.read_bytes()
    return tuple(fault.sentence for fault in chain_faults(data[: data.rfind(b"\n") + 1]))


def findings_of_record(folder: Path) -> list[tuple[str, str]]:
    """What was found and decided, in order."""
    return [(f.what, str(f.decision)) for f in assess(open_record(folder)).findings]


def apart(folder: Path, twin: Path) -> float:
    """Farthest of two records' values from each other, in their joint uncertainty (E_n)."""
    pairs = zip(
        assess(open_record(folder)).findings, assess(open_record(twin)).findings, strict=True
    )
    return max(
        abs(one.value - other.value) / hypot(one.u_expanded, other.u_expanded)
        for one, other in pairs
        if one.value is not None and other.value is not None
        and one.u_expanded and other.u_expanded
    )  # fmt: skip


def kill_with(number: int) -> Callable[[int, Path], None]:
    """Send a signal to the runner."""
    return lambda pid, _folder: os.kill(pid, number)


def close_pipe(pid: int, folder: Path) -> None:
    """Have the runner lose the pipe to its dead-man, as soon as there is one."""
    end_s = time.monotonic() + 10.0
    while time.monotonic() < end_s:
        with suppress(OSError, StopIteration, ValueError):
            deadman_pid(folder if (folder / JOURNAL_NAME).exists() else next(folder.iterdir()))
            os.kill(pid, signal.SIGUSR1)
            return
        time.sleep(0.05)


def _lose_pipe(_number: int, _frame: object) -> None:
    """Close the runner's end, as nothing but the system could."""
    for one in gc.get_objects():
        if isinstance(one, Guard):
            with suppress(OSError):
                os.close(one._pipe.fileno())


def deadman_pid(folder: Path) -> int:
    """Process id of the dead-man, from its own line in the journal."""
    line = next(
        line for line in (folder / JOURNAL_NAME).read_bytes().splitlines()
        if b'"kind":"deadman"' in line
    )  # fmt: skip
    return int(json.loads(line)["pid"])


def kill_deadman(_pid: int, folder: Path) -> None:
    """Kill the dead-man, where there is one already."""
    with suppress(OSError, StopIteration, ValueError):
        os.kill(deadman_pid(folder), signal.SIGKILL)


def end_deadman(_pid: int, folder: Path) -> None:
    """Tell the dead-man to end, where there is one already."""
    with suppress(OSError, StopIteration, ValueError):
        os.kill(deadman_pid(folder), signal.SIGTERM)


def taken_up_again(killer: Killer, folder: Path, twin: Path) -> str:
    """Take a killed soak up again; the word says whether it then finds what its twin found.

    What is wanting because this busy computer left rows out, and what because of the kill, are
    told apart by what the record itself says of both.
    """
    if b'"kind":"stage"' not in _journal(folder):
        return "killed before the first stage"
    if b'"kind":"end"' in _journal(folder):
        return "ended before it was killed"
    code = _wait(killer.resume(folder), 60.0)
    record = open_record(folder)
    if code not in {0, 1} or record.problems:
        return f"NOT TAKEN UP: exit {code}, {record.problems}"
    found, due = findings_of_record(folder), findings_of_record(twin)
    if found == due:
        e_n = apart(folder, twin)
        return "the twin's findings" if e_n <= 1.0 else f"the twin's decisions, E_n {e_n:.2f}"
    samples = samples_of(record.check("soak").rows)
    left_out = samples.left_out() if samples is not None else 0
    others = [one for one in found if one not in due]
    return f"OTHER FINDINGS {folder.parent.name}, {left_out} rows left out: {others}"


def _journal(folder: Path) -> bytes:
    journal = folder / JOURNAL_NAME
    return journal.read_bytes() if journal.exists() else b""


def main() -> None:
    """``python -m tests.faults.killing TRIALS WHAT FOLDER [RESUME [SEED]]``: harm at random.

    WHAT is a signal's name for the runner, DEADMAN, DEADMAN-TERM or PIPE; instants are counted
    from the first row. With RESUME each soak is taken up again and compared with an uninterrupted
    twin. Runs with other seeds may go on at the same time. Prints what came of it.
    """
    trials, word, place = int(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
    place.mkdir(parents=True)
    resume, seed = sys.argv[4:5] == ["RESUME"], int(sys.argv[5]) if sys.argv[5:] else 1
    rng = random.Random(seed)
    others = {"DEADMAN": kill_deadman, "DEADMAN-TERM": end_deadman, "PIPE": close_pipe}
    harm = others.get(word) or kill_with(getattr(signal, word))
    killer = Killer(place)
    found: list[Killed] = []
    ways: Counter[str] = Counter()
    try:
        if resume:
            _wait(killer.begin("twin"), 60.0)
        for number in range(trials):
            one = killer.trial_under_way(f"t{number}", rng.uniform(0.0, UNDER_WAY_S), harm)
            found.append(one)
            if not one.good:
                print("NOT GOOD", one, flush=True)
            if resume:
                ways[taken_up_again(killer, one.folder, killer.folder("twin"))] += 1
            if (number + 1) % 25 == 0:
                print(summary(found), dict(ways), flush=True)
    finally:
        killer.close()
    print(summary(found), dict(ways), flush=True)


def summary(found: list[Killed]) -> str:
    on = [one for one in found if one.was_on]
    slowest = max((one.off_after_s or 0.0 for one in on), default=0.0)
    lost = max((one.lost_s or 0.0 for one in on), default=0.0)
    return (
        f"{len(found)} times, load on at {len(on)}, good {sum(one.good for one in found)},"
        f" off within {slowest:.2f} s, readings lost {lost:.2f} s"
    )


if __name__ == "__main__":
    main()
