"""The CSV files of the instrument families: each layout gives the codes, the time axis and the channels' names back."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from made_video import Made, capture_of, digitised, luma, picture_wave, rgb_sync, steps, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.capture_file import read_capture
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.errors import UnreadableInput
from scope_csv import LAYOUTS, ONE_CHANNEL, below_preamble, beside, index_start_increment, memory, numbered

MADE = Made(samples=6_000, sample_ns=80.0, centre_mv=300.0)
START_S = -1e-4


def rgbs() -> Capture:
    """Three levels of white and sync, and no code beyond 1 V, where three printed digits would lose it."""
    return replace(rgb_sync(MADE, white(640.0), white(700.0), white(712.0)), first_sample_s=START_S)


def one_wire() -> Capture:
    wave = luma(MADE, steps([0.0, 230.0, 480.0, 700.0]))
    return replace(capture_of(MADE, digitised(MADE, "CH1", wave)), first_sample_s=START_S)


def saved(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "export.csv"
    path.write_bytes(text.encode())
    return path


def fault(tmp_path: Path, text: str) -> str:
    with pytest.raises(UnreadableInput) as caught:
        read_capture(saved(tmp_path, text))
    return str(caught.value)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_gives_back_codes_time_and_names(tmp_path: Path, layout: str) -> None:
    given = one_wire() if layout in ONE_CHANNEL else rgbs()
    read = read_capture(saved(tmp_path, LAYOUTS[layout](given)), sync_channels=("CH4",))
    assert [one.name for one in read.channels] == [one.name for one in given.channels]
    assert read.samples == given.samples
    assert read.seconds_per_sample == pytest.approx(given.seconds_per_sample, rel=1e-5)
    assert read.first_sample_s == pytest.approx(START_S, abs=1e-10)
    for of_file, of_scope in zip(read.channels, given.channels, strict=True):
        assert of_file.volts_per_code == pytest.approx(of_scope.volts_per_code, rel=1e-3)
        assert np.array_equal(of_file.codes.astype(int), of_scope.codes.astype(int) - int(of_scope.codes.min()))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_levels_of_an_export_are_those_of_the_capture(tmp_path: Path, layout: str) -> None:
    one = layout in ONE_CHANNEL
    given = one_wire() if one else rgbs()
    conditions = Conditions(Hookup((Clip("CH1", "luma"),)) if one else BENCH_DEFAULT)
    read = read_capture(saved(tmp_path, LAYOUTS[layout](given)), sync_channels=("CH4",))
    there, here = (measure_capture(capture, conditions) for capture in (given, read))
    assert here.sync.state == "locked"
    for of_scope, of_file in zip(there.channels, here.channels, strict=True):
        assert (of_scope.peak_white_mv is None) == (of_scope.role == "sync")
        assert of_file.peak_white_mv == pytest.approx(of_scope.peak_white_mv, abs=0.5)


@pytest.mark.parametrize("name", ["C2", "CHAN2", "CHANNEL2", "X(CH2)", "2", "CH02"])
def test_a_channel_is_called_ch_with_its_number_whatever_the_header_calls_it(tmp_path: Path, name: str) -> None:
    text = numbered(capture_of(MADE, digitised(MADE, "CH1", picture_wave(MADE, white(700.0)))))
    read = read_capture(saved(tmp_path, text.replace("x-axis,1", f"Time,{name}")))
    assert [one.name for one in read.channels] == ["CH2"]


ROWS = "0,1,2\n1e-6,2,3\n2e-6,3,4\n"
PLAIN = {
    "Time(s),red,green": ["red", "green"],
    "Time(s),CH1,CH2": ["CH1", "CH2"],
    "Second,red,green": ["red", "green"],
    "second,CH1,sync": ["CH1", "sync"],
    "[s],luma,chroma": ["luma", "chroma"],
    "in s,CH1,CH2": ["CH1", "CH2"],
    "Model,CH1,CH2": ["CH1", "CH2"],
    "X,Start,Increment": ["Start", "Increment"],
    "Record Length,CH1,CH2": ["CH1", "CH2"],
    "x-axis,1,2": ["1", "2"],
    "points/segment,CH1,CH2": ["CH1", "CH2"],
    "Time(s),CH1V,green": ["CH1V", "green"],
    "Time(s),CH1V,CH2": ["CH1V", "CH2"],
    "Time(s),CH1 red,C64 luma": ["CH1 red", "C64 luma"],
}


@pytest.mark.parametrize(("header", "names"), PLAIN.items())
def test_a_header_that_half_matches_a_layout_is_a_plain_one_and_every_column_is_read(
    tmp_path: Path, header: str, names: list[str]
) -> None:
    read = read_capture(saved(tmp_path, f"{header}\n{ROWS}"))
    assert [one.name for one in read.channels] == names
    volts = [one.codes * one.volts_per_code + one.volts_at_code_zero for one in read.channels]
    assert [one.tolist() for one in volts] == [
        pytest.approx([1.0, 2.0, 3.0], abs=1e-4),
        pytest.approx([2.0, 3.0, 4.0], abs=1e-4),
    ]


DROPPED = {
    "by the source above": (
        f"Record Length,3\nSource,CH1\nSecond,Volt,Volt\n{ROWS}",
        "row 3, 'Second,Volt,Volt', has a column 3 that no row above names",
    ),
    "by the vertical scale above": (
        f"Record Length,3\nVertical Scale,CH1:0.2\nSecond,Volt,Volt\n{ROWS}",
        "row 3, 'Second,Volt,Volt', has a column 3 that no row above names",
    ),
    "by the number above": (f"x-axis,1\nsecond,Volt,Volt\n{ROWS}", "row 2, 'second,Volt,Volt', has a column 3"),
    "without a unit": (f"x-axis,1,2\nsecond,Volt\n{ROWS}", "that column 3, '2', is in volts"),
    "of amperes": (f"x-axis,1,2\nsecond,Volt,Ampere\n{ROWS}", "that column 3, '2', is in volts"),
    "of amperes by the preamble": (
        f"Vertical Units,CH1:V,CH2:A\nSource,CH1,CH2\nSecond,Value,Value\n{ROWS}",
        "row 1, 'Vertical Units,CH1:V,CH2:A', does not say that column 3, 'CH2', is in volts",
    ),
    "of amperes above the names": (
        f"Model,X\nVertical Units,V,A\nTIME,CH1,CH2\n{ROWS}",
        "row 2, 'Vertical Units,V,A', does not say that column 3, 'CH2', is in volts",
    ),
    "of amperes in the header": (
        f"Time(s),CH1V,CH2A\n{ROWS}",
        "row 1, 'Time(s),CH1V,CH2A', does not say that column 3",
    ),
    "of extremes": (
        f"in s,C1min in V,C1max in V\n{ROWS}",
        "row 1, 'in s,C1min in V,C1max in V', has extremes in column 2",
    ),
    "beside start and increment": (
        "X,CH1,CH2,Start,Increment,\nSequence,Volt,Amp,0,1e-6,\n0,1,2,,\n1,2,3,,\n",
        "row 2, 'Sequence,Volt,Amp,0,1e-6,', does not say that column 3, 'CH2', is in volts",
    ),
    "beside a start in the header": (
        "CH1(V),green,t0 = 0s, tInc = 1e-6s,\n1,2,,\n2,3,,\n",
        "does not say that column 2, 'green', is in volts",
    ),
    "in a second group": (
        "Model,X\nTIME,CH1,,TIME,CH2\n0,1,,0,2\n1e-6,2,,1e-6,3\n",
        "row 2, 'TIME,CH1,,TIME,CH2', does not say that column 5, 'CH2', is in volts",
    ),
    "of no header": (f"[s],CH1[V]\n{ROWS}", "row 2, '0,1,2', has a column 3 of which the rows above say nothing"),
    "beside a preamble": (
        "Record Length,2,,0,1,5\nSource,CH1,,1e-6,2,6\n",
        "row 1, 'Record Length,2,,0,1,5', has a column 6 of which the rows above say nothing",
    ),
}


@pytest.mark.parametrize(("text", "said"), DROPPED.values(), ids=DROPPED.keys())
def test_a_column_that_would_be_dropped_is_refused_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    assert said in fault(tmp_path, text)


@pytest.mark.parametrize(
    "times",
    ["t0 = -100us,tInc = 0.05us", "t0 = -0.1ms, tInc = 50ns", "t0=-1e-4 s,tInc=50000PS", "t0=-100µs,tInc=0.05μS"],
)
def test_start_and_increment_in_a_header_may_be_in_parts_of_a_second(tmp_path: Path, times: str) -> None:
    read = read_capture(saved(tmp_path, f"CH1(V),{times},\n1,,\n2,,\n3,,\n"))
    assert read.first_sample_s == pytest.approx(-1e-4)
    assert read.seconds_per_sample == pytest.approx(5e-8)


def test_the_second_as_unit_may_be_in_capitals(tmp_path: Path) -> None:
    for layout in (below_preamble, beside):
        text = layout(one_wire()).replace("Horizontal Units,s", "Horizontal Units,S")
        assert read_capture(saved(tmp_path, text)).samples == MADE.samples


def test_digital_inputs_alone_are_left_out_of_a_header_with_units(tmp_path: Path) -> None:
    read = read_capture(saved(tmp_path, f"Time(s),CH1V,D0\n{ROWS}"))
    assert [one.name for one in read.channels] == ["CH1"]
    read = read_capture(saved(tmp_path, "CH1(V),D7-D0,t0 = 0s,tInc = 1e-6s,\n1,0x0F,,\n2,0x0E,,\n"))
    assert [one.name for one in read.channels] == ["CH1"]


SMALL = "TIME,CH1\n0,1\n1e-6,2\n"
STRANGE = {
    "unknown header": ("Tarn 4 record\n4 channels\n0,1\n", "row 1, 'Tarn 4 record', has one column only"),
    "unknown row of units": ("t,CH1\n(s),(V)\n0,1\n1e-6,2\n", "row 2, column 't', holds '(s)', not a number: '(s),(V)'"),
    "unknown preamble": ("Trace,7\nGain,2\n0,1,2\n1e-6,1,2\n", "row 2, column 'Trace', holds 'Gain', not a number: 'Gain,2'"),
    "several records": ("points/segment = 5\nx-axis,1\nsecond,Volt\n0,1\n1,2\n", "row 1, 'points/segment = 5', says"),
    "no volts": ("x-axis,1\nsecond,Ampere\n0,1\n1e-6,2\n", "row 2, 'second,Ampere', does not say that column 2, '1', is"),
    "one channel twice": ("x-axis,1,CH1\nsecond,Volt,Volt\n0,1,1\n1e-6,2,2\n", "row 2, 'second,Volt,Volt', names a channel"),
    "no increment": ("X,CH1,Start,Increment,\nSequence,Volt,0\n0,1,\n1,2,\n", "row 2, 'Sequence,Volt,0', lacks"),
    "increment of words": (
        "X,CH1,Start,Increment,\nSequence,Volt,0,fast\n0,1,\n1,2,\n",
        "row 2, 'Sequence,Volt,0,fast', has 'fast' where",
    ),
    "increment of nothing": ("X,CH1,Start,Increment,\nSequence,Volt,0,0\n0,1,\n1,2,\n", "0 s a sample cannot be"),
    "increment backwards": ("CH1(V),t0 = 0s, tInc = -1e-6s,\n1,,\n2,,\n", "-1e-06 s a sample cannot be"),
    "a start without end": ("CH1(V),t0=9E370,tInc=8e0\n0,\n0,\n", "row 1, 'CH1(V),t0=9E370,tInc=8e0', has '9E370' where"),
    "an index left out": ("X,CH1,Start,Increment,\nSequence,Volt,0,1e-6\n0,1,\n1,2,\n2,2,\n9,2,\n", "row 5 to row 6"),
    "preamble only": ("x-axis,1\nsecond,Volt\n", "row 3, the end of the file, ends the file before any sample"),
    "preamble without end": ("Model,X\nFirmware Version,1\n0,1\n", "row 1, 'Model,X', begins a preamble that no row"),
    "a word for a sample": ("x-axis,1\nsecond,Volt\n0,high\n1e-6,2\n", "row 3, '0,high', is no row of samples"),
    "a word further on": ("x-axis,1\nsecond,Volt\n0,1\n1e-6,high\n", "row 4, column 'CH1', holds 'high', not a number"),
    "a short row": ("x-axis,1,2\nsecond,Volt,Volt\n0,1,2\n1e-6,2\n", "row 4 has 2 columns where the first row of samples has 3"),
    "a spectrum below a preamble": (f"Model,X\nHorizontal Units,Hz\n{SMALL}", "row 2, 'Horizontal Units,Hz', is not of"),
    "a spectrum by its header": ("in Hz,FFT in dBm\n0,1\n1,2\n", "row 1, column 1, is in 'Hz': 'in Hz,FFT in dBm'"),
    "milliseconds": ("Time(ms),CH1\n0,1\n1,2\n", "row 1, column 1, is in 'ms': 'Time(ms),CH1'; export seconds and volts"),
    "millivolts": ("t,CH1 [mV]\n0,1\n1,2\n", "row 1, column 2, is in 'mV'"),
    "pairs of extremes": ("[s],CH1[V]\n0,1\n0,2\n2e-6,1\n2e-6,2\n4e-6,1\n4e-6,2\n", "every time stands twice from row 2 on"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "said"), STRANGE.values(), ids=STRANGE.keys())
def test_what_no_layout_knows_is_refused_and_its_line_is_shown(tmp_path: Path, text: str, said: str) -> None:
    assert said in fault(tmp_path, text)


@pytest.mark.parametrize(
    ("said", "other", "why"),
    [
        ("Vertical Units,V", "Vertical Units,A", "is not of volts"),
        ("Horizontal Units,s", "Horizontal Units,Hz", "is not of seconds"),
        ("Source,CH1", "Label,CH1", "names no Source"),
    ],
)
def test_a_preamble_beside_the_samples_has_to_be_of_volts_over_time(
    tmp_path: Path, said: str, other: str, why: str
) -> None:
    assert why in fault(tmp_path, beside(one_wire()).replace(said, other))


def test_an_index_beyond_a_million_is_a_number_of_a_sample(tmp_path: Path) -> None:
    head = "X,CH1,Start,Increment,\nSequence,Volt,-1,1e-9\n"
    read = read_capture(saved(tmp_path, head + "".join(f"{23_000_000 + at},{at % 7},\n" for at in range(100))))
    assert (read.samples, read.seconds_per_sample) == (100, 1e-9)
    assert read.first_sample_s == pytest.approx(-1.0 + 0.023)


@pytest.mark.parametrize("layout", [index_start_increment, memory, numbered])
def test_a_record_longer_than_one_block_is_read_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, layout: Callable[[Capture], str]
) -> None:
    monkeypatch.setattr("peakwhite.daemon.sources.csv_capture.BLOCK_BYTES", 20_000)
    text = layout(rgbs())
    assert len(text) > 100_000
    assert read_capture(saved(tmp_path, text)).samples == MADE.samples


def one_file_a_channel(folder: Path, capture: Capture) -> Path:
    """The capture as a folder of files F0001CH1.CSV and so on."""
    folder.mkdir()
    for number, channel in enumerate(capture.channels, start=1):
        text = beside(replace(capture, channels=(channel,))).replace("Source,CH1", f"Source,CH{number}")
        (folder / f"F0001CH{number}.CSV").write_text(text)
    return folder


def test_a_folder_of_one_file_a_channel_is_one_capture(tmp_path: Path) -> None:
    given = rgbs()
    read = read_capture(one_file_a_channel(tmp_path / "ALL0001", given), sync_channels=("CH4",))
    assert (read.identity, [one.name for one in read.channels]) == ("ALL0001", ["CH1", "CH2", "CH3", "CH4"])
    there, here = (measure_capture(capture, Conditions(BENCH_DEFAULT)) for capture in (given, read))
    for of_scope, of_file in zip(there.channels, here.channels, strict=True):
        assert of_file.peak_white_mv == pytest.approx(of_scope.peak_white_mv, abs=0.5)


def spoilt(folder: Path, name: str, change: Callable[[str], str]) -> str:
    """What is said of a folder after a change to one of its files."""
    (folder / name).write_text(change((folder / "F0001CH2.CSV").read_text()))
    with pytest.raises(UnreadableInput) as caught:
        read_capture(folder)
    return str(caught.value)


def test_a_folder_whose_files_are_not_of_one_record_is_refused(tmp_path: Path) -> None:
    def fresh(name: str) -> Path:
        return one_file_a_channel(tmp_path / name, rgbs())

    assert "several records, F0001 and F0002" in spoilt(fresh("A"), "F0002CH2.CSV", lambda text: text)
    assert "holds one channel twice" in spoilt(fresh("B"), "F0001CH3.CSV", lambda text: text)
    shorter = spoilt(fresh("C"), "F0001CH2.CSV", lambda text: text[: text.rindex("\n", 0, -1) + 1])
    assert "F0001CH2.CSV: does not share the time axis of F0001CH1.CSV" in shorter
    assert "F0001CH2.CSV: row 1, 'oops', has one column only" in spoilt(
        fresh("D"), "F0001CH2.CSV", lambda text: "oops\n"
    )
