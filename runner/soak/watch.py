"""What a soak tells to the outside while it runs: one object, handed to it; silent by default."""

from __future__ import annotations

from typing import Any, Protocol

__all__ = ["Alone", "Watch"]


class Watch(Protocol):
    """Those who look after a soak: the dead-man, the heartbeat file, a person's notifier."""

    def promise(self, seconds: float) -> None:
        """Say that the next sign of life comes within this time, or the load is to go off.

        :raises BenchError: the dead-man does not live any more
        """
        ...

    def beat(self, said: dict[str, Any]) -> None:
        """Tell how things stand."""
        ...

    def event(self, what: str, text: str) -> None:
        """Tell that something happened."""
        ...

    def end_wanted(self) -> bool:
        """Whether somebody asked for a safe end."""
        ...

    def alarmed(self) -> bool:
        """Whether an alarm beside the bench was raised: a smoke sensor, a thermal contact."""
        ...


class Alone:
    """Nobody looks after it: benches that end with this process."""

    def promise(self, seconds: float) -> None:
        """Nobody to promise to."""

    def beat(self, said: dict[str, Any]) -> None:
        """Nobody listens."""

    def event(self, what: str, text: str) -> None:
        """Nobody listens."""

    def end_wanted(self) -> bool:
        """Nobody can ask."""
        return False

    def alarmed(self) -> bool:
        """Nothing watches."""
        return False
