"""A soak's journal written by hand, with names that try to be markup."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from runner.clock import VirtualClock
from runner.profile import find_profile, load_profile
from runner.record.journal import Journal
from runner.soak.run import FLUSH_EVERY_S

__all__ = ["HOSTILE", "MadeNight"]

HOSTILE = '<img src=x onerror="document.title=\'owned\'"><script>document.title="owned"</script>'
COLUMNS = [
    {"quantity": "output-voltage", "unit": "V", "instrument": "meter", "function": "dc-volts"},
    {"quantity": "load-current", "unit": "A", "instrument": "load", "function": "dc-amps"},
    {"quantity": "inlet-power", "unit": "W", "instrument": "mains-meter", "function": "power"},
    {"quantity": "heatsink-temperature", "unit": "°C", "instrument": "t", "function": "t"},
    {"quantity": "line-voltage", "unit": "V", "instrument": "mains-meter", "function": "ac"},
]  # fmt: skip


class MadeNight:
    """Writes a record as a soak does; time is virtual."""

    def __init__(
        self, folder: Path, *, serial: str = HOSTILE, lasts_s: float = 36000.0,
        model: str = HOSTILE, every_s: float = 10.0,
    ) -> None:  # fmt: skip
        self.clock = VirtualClock(datetime(2026, 1, 1, 18, tzinfo=UTC))
        self.folder = folder
        self.journal = Journal(folder, self.clock, flush_every_s=FLUSH_EVERY_S)
        profile = load_profile(find_profile("lb-2403")).model_dump(mode="json")
        profile["unit"]["model"] = model
        plan: dict[str, Any] = {
            "every_s": every_s,
            "stages": [{"name": "hold", "lasts_s": lasts_s}],
        }
        self.journal.write(
            "record", format=1, software="asleft", software_version="0", simulated=True,
            profile=profile, bench={}, job={"serial": serial}, options={"soak": {"plan": plan}},
        )  # fmt: skip
        self.journal.write("check-start", check="soak", question="?")
        self.journal.write("columns", check="soak", every_s=every_s, columns=COLUMNS)
        self.journal.write("event", check="soak", what="plan", lasts_s=lasts_s)
        self.journal.write(
            "stage", check="soak", name="hold", set_v=24.0, load_a=3.0, lasts_s=lasts_s,
            line_share=1.0, from_s=0.0,
        )  # fmt: skip

    def row(
        self, volts: float, every_s: float = 10.0, *, amps: float = 3.0, watts: float = 110.0,
        heat_c: float = 41.5, line_v: float = 230.0,
    ) -> None:  # fmt: skip
        self.clock.sleep(every_s)
        self.journal.write("s", v=[volts, amps, watts, heat_c, line_v])

    def minute(self, number: int, volts: float) -> None:
        low = [volts - 1e-3, 3.0, 1.0, 41.0, 229.0]
        high = [volts + 1e-3, 3.0, 1.0, 42.0, 231.0]
        self.journal.write(
            "minute", check="soak", stage="hold", minute=number, n=[6] * 5, low=low,
            mean=[volts, 3.0, 1.0, 41.5, 230.0], high=high,
        )  # fmt: skip

    def event(self, what: str, **fields: Any) -> None:
        self.journal.write("event", check="soak", what=what, **fields)
