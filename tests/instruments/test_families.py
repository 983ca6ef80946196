"""Every dialect against its twin: what is set arrives in the family's words, what is read is SI.

The second half proves the proof: a twin with one thing changed must be noticed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from runner.errors import AsleftError, InstrumentError
from runner.instruments.dialect_files import dialect_names, load_dialect, matching_dialects
from runner.instruments.roles import OverlappingMeter
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import LOADS, MAINS, METERS, SUPPLIES, THERMOMETERS
from tests.instruments.scenarios import (
    RATINGS,
    capture_of,
    prove_load,
    prove_mains_meter,
    prove_mains_source,
    prove_meter,
    prove_scope,
    prove_supply,
    prove_thermometer,
)
from tests.instruments.scopes import SCOPES
from tests.instruments.twin import Twin, served

Prove = Callable[[str, Twin], None]
TWINS: dict[str, tuple[Callable[[], Twin], Prove]] = {
    **{name: (lambda t=twin: t, prove_meter) for name, twin in METERS.items()},
    **{name: (lambda t=twin: t, prove_load) for name, twin in LOADS.items()},
    **{name: (lambda t=twin: t, prove_supply) for name, twin in SUPPLIES.items()},
    **{name: (make, prove_scope) for name, make in SCOPES.items()},
    **{name: (lambda t=twin: t, prove_thermometer) for name, twin in THERMOMETERS.items()},
    "chroma-61600": (lambda: MAINS["chroma-61600"], prove_mains_source),
    "yokogawa-wt310": (lambda: MAINS["yokogawa-wt310"], prove_mains_meter),
    "gw-gpm8310": (lambda: MAINS["gw-gpm8310"], prove_mains_meter),
}


def test_every_dialect_has_its_twin() -> None:
    driven = {name for name in dialect_names() if load_dialect(name).roles}
    assert sorted(TWINS) == sorted(driven - {"scpi-1999"})


@pytest.mark.parametrize("name", TWINS)
def test_family(name: str) -> None:
    make, prove = TWINS[name]
    prove(name, make())


def test_meter_works_while_something_else_does() -> None:
    """INIT goes out first, the value is fetched afterwards; the end needs its beginning."""
    with (
        served(METERS["keysight-3446x"]) as (player, address),
        opened_instrument("meter", address, "keysight-3446x") as meter,
    ):
        assert isinstance(meter, OverlappingMeter)
        meter.set_dc_volts(expect_v=12.0)
        meter.begin_reading()
        meter.errors()  # stands for the other instrument's work
        reading = meter.end_reading()
        assert reading.valid
        assert player.log.index("INIT") < player.log.index("FETC?")
        assert "READ?" not in player.log
        with pytest.raises(InstrumentError, match="no reading was begun"):
            meter.end_reading()


@pytest.mark.parametrize("name", [name for name in LOADS if name != "easttester-et54"])
def test_load_pulse(name: str) -> None:
    with (
        served(LOADS[name]) as (player, address),
        opened_instrument("load", address, name, **RATINGS) as load,
    ):
        load.pulse(0.5, 2.0, 100.0, 2e5)
        load.pulse_off()
    assert player.unknown == []
    if name == "rigol-dl3000":  # kilohertz there
        assert float(player.state["khz"]) == pytest.approx(0.1)


@pytest.mark.parametrize("name", SCOPES)
def test_edge_trigger_words(name: str) -> None:
    capture, unknown = capture_of(name, SCOPES[name](), source="ch1", slope="falling", level_v=4.5)
    assert capture.reason is None
    assert unknown == []


@pytest.mark.parametrize("name", TWINS)
def test_identity_belongs_to_one_dialect(name: str) -> None:
    assert [one.name for one in matching_dialects(TWINS[name][0]().idn)] == [name]


@pytest.mark.parametrize("name", TWINS)
def test_memory_is_confessed(name: str) -> None:
    """A dialect that nobody tried on the instrument says so."""
    assert not load_dialect(name).proven
    assert load_dialect(name).from_memory


def other_terminator(twin: Twin) -> Twin:
    """Carriage return alone; where replies have no end, a byte more in front of each."""
    if twin.no_end:
        return with_replies(twin, lambda text: "9" + text)
    return replace(twin, end="\r")


def with_replies(twin: Twin, change: Callable[[str], str]) -> Twin:
    """Change the measured replies: the constant ones that are numbers."""
    asks = dict(twin.asks)
    for pattern, reply in asks.items():
        if isinstance(reply, str) and any(c.isdigit() for c in reply) and "{" not in reply:
            asks[pattern] = change(reply)
        elif isinstance(reply, bytes):
            asks[pattern] = change(reply.decode("latin-1")).encode("latin-1")
    return replace(twin, asks=asks)


def other_sign(twin: Twin) -> Twin:
    """Measured numbers negated."""
    return with_replies(twin, _negated)


def _negated(text: str) -> str:
    head = "R " if text.startswith("R ") else ""
    body = text.removeprefix("R ")
    fields = body.split(",")
    if len(fields) == 10:  # a preamble: the voltage step
        return ",".join([*fields[:7], "-" + fields[7], *fields[8:]])
    if body.startswith("-"):
        return head + body[1:]
    return head + "-" + body.removeprefix("+")


def other_unit(twin: Twin) -> Twin:
    """A unit that has no business there."""

    def dressed(text: str) -> str:
        return text.replace(",", "lm,").replace("  ", "lm  ").rstrip("VA") + "lm"

    return with_replies(twin, dressed)


def echoing_header(twin: Twin) -> Twin:
    """Replies that begin with the keyword though headers were never asked for."""
    return with_replies(twin, lambda text: ":VALUE " + text)


def deaf_to_settings(twin: Twin) -> Twin:
    """Every setting is taken without complaint and ignored."""
    return replace(twin, sets={pattern: "" for pattern in twin.sets})


MUTATIONS = [other_terminator, other_sign, other_unit, echoing_header, deaf_to_settings]
# What a family gives no chance to notice, with the reason:
UNNOTICEABLE = {
    ("korad-ka3005p", "other_unit"): "what follows the fifth byte is thrown away by declaration",
    ("chroma-61600", "other_sign"): "a source is only set and read back",
    ("chroma-61600", "other_unit"): "as above",
    ("chroma-61600", "echoing_header"): "as above",
    ("yokogawa-wt310", "deaf_to_settings"): "its set-up words have no read-back here",
    ("gw-gpm8310", "deaf_to_settings"): "as above",
    ("keysight-34970a", "deaf_to_settings"): "the unit is not read back",
    ("owon-xdm", "deaf_to_settings"): "its range cannot be asked back in volts",
    ("gw-gdm8", "deaf_to_settings"): "as above",
}


@pytest.mark.parametrize("mutate", MUTATIONS, ids=lambda one: one.__name__)
@pytest.mark.parametrize("name", TWINS)
def test_one_thing_changed_is_noticed(name: str, mutate: Callable[[Twin], Twin]) -> None:
    if (name, mutate.__name__) in UNNOTICEABLE:
        pytest.skip(UNNOTICEABLE[name, mutate.__name__])
    make, prove = TWINS[name]
    with pytest.raises((AssertionError, AsleftError)):
        prove(name, mutate(make()))


@pytest.mark.parametrize("name", [name for name in SCOPES])
def test_other_sample_coding_is_noticed(name: str) -> None:
    """Bytes swapped, or signed taken for unsigned, in the data alone."""
    twin = SCOPES[name]()
    asks = dict(twin.asks)
    (pattern,) = [p for p in asks if p.startswith(("WAV:DATA", "CURV", "C1:WF", "CHAN1:DATA\\?"))]
    asks[pattern] = _recoded(asks[pattern], bytes_wide=_width(name))
    with pytest.raises(AssertionError):
        prove_scope(name, replace(twin, asks=asks))


def _width(name: str) -> int:
    return {"keysight-infiniivision": 2, "siglent-sds-hd": 2, "rs-rtb2000": 4}.get(name, 1)


def _recoded(reply: object, bytes_wide: int) -> Callable[[dict[str, str]], bytes]:
    def answer(state: dict[str, str]) -> bytes:
        whole = reply(state) if callable(reply) else b""
        at = whole.index(b"#")
        head = at + 2 + int(whole[at + 1 : at + 2])
        n = int(whole[at + 2 : head])
        data = whole[head : head + n]
        if bytes_wide == 1:
            changed = bytes(b ^ 0x80 for b in data)
        else:
            parts = [data[i : i + bytes_wide][::-1] for i in range(0, n, bytes_wide)]
            changed = b"".join(parts)
        return whole[:head] + changed + whole[head + n :]

    return answer
