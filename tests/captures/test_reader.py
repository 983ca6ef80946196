"""A capture is read alike in every layout, or refused with file, line, expected and found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.captures.capture import Capture
from runner.captures.reader import read_capture
from runner.errors import InputError
from tests.captures import made_files
from tests.captures.made_files import DT_S, ENVELOPES, SAMPLED, T_S, N, V, write

WHOLE = sorted(set(SAMPLED) - {n for n in SAMPLED if n.startswith(("gap", "segments", "uneven"))})
SHIFTED = {"interval_in_header", "rate_in_header", "increment_below_its_name"}


@pytest.mark.parametrize("name", WHOLE)
def test_every_layout_gives_the_same_samples(name: str, tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, SAMPLED[name]()))
    coarse = name == "coarse_time"  # ten neighbours share a printed time
    assert capture.dt_s == pytest.approx(DT_S, rel=1e-5 if coarse else 1e-6)
    assert capture.pieces == ((0, N),)
    assert capture.channels[0].unit == "V"
    assert capture.channels[0].samples == pytest.approx(V, abs=2e-9)
    if name not in SHIFTED:
        assert capture.t_s == pytest.approx(T_S, abs=6e-5 if coarse else 2e-9)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("plain", ["time from 'time' in s", "channel from 'CH1' in V"]),
        ("no_header", ["time from 'column 1'", "'column 2', no unit given, taken as V"]),
        ("semicolon_decimal_comma", ["semicolons, decimal comma", "'Kanal 1' in mV"]),
        ("tab_units_in_names", ["tabs", "'Time' in ms", "'A' in V", "'B' in V"]),
        ("commas_for_everything", ["commas as both separator and decimal sign"]),
        ("interval_in_header", ["no time column; samples every 10 us"]),
        ("rate_in_header", ["'column 1' counts the rows and is left out", "every 10 us"]),
        ("increment_below_its_name", ["'X' counts the rows", "every 10 us", "'CH1' in V"]),
        ("thousands_of_header_lines", ["20000 rows from line 4004", "'Ch 1' in mV"]),
        ("white_space_and_closing_lines", ["blanks", "'t' in s", "'U' in V"]),
        ("coarse_time", ["printed too coarsely"]),
        ("uneven_time", ["sampled unevenly"]),
        ("gap_by_blank_lines", ["2 stretches"]),
        ("gap_by_a_remark", ["2 stretches"]),
        ("gap_in_time_only", ["2 stretches"]),
        ("segments_that_start_again", ["4 stretches"]),
        ("min_max_columns", ["'CH1 Min' and 'CH1 Max' are pairs"]),
        ("min_max_rows", ["every time comes twice"]),
    ],
)
def test_it_says_what_it_took_the_columns_for(name: str, said: list[str], tmp_path: Path) -> None:
    make = {**SAMPLED, **ENVELOPES}[name]
    notes = "\n".join(read_capture(write(tmp_path, make())).notes)
    for words in said:
        assert words in notes


@pytest.mark.parametrize("name", ["gap_by_blank_lines", "gap_by_a_remark", "gap_in_time_only"])
def test_gaps_split_the_capture(name: str, tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, SAMPLED[name]()))
    assert capture.dt_s == pytest.approx(DT_S, rel=1e-6)
    (first, second) = capture.pieces
    assert first == (0, 8000)
    assert second[1] - second[0] == N - 8100
    got = np.concatenate([capture.channels[0].samples[a:b] for a, b in capture.pieces])
    assert got == pytest.approx(np.concatenate([V[:8000], V[8100:]]), abs=1e-9)


def test_segments_are_kept_apart(tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, made_files.segments_that_start_again()))
    assert capture.pieces == tuple((k, k + 5000) for k in range(0, N, 5000))


@pytest.mark.parametrize("name", ENVELOPES)
def test_pairs_become_an_envelope(name: str, tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, ENVELOPES[name]()))
    (channel,) = capture.channels
    assert channel.name == "CH1"
    assert channel.envelope is not None
    low, high = channel.envelope
    assert low == pytest.approx(V.reshape(-1, 20).min(axis=1))
    assert high == pytest.approx(V.reshape(-1, 20).max(axis=1))
    assert capture.dt_s == pytest.approx(20 * DT_S)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings(encoding: str, tmp_path: Path) -> None:
    text = made_files.plain().replace("s,V", "µs,mV", 1)
    capture = read_capture(write(tmp_path, text, encoding))
    assert capture.dt_s == pytest.approx(DT_S * 1e-6)
    assert capture.channels[0].samples == pytest.approx(V * 1e-3)


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_line_ends(ends: str, tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, made_files.plain().replace("\n", ends)))
    assert capture.t_s.size == N


def test_row_numbers_beside_the_time_are_no_channel(tmp_path: Path) -> None:
    rows = [f"{k},{k * 1e-6:.6f},{k % 7}" for k in range(100)]
    capture = read_capture(write(tmp_path, "No,Time,CH1\n" + "\n".join(rows)))
    assert [channel.name for channel in capture.channels] == ["CH1"]


def test_current_channels_and_a_dead_channel(tmp_path: Path) -> None:
    rows = [f"{k * 1e-6:.6f},{k % 7},{k % 5},\n" for k in range(100)]
    capture = read_capture(write(tmp_path, "t [s],I [mA],U [V],spare [V]\n" + "".join(rows)))
    assert [(c.name, c.unit) for c in capture.channels] == [("I", "A"), ("U", "V")]
    assert capture.channels[0].samples[6] == pytest.approx(6e-3)


def test_blank_cells_are_gaps_of_that_channel_only(tmp_path: Path) -> None:
    rows = [f"{k * 1e-3:.4f},{k},{'' if 10 <= k < 20 else k}" for k in range(50)]
    capture = read_capture(write(tmp_path, "t,A,B\n" + "\n".join(rows)))
    assert capture.pieces == ((0, 50),)
    assert np.flatnonzero(np.isnan(capture.channels[1].samples)).tolist() == list(range(10, 20))


def test_interval_given_by_hand(tmp_path: Path) -> None:
    path = write(tmp_path, "\n".join(f"{v:.6f}" for v in V[:100]))
    assert read_capture(path, interval_s=2e-6).dt_s == 2e-6


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["empty"]),
        ("  \n \n", ["empty"]),
        ("hello\nworld\n", ["no rows of numbers", "expected time and volts"]),
        ("\0\1\2\3binary", ["not a text file"]),
        ("t,v\n0.1,2\n", ["too few rows", "found 1"]),
        ("CH1\n" + "1.5\n2.5\n" * 20, ["line 2", "nothing gives the time", "--interval"]),
        (
            "t,v\n" + "".join(f"{k * 0.1:.1f},{k}\n" for k in range(20)) + "2.0,4x7\n"
            + "".join(f"{k * 0.1:.1f},{k}\n" for k in range(21, 40)),
            ["line 22", "expected a number", "found '4x7'"],
        ),
        ("time,CH1\n" + "1.0,2.5\n" * 30, ["nothing gives the time"]),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_in_one_sentence(
    text: str, words: list[str], tmp_path: Path
) -> None:
    path = write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_capture(path)
    for word in [*words, str(path)]:
        assert word in str(caught.value)
    assert caught.value.file == path


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_capture(tmp_path / "none.csv")
    with pytest.raises(InputError, match="cannot be read"):
        read_capture(tmp_path)


def assert_sound(capture: Capture) -> None:
    n = capture.t_s.size
    assert n >= 2
    assert capture.channels
    assert capture.dt_s is None or capture.dt_s > 0
    for start, stop in capture.pieces:
        assert 0 <= start < stop <= n
    for channel in capture.channels:
        assert channel.samples.shape == (n,)


numbers = st.one_of(
    st.floats(-10, 10).map(lambda x: f"{x:.4f}"),
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.integers(-300, 300).map(str),
    st.sampled_from(["", "---", "x", "1,5", '"2,5"', "1e999", "0x10"]),
)
tables = st.builds(
    lambda head, rows, sep: "\n".join([*head, *(sep.join(row) for row in rows)]),
    st.lists(st.text("abc,;:=\t\"' 0123456789.sSVm()#", max_size=25), max_size=6),
    st.lists(st.lists(numbers, min_size=1, max_size=4), max_size=30),
    st.sampled_from([",", ";", "\t", " ", ", "]),
)


@settings(max_examples=150, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(data=st.one_of(st.binary(max_size=300), st.text(max_size=200).map(str.encode),
                      tables.map(str.encode)))  # fmt: skip
def test_any_bytes_give_a_capture_or_one_sentence(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "fuzz.csv"
    path.write_bytes(data)
    try:
        capture = read_capture(path, interval_s=1e-6)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert_sound(capture)
