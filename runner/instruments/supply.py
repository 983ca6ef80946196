"""The role supply: the unit itself where it can be set remotely."""

from __future__ import annotations

from runner.instruments.decode import as_bool, as_integer, as_word
from runner.instruments.dialect import SupplyWords
from runner.instruments.driven import Driven, Seat
from runner.reading import Reading

__all__ = ["DrivenSupply"]


class DrivenSupply(Driven):
    """A settable supply; its readback is what it says of itself, never the reference."""

    passive = False

    def __init__(self, seat: Seat, words: SupplyWords) -> None:
        super().__init__(seat)
        self._words = words
        self._on = False

    def start(self) -> None:
        """As every role; then see whether the output is on already."""
        super().start()
        setting = self._words.settings.get("output")
        if setting is not None and setting.get is not None:
            self._on = bool(self._ask(setting.get, as_bool))

    def set_voltage(self, volts: float) -> None:
        """Set point in V, read back."""
        self._set("volts", volts)

    def set_current_limit(self, amps: float) -> None:
        """Current limit in A, read back."""
        self._set("amps", amps)

    def output(self, on: bool) -> None:
        """Output on or off, read back."""
        if "output" in self._words.settings:
            self._set("output", on)
        self._on = on

    def panel_volts(self) -> Reading:
        """What the unit says its output voltage is; quantity "panel-voltage"."""
        return self._reading(
            self._words.queries["volts"], quantity="panel-voltage", unit="V",
            function="panel-volts", range_=None,
        )  # fmt: skip

    def panel_amps(self) -> Reading:
        """What the unit says its current is; quantity "panel-current"."""
        return self._reading(
            self._words.queries["amps"], quantity="panel-current", unit="A",
            function="panel-amps", range_=None,
        )  # fmt: skip

    def mode(self) -> str:
        """Return "cv", "cc", "off" or "unknown"."""
        question = self._words.queries.get("mode")
        if not self._on:
            return "off"
        if question is None:
            return "unknown"
        if self._words.mode_bits:
            value = self._ask(question, as_integer)
            for key, word in self._words.mode_bits.items():
                if value & int(key):
                    return word
            return self._words.modes.get("", "unknown")
        found = self._ask(question, as_word)
        return self._words.modes.get(found.upper(), "unknown")

    def make_safe(self) -> None:
        """Output off, then the panel."""
        self.output(False)
        super().make_safe()
