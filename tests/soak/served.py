"""A simulated bench in a process of its own, as a real one would stand there; bench files for it.

``python -m tests.soak.served SPEED HOST`` prints one line of JSON with the addresses and serves
until its input ends. Bench time runs SPEED times faster than the wall clock. Where HOST is another
address than this computer's own, the instruments are reached there through a forwarder.
"""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from runner.bench import find_bench, load_bench
from runner.bench_provider import BenchSetup, open_simulated
from runner.profile import find_profile, load_profile

__all__ = ["ServedBench", "ask"]

ROOT = Path(__file__).parent.parent.parent
ROLES = ("meter", "load", "supply")
HERE = "127.0.0.1"


def ask(port: int, question: str) -> str:
    """Ask an instrument on a connection of its own."""
    with socket.create_connection(("127.0.0.1", port), timeout=5.0) as one:
        one.sendall(question.encode() + b"\n")
        return one.makefile("rb").readline().decode().strip()


class ServedBench:
    """The served bench, and a bench file (meter, load, supply) that leads to it.

    ``under`` is a command under which the process is run, ``host`` where it is reached.
    """

    def __init__(
        self, folder: Path, speed: float = 20.0, faults: Sequence[str] = (), *,
        under: Sequence[str] = (), host: str = HERE,
    ) -> None:  # fmt: skip
        self.process = subprocess.Popen(
            [*under, sys.executable, "-m", "tests.soak.served", str(speed), host, *faults],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        assert self.process.stdout is not None
        self.addresses: dict[str, str] = json.loads(self.process.stdout.readline())
        self.ports = {name: int(address.split("::")[2]) for name, address in self.addresses.items()}
        self.bench = folder / "bench.toml"
        self.bench.write_text(self._file(), encoding="utf-8")

    def _file(self) -> str:
        """The shipped bench with these addresses, only three instruments, no simulation."""
        head, *entries = find_bench("tcp").read_text(encoding="utf-8").split("[[instrument]]")
        head = re.sub(r"\[simulation\].*?(?=\[mains\])", "", head, flags=re.DOTALL)
        head = head.replace('case = "open"', 'case = "closed"')
        head = re.sub(r"chain = .*", "chain = []", head)
        kept = []
        wires = entries[-1].split("[[connection]]")[1:]
        for entry in entries:
            name = re.search(r'name = "([a-z-]+)"', entry)
            if name is None or name.group(1) not in ROLES:
                continue
            text = entry.split("[[connection]]")[0]
            address = self.addresses[name.group(1)]
            kept.append(re.sub(r'address = ".*"', f'address = "{address}"', text))
        joined = [wire for wire in wires if "scope" not in wire]
        return (
            head
            + "".join(f"[[instrument]]{entry}" for entry in kept)
            + "".join(f"[[connection]]{wire}" for wire in joined)
        )

    def connect(self, name: str) -> socket.socket:
        """Open a connection to an instrument that nothing done to the runner's link touches."""
        return socket.create_connection((HERE, self.ports[name]))

    def load_is_on(self) -> bool:
        return ask(self.ports["load"], "INP?") in {"1", "ON"}

    def stop(self) -> None:
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            pipe.close()
        self.process.kill()
        self.process.wait()


def _serve(speed: float, host: str, faults: tuple[str, ...]) -> None:
    bench = load_bench(find_bench("tcp"))
    assert bench.simulation is not None
    opened = open_simulated(
        "tcp",
        BenchSetup(
            bench=bench, profile=load_profile(find_profile(bench.simulation.unit)),
            seed=1, faults=faults,
            options={"port_base": 0, "real_time": True, "speed": speed},
        ),
    )  # fmt: skip
    addresses = dict(opened.addresses)
    if host != HERE:
        for address in addresses.values():
            _forward(host, int(address.split("::")[2]))
        addresses = {name: a.replace(HERE, host) for name, a in addresses.items()}
    print(json.dumps(addresses), flush=True)
    sys.stdin.read()
    opened.close()


def _forward(host: str, port: int) -> None:
    """Pass on what comes to ``host``."""
    door = socket.create_server((host, port))

    def pump(source: socket.socket, drain: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                drain.sendall(data)
        for end in (source, drain):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        while True:
            guest, _ = door.accept()
            inside = socket.create_connection((HERE, port))
            for pair in ((guest, inside), (inside, guest)):
                threading.Thread(target=pump, args=pair, daemon=True).start()

    threading.Thread(target=serve, daemon=True).start()


if __name__ == "__main__":
    _serve(float(sys.argv[1]), sys.argv[2], tuple(sys.argv[3:]))
