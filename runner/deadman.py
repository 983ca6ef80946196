"""The dead-man: a process of its own that puts the load off when the runner falls silent.

Started by :mod:`runner.guard`, which writes one line of JSON and then a byte now and then. It
opens its session to the load only when it must act, so that instruments with room for one client
serve the runner until then. What it did is in ``deadman.jsonl`` beside the journal.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sys
from pathlib import Path
from typing import Any, Protocol

from runner.clock import Clock, SystemClock

__all__ = ["FILE_NAME", "SILENCE_S", "act", "main"]

FILE_NAME = "deadman.jsonl"
SILENCE_S = 1.5
TRIES_FOR_S = 900.0
PAUSES_S = (0.1, 0.3, 0.5, 1.0, 2.0, 5.0)
RUNNER_END_S = 3.0
"""A living runner that lost its pipe has so long to end by itself."""


class _OwnFile:
    """The dead-man's own lines; a disk that refuses them does not keep it from acting."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._path, self._clock = folder / FILE_NAME, clock

    def write(self, what: str, **fields: Any) -> None:
        """Append one line, on disk when this returns."""
        line = json.dumps(
            {
                "t_utc": self._clock.utc().isoformat(timespec="milliseconds"),
                "t_mono_s": round(self._clock.mono_s(), 3),
                "what": what,
                **fields,
            }
        )
        with contextlib.suppress(OSError), self._path.open("ab") as file:
            file.write(line.encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        if what != "watching":
            with contextlib.suppress(OSError):
                sys.stderr.write(f"asleft dead-man: {what} {fields.get('said', '')}\n".rstrip(" "))
                sys.stderr.flush()


class OpensLoad(Protocol):
    """Opens a fresh session and puts the load off."""

    def __call__(self) -> bool:
        """Whether it was read back off; raises when it cannot be reached."""
        ...


def main() -> None:
    """Watch the pipe on stdin until it ends the watch, or act.

    The first line names ``instrument`` (its bench file entry), ``address``, ``dialect``,
    ``ratings``, ``folder``, ``runner_pid`` and ``silence_s``.
    """
    clock = SystemClock()
    told = json.loads(sys.stdin.buffer.readline())
    own = _OwnFile(Path(told["folder"]), clock)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    wake, woken = os.pipe()
    os.set_blocking(woken, False)
    signal.set_wakeup_fd(woken)
    signal.signal(signal.SIGTERM, lambda *_: None)
    signal.signal(signal.SIGHUP, lambda *_: None)
    try:
        load_off = _opens(told, clock)
    except Exception as error:  # noqa: BLE001 - whatever it is, the runner must hear of it
        print(f"{type(error).__name__}: {error}".splitlines()[0], flush=True)  # noqa: T201
        sys.exit(1)
    own.write("watching", runner=told["runner_pid"], load=told["address"])
    with contextlib.suppress(OSError):  # a runner that died meanwhile is found by the watch
        print("ready", flush=True)  # noqa: T201
    why = _watch(float(told.get("silence_s", SILENCE_S)), wake)
    if why is None:
        own.write("watching ended", said="the runner ended in order")
        return
    act(why, int(told["runner_pid"]), load_off, own.write, clock)


def _watch(silence_s: float, wake: int) -> str | None:
    """Wait for a reason to act; None when the runner says that it has ended in order."""
    pipe = sys.stdin.fileno()
    while True:
        readable, _, _ = select.select([pipe, wake], [], [], silence_s)
        if wake in readable:
            return "told to stop"
        if pipe not in readable:
            return "silence"
        data = os.read(pipe, 4096)
        if not data:
            return "the pipe was closed"
        if b"q" in data:
            return None


def act(why: str, runner_pid: int, load_off: OpensLoad, write: Any, clock: Clock) -> bool:
    """Put the load off; retries with new sessions until it is read back off.

    A silent runner is killed first: frozen, it holds the instrument's only place, and waking up
    it would go on where it was.
    """
    begun_s = clock.mono_s()
    write("acting", said=why, runner_alive=_alive(runner_pid))
    if why == "silence" and _alive(runner_pid):
        _kill(runner_pid)
        write("runner killed", said=f"process {runner_pid} was frozen or hung")
    tries = 0
    while clock.mono_s() - begun_s < TRIES_FOR_S:
        tries += 1
        try:
            off = load_off()
            said = "" if off else "it does not read back off"
        except Exception as error:  # noqa: BLE001 - every failure is tried again
            off, said = False, f"{type(error).__name__}: {error}".splitlines()[0]
        took_s = round(clock.mono_s() - begun_s, 3)
        if off:
            write("load off, read back off", tries=tries, took_s=took_s)
            return True
        write("load not off", said=said, tries=tries, took_s=took_s)
        clock.sleep(PAUSES_S[min(tries, len(PAUSES_S)) - 1])
        if why == "the pipe was closed" and took_s > RUNNER_END_S and _alive(runner_pid):
            _kill(runner_pid)
            write("runner killed", said=f"process {runner_pid} did not end by itself")
    write("GIVEN UP", said="SWITCH THE UNIT OFF AT ITS OWN SWITCH", tries=tries)
    return False


def _alive(runner_pid: int) -> bool:
    """Whether the runner is still our parent: a number given out anew is never meant."""
    return os.getppid() == runner_pid


def _kill(runner_pid: int) -> None:
    with contextlib.suppress(OSError):
        os.kill(runner_pid, signal.SIGKILL)


def _opens(told: dict[str, Any], clock: Clock) -> OpensLoad:
    """Prepare everything that takes time: modules, dialect, VISA library."""
    from runner.bench import Instrument
    from runner.instruments.dialect import LoadWords
    from runner.instruments.dialect_files import load_dialect
    from runner.instruments.driven import Seat
    from runner.instruments.load import DrivenLoad
    from runner.instruments.roles import Identity
    from runner.instruments.worth import Worth
    from runner.link.opening import open_session, visa_manager
    from runner.link.options import link_options

    entry = Instrument.model_validate(told["instrument"])
    dialect = load_dialect(told["dialect"])
    words = dialect.words("load")
    if not isinstance(words, LoadWords):
        raise ValueError(f"dialect {dialect.name} has no words for a load")
    library = entry.link.get("library")
    options = {key: value for key, value in entry.link.items() if key != "library"}
    link = link_options(dialect.link, {**options, "release_s": 0.0}, entry.name)
    visa_manager(library or link.library)
    identity = Identity("", "", "", "", dialect.name, dialect.proven)
    worth = Worth(entry.name, {}, {}, clock.utc().date())

    def load_off() -> bool:
        session = open_session(entry.name, told["address"], link, clock, library=library)
        seat = Seat(
            name=entry.name, session=session, dialect=dialect, words=words, identity=identity,
            clock=clock, worth=worth, ratings=dict(told["ratings"]), probes={},
        )  # fmt: skip
        load = DrivenLoad(seat, words)
        try:
            off = load.off_confirmed()
            if off:
                with contextlib.suppress(Exception):
                    load.cut_below(0.0)  # what a soak had set would spoil other work
            return off
        finally:
            session.close()

    return load_off


if __name__ == "__main__":
    main()
