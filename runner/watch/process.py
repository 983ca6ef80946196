"""Serving the page: in this process, or in one of its own beside a run."""

from __future__ import annotations

import os
import secrets
import socket
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from runner.errors import BenchError, InputError
from runner.watch.server import LOOPBACK, make_app

__all__ = ["serve", "serve_beside", "stand_back"]

_WATCH = (
    "from runner.watch.process import stand_back; stand_back();"
    " from runner.cli.main import main; main()"
)
_NICE = 10
_AUTOGROUP = Path("/proc/self/autogroup")


def stand_back() -> None:
    """Let everything else on this computer go first, the run above all.

    Where sessions share the processor as groups (Linux, autogroup), niceness counts inside a
    group only: the whole group's is lowered then, and inside it this process is idle, which a
    waking run interrupts at once. Elsewhere idle could mean never, and niceness must do.
    """
    if hasattr(os, "nice"):
        os.nice(_NICE)
    with suppress(OSError):
        if _AUTOGROUP.exists():
            _AUTOGROUP.write_text(str(_NICE), encoding="ascii")
            os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise InputError(
            "the page cannot be served there", key="--host, --port",
            expected="an address of this computer and a free port",
            found=f"{host}, {port} ({error.strerror})",
        ) from None  # fmt: skip
    listener.listen(128)
    return listener


def serve(folder: Path, host: str, port: int, say: Callable[[str], None]) -> None:
    """Serve until interrupted; says the address first.

    On any other address than the computer's own a token is made: who has the address with the
    token may look, and end the run safely.

    :raises InputError: the address or port cannot be had
    """
    import uvicorn

    token = None if host in LOOPBACK else secrets.token_urlsafe(16)
    listener = _listen(host, port)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{listener.getsockname()[1]}/"
    say(address if token is None else f"{address}?token={token}")
    config = uvicorn.Config(
        make_app(folder, token), log_level="warning", access_log=False,
        timeout_graceful_shutdown=1,
    )  # fmt: skip
    uvicorn.Server(config).run(sockets=[listener])


def serve_beside(folder: Path, *, host: str = LOOPBACK[0]) -> tuple[str, Callable[[], None]]:
    """Serve a record on a free port in a process of its own.

    Returns the address and what ends it.

    :raises BenchError: it does not begin
    """
    child = subprocess.Popen(
        [sys.executable, "-c", _WATCH, "watch", str(folder.resolve()),
         "--port", "0", "--host", host],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        start_new_session=True, cwd=Path(__file__).parent.parent.parent,
    )  # fmt: skip
    if child.stdout is None:
        raise BenchError("the live page cannot be served")
    address = child.stdout.readline().decode().strip()

    def end() -> None:
        child.terminate()
        try:
            child.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        if child.stdout is not None:
            child.stdout.close()

    if not address.startswith("http"):
        end()
        raise BenchError("the live page cannot be served")
    return address, end
