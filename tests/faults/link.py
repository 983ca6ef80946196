"""A bench behind a link that can vanish: a network namespace joined by a pair of virtual cards.

Needs root and the program ``ip``. The addresses are those set apart for documentation (RFC 5737).
"""

from __future__ import annotations

import ctypes
import os
import shutil
import socket
import subprocess
import threading
from pathlib import Path

from tests.soak.served import HERE, ServedBench

__all__ = ["LinkedBench", "why_no_links"]

NETWORK, BITS = "192.0.2", 30
CLONE_NEWNET = 0x40000000


def why_no_links() -> str:
    """Return what keeps this computer from making such a link; empty when nothing does."""
    if os.geteuid() != 0:
        return "only root may make network namespaces"
    if shutil.which("ip") is None:
        return "the program ip (package iproute2) is not here"
    name = f"asleft-try-{os.getpid()}"
    tried = subprocess.run(
        ["ip", "netns", "add", name], check=False, capture_output=True, text=True
    )
    if tried.returncode:
        return f"the kernel refuses a network namespace: {tried.stderr.strip()}"
    _ip("netns", "del", name)
    return ""


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


class LinkedBench(ServedBench):
    """A served bench at the far end of a link."""

    def __init__(self, folder: Path, speed: float = 20.0) -> None:
        self.space = f"asleft-{os.getpid()}"
        first = 4 * (os.getpid() % 60)  # so that several may stand at once
        near, far = f"{NETWORK}.{first + 1}", f"{NETWORK}.{first + 2}"
        self._near, self._far = f"al{os.getpid() % 10**8}n", f"al{os.getpid() % 10**8}f"
        _ip("netns", "add", self.space)
        try:
            _ip("link", "add", self._near, "type", "veth", "peer", "name", self._far)
            _ip("link", "set", self._far, "netns", self.space)
            _ip("addr", "add", f"{near}/{BITS}", "dev", self._near)
            _ip("link", "set", self._near, "up")
            inside = ("-n", self.space)
            _ip(*inside, "addr", "add", f"{far}/{BITS}", "dev", self._far)
            _ip(*inside, "link", "set", self._far, "up")
            _ip(*inside, "link", "set", "lo", "up")
            super().__init__(folder, speed, under=("ip", "netns", "exec", self.space), host=far)
        except BaseException:
            _ip("netns", "del", self.space)
            raise

    def vanish(self) -> None:
        """Take the link away: packets are lost without a word."""
        _ip("-n", self.space, "link", "set", self._far, "down")

    def come_back(self) -> None:
        """Put the link back."""
        _ip("-n", self.space, "link", "set", self._far, "up")

    def connect(self, name: str) -> socket.socket:
        """Open a connection from inside the namespace, which the link does not carry."""
        made: list[socket.socket] = []

        def inside() -> None:
            libc = ctypes.CDLL(None, use_errno=True)
            with Path(f"/run/netns/{self.space}").open() as space:
                if libc.setns(space.fileno(), CLONE_NEWNET):
                    raise OSError(ctypes.get_errno(), "setns")
            made.append(socket.create_connection((HERE, self.ports[name])))

        thread = threading.Thread(target=inside)  # only this thread goes there
        thread.start()
        thread.join()
        return made[0]

    def stop(self) -> None:
        super().stop()
        _ip("netns", "del", self.space)
