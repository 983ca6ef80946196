"""Section I: host, logging, ending (F88 to F93), as far as links and instruments carry them."""

from __future__ import annotations

import os
import signal
import threading
import time
from typing import Any

from runner.clock import VirtualClock
from runner.instruments.open import open_instruments
from tests.faults.harness import LINK, Faulty, case, load_on
from tests.faults.plain import LOAD
from tests.instruments.bench_of import bench_with
from tests.link.scripted import RST, Scripted


def ending(instead: dict[str, Any], work: Any = None, exception: type[BaseException] | None = None) -> str:
    """Load on, then trouble; what the load saw last and what is said of it."""
    player = Faulty(LOAD, instead)
    with Scripted(player.reply, nonce=False) as scripted:
        bench = bench_with("load", scripted.address, "scpi-1999", link=LINK, current_max="30 A")
        instruments = open_instruments(bench, None, VirtualClock())
        caught = "no exception"
        try:
            instruments.load.set_current(1.0)  # type: ignore[union-attr]
            instruments.load.input(True)  # type: ignore[union-attr]
            assert player.state["input"] == "ON"
            if work is not None:
                work(instruments.load, player)
            if exception is not None:
                raise exception
        except BaseException as error:  # noqa: BLE001 - every kind must end the same
            caught = type(error).__name__
        begun_s = time.monotonic()
        instruments.close()
        assert time.monotonic() - begun_s < 4.0
        said = {True: "SAFE", False: "loudly unconfirmed", None: "no load"}
        off = "off" if player.state["input"] == "OFF" else "STILL ON"
        return f"{caught}: {said[instruments.load_off_confirmed]}, load {off}"


def _interrupted(load: Any, _: Faulty) -> None:
    threading.Timer(0.1, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
    load._session.query("WAIT?", 5.0)


@case("F88", "The instrument is left on",
      due="ZeroDivisionError: SAFE, load off; KeyboardInterrupt: SAFE, load off; ConnectError: SAFE, load off",
      twin=lambda: ending({}), twin_due="no exception: SAFE, load off")  # fmt: skip
def f88() -> str:
    step = ending({}, exception=ZeroDivisionError)
    blocked = ending({"WAIT?": None}, work=_interrupted)
    lost = ending({"MEAS:CURR?": [RST]}, work=lambda load, _: [load._session.query("MEAS:CURR?")])
    return f"{step}; {blocked}; {lost}"


@case("F88b", "The load cannot be reached any more", due="DeadlineError: loudly unconfirmed, load STILL ON",
      twin=lambda: ending({}), twin_due="no exception: SAFE, load off")  # fmt: skip
def f88b() -> str:
    def die(load: Any, player: Faulty) -> None:
        player.dead = True
        load._session.query("MEAS:CURR?")

    return ending({}, work=die)


@case("F89", "Front panel locked afterwards", due="local asked last, its failure masks nothing",
      twin=lambda: _last({}), twin_due="local asked last")  # fmt: skip
def f89() -> str:
    assert _last({"SYST:LOC": [RST]}) == "local asked last"
    return "local asked last, its failure masks nothing"


def _last(instead: dict[str, Any]) -> str:
    with load_on(instead) as (load, player, _):
        load.input(True)
    time.sleep(0.02)
    return "local asked last" if player.log[-1] == "SYST:LOC" else f"{player.log[-3:]}"

