"""CSV captures: what is read, with which scale, and what every refusal says."""

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from peakwhite.daemon.sources.capture_file import read_capture
from peakwhite.drivers.capture import Capture, ChannelRecord
from peakwhite.drivers.errors import UnreadableInput


def csv(tmp_path: Path, text: str | bytes, name: str = "capture.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def fault(path: Path) -> str:
    """The one line that reading `path` ends with."""
    with pytest.raises(UnreadableInput) as caught:
        read_capture(path)
    line = str(caught.value)
    assert line.startswith(f"{path}: ")
    assert "\n" not in line and line.isprintable()
    return line


def volts(record: ChannelRecord) -> NDArray[Any]:
    return record.codes * record.volts_per_code + record.volts_at_code_zero


def table(columns: Mapping[str, NDArray[Any]], fmt: str = "%.6g", step_s: float = 1e-8, start_s: float = 0.0) -> str:
    """A CSV text of columns on an even time axis."""
    rows = len(next(iter(columns.values())))
    time = start_s + step_s * np.arange(rows)
    lines = [",".join(["t", *columns])]
    lines += [",".join(fmt % value for value in row) for row in zip(time, *columns.values(), strict=True)]
    return "\n".join(lines) + "\n"


def test_columns_become_channels_with_their_headers_as_names(tmp_path: Path) -> None:
    capture = read_capture(csv(tmp_path, "seconds,red, CH2 \n-1e-6,0.1,3\n0,0.2,4\n1e-6,0.3,5\n"))
    assert [record.name for record in capture.channels] == ["red", "CH2"]
    assert (capture.samples, capture.first_sample_s, capture.captured_at_ns) == (3, -1e-6, 0)
    assert capture.seconds_per_sample == pytest.approx(1e-6)
    assert capture.identity == "capture.csv"
    assert volts(capture.channels[1]) == pytest.approx([3.0, 4.0, 5.0], abs=1e-4)


def test_a_byte_order_mark_line_ends_of_two_bytes_and_empty_rows_at_the_end_are_read_over(tmp_path: Path) -> None:
    capture = read_capture(csv(tmp_path, "\ufefft,CH1\r\n0,1\r\n1e-6,2\r\n\r\n\n"))
    assert capture.samples == 2
    assert capture.channels[0].name == "CH1"


def test_the_content_not_the_suffix_tells_the_kind(tmp_path: Path) -> None:
    assert read_capture(csv(tmp_path, "t,CH1\n0,1\n1e-6,2", name="trace.txt")).samples == 2


REFUSED = {
    "empty": (b"", "it is empty"),
    "blank": (b"\n\n", "has one column only"),
    "prose": (b"Tamarisk TM-2\nboard 7 washed out\n", "row 1, 'Tamarisk TM-2', has one column only"),
    "prose with commas": (b"Dear bench,\nthe board, as sent, is hot.\n", "row 1, column 2, has no name"),
    "header only": (b"t,CH1\n", "no rows of samples"),
    "one row": (b"t,CH1\n0,1\n", "1 row of samples"),
    "no channel": (b"t\n0\n1e-6\n", "one column only"),
    "no header": (b"0,1\n1e-6,2\n", "row 1 holds numbers"),
    "unnamed channel": (b"t,CH1,\n0,1,\n", "row 1, column 3, has no name"),
    "duplicate headers": (b"t,CH1,CH1\n0,1,2\n1e-6,1,2\n", "row 1 names 'CH1' twice"),
    "endless name": (b"t," + b"x" * 99 + b"\n0,1\n1e-6,2\n", "longer than 64"),
    "unprintable name": (b"t,C\x1b[31mH\n0,1\n1e-6,2\n", "cannot be printed"),
    "too many channels": (b",".join(b"c%d" % n for n in range(5000)) + b"\n", "4,999 channels: 'c0,c1,c2,"),
    "quoted header": (b'"t","CH1"\n0,1\n1e-6,2\n', "row 1 has quoted fields"),
    "quoted number": (
        b't,CH1\n0,1\n1e-6,"2"\n',
        "row 3, column 'CH1', holds '\"2\"', not a number: '1e-6,\"2\"'; export without quot",
    ),
    "semicolons": (b"t;CH1\n0;1\n1e-6;2\n", "separated by semicolons; export with commas"),
    "tabs": (b"t\tCH1\n0\t1\n1e-6\t2\n", "separated by tabs"),
    "decimal commas": (
        b"t,CH1\n0,0,1,0\n1,0,2,0\n",
        "row 2 has 4 columns where the header has 2: '0,0,1,0'; export with commas",
    ),
    "bare carriage returns": (b"t;CH1\r0;1\r1;2\r".replace(b";", b","), "carriage return"),
    "missing cell": (b"t,CH1,CH2\n0,1,2\n1e-6,1\n", "row 3 has 2 columns where the header has 3"),
    "extra cell": (b"t,CH1\n0,1\n1e-6,1,9\n", "row 3 has 3 columns where the header has 2"),
    "empty cell": (b"t,CH1\n0,1\n1e-6,\n", "row 3, column 'CH1', holds '', not a number"),
    "word": (b"t,CH1\n0,1\n1e-6,high\n", "row 3, column 'CH1', holds 'high', not a number"),
    "units row": (b"t,CH1\ns,V\n0,1\n1e-6,2\n", "row 2, column 't', holds 's', not a number"),
    "empty row": (b"t,CH1\n0,1\n\n1e-6,2\n", "row 3 is empty"),
    "nan": (b"t,CH1\n0,1\n1e-6,NaN\n2e-6,1\n", "row 3, column 'CH1', holds 'NaN'; only finite"),
    "infinity": (b"t,CH1\n0,1\n1e-6,2\n2e-6,-inf\n", "row 4, column 'CH1', holds '-inf'"),
    "nan time": (b"t,CH1\n0,1\nnan,2\n2e-6,1\n", "row 3, column 't', holds 'nan'"),
    "overflow": (b"t,CH1\n0,1\n1e-6,1e999\n", "row 3, column 'CH1', holds '1e999'"),
    "absurd volts": (b"t,CH1\n0,1\n1e-6,1e30\n", "row 3, column 'CH1', holds '1e30'"),
    "binary": (bytes(range(256)) * 9, "is not UTF-8 text; export"),
    "utf-16": ("t,CH1\n0,1\n1e-6,2\n".encode("utf-16"), "byte 0xff at offset 0 is not UTF-8"),
    "latin-1": (b"t,CH1\n0,1\n1e-6,\xb5\n", "byte 0xb5 at offset 15 is not UTF-8"),
    "nul bytes": (bytes(5000), "one column only"),
    "time stands still": (b"t,CH1\n1,1\n1,2\n1,3\n", "time stands still: row 2 and row 4"),
    "time all backwards": (b"t,CH1\n3e-6,1\n2e-6,2\n1e-6,3\n", "time runs backwards from row 2 to row 3"),
    "time once backwards": (b"t,CH1\n0,1\n1e-6,1\n3e-6,2\n2e-6,2\n4e-6,3\n", "time runs backwards from row 4 to row 5"),
    "milliseconds of no scope": (b"t,CH1\n0,1\n2e4,2\n4e4,3\n", "20000 s a sample cannot be; the first column"),
}


@pytest.mark.parametrize(("content", "said"), REFUSED.values(), ids=REFUSED.keys())
def test_a_file_that_is_no_capture_is_refused_with_place_and_reason(tmp_path: Path, content: bytes, said: str) -> None:
    assert said in fault(csv(tmp_path, content))


def test_a_gap_is_named_by_its_rows(tmp_path: Path) -> None:
    time = [n * 1e-6 for n in range(100)] + [n * 1e-6 for n in range(150, 200)]
    path = csv(tmp_path, "t,CH1\n" + "".join(f"{t:.6g},0.5\n" for t in time))
    assert "time has a gap from row 101 to row 102: 5.1e-05 s where 1e-06 s is usual" in fault(path)


def test_a_rate_that_drifts_is_not_uniform(tmp_path: Path) -> None:
    path = csv(tmp_path, "t,CH1\n" + "".join(f"{n * 1e-6 + n * n * 1e-9:.9g},0.5\n" for n in range(100)))
    assert "time is not uniform: row 51" in fault(path)


def test_one_row_late_by_a_fifth_of_a_sample_is_refused_and_by_a_twentieth_is_not(tmp_path: Path) -> None:
    def late(by: float) -> Path:
        return csv(tmp_path, "t,CH1\n" + "".join(f"{(n + by * (n == 30)) * 1e-6:.9g},0.5\n" for n in range(60)))

    assert "row 32" in fault(late(0.2))
    assert read_capture(late(0.05)).samples == 60


@pytest.mark.parametrize("fmt", ["%.6g", "%.5e", "%.9f", "%.17g"])
def test_times_as_coarse_as_a_printer_makes_them_are_uniform(tmp_path: Path, fmt: str) -> None:
    level = np.tile([0.0, 0.5], 20_000)
    capture = read_capture(csv(tmp_path, table({"CH1": level}, fmt, step_s=4e-9, start_s=-8e-5)))
    assert capture.seconds_per_sample == pytest.approx(4e-9, rel=2e-5)


def test_a_stripped_zero_in_the_last_time_does_not_hide_a_gap(tmp_path: Path) -> None:
    time = [n * 1e-6 for n in range(500)] + [n * 1e-6 for n in range(600, 1001)]
    path = csv(tmp_path, "t,CH1\n" + "".join(f"{t:.6g},0.5\n" for t in time))
    assert path.read_text().endswith("\n0.001,0.5\n")
    assert "time has a gap from row 501 to row 502" in fault(path)


def test_a_directory_a_missing_file_and_a_pipe_are_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    assert "is a directory" in fault(tmp_path)
    assert "no such file" in fault(tmp_path / "absent.csv")
    assert "no ordinary file" in fault(tmp_path / "pipe.csv")


def test_a_file_beyond_the_size_limit_is_refused_unread(tmp_path: Path) -> None:
    path = csv(tmp_path, "t,CH1\n")
    os.truncate(path, (4 << 30) + 1)  # sparse
    assert "larger than 4 GiB" in fault(path)


def test_a_row_without_end_is_refused(tmp_path: Path) -> None:
    assert "a row is longer than 8 MiB" in fault(csv(tmp_path, b"t,CH1\n0,1\n" + b"1" * (17 << 20)))


def test_a_record_that_spans_blocks_is_read_whole_and_faults_keep_their_row(tmp_path: Path) -> None:
    rows = [f"{n * 1e-8:.11f},{n % 7},{n % 5},{'0' * 30}\n" for n in range(250_000)]
    path = csv(tmp_path, "t,CH1,CH2,CH3\n" + "".join(rows))
    assert path.stat().st_size > 8 << 20
    assert read_capture(path).samples == 250_000
    rows[249_000] = "oops\n"
    assert "row 249002 has 1 column where the header has 4" in fault(csv(tmp_path, "t,CH1,CH2,CH3\n" + "".join(rows)))


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_volts_printed_from_codes_give_the_codes_back(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    bits = data.draw(st.sampled_from([8, 10, 12]), "bits")
    step_v = data.draw(st.sampled_from([0.004, 0.0003125, 0.00786432, 0.04, 2.44140625e-4]), "volts per code")
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000), "seed"))
    flats = rng.integers(0, 2**bits - 8, 12).repeat(60)
    codes = np.clip(flats + rng.integers(0, 4, flats.size), 0, 2**bits - 1)
    offset_v = data.draw(st.sampled_from([0.0, -0.5, 0.123456]), "offset")
    path = csv(tmp_path_factory.mktemp("grid"), table({"CH1": codes * step_v + offset_v}))
    record = read_capture(path).channels[0]
    assert record.volts_per_code == pytest.approx(step_v, rel=1e-3)
    assert np.array_equal(record.codes, codes - codes.min())


def test_volts_on_no_grid_take_sixteen_bits_over_their_range(tmp_path: Path) -> None:
    level = np.random.default_rng(5).uniform(-0.3, 0.7, 500)
    record = read_capture(csv(tmp_path, table({"CH1": level}, "%.12g"))).channels[0]
    assert record.codes.dtype == np.uint16
    assert record.volts_per_code == pytest.approx((level.max() - level.min()) / 65_535)
    assert volts(record) == pytest.approx(level, abs=0.51 * record.volts_per_code)


def test_the_steps_of_a_clean_staircase_are_not_taken_for_the_codes_of_a_scope(tmp_path: Path) -> None:
    level = np.arange(11).repeat(50) * 0.07143
    record = read_capture(csv(tmp_path, table({"CH1": level}))).channels[0]
    assert record.volts_per_code < 1e-4
    assert volts(record) == pytest.approx(level, abs=1e-5)


def test_a_dead_channel_is_read(tmp_path: Path) -> None:
    record = read_capture(csv(tmp_path, table({"CH1": np.full(100, 0.25)}))).channels[0]
    assert volts(record) == pytest.approx(np.full(100, 0.25))
    assert (record.low_rail_code, record.high_rail_code) == (None, None)


def noisy_lines(noise_lsb: float, clip_at: int, rng: np.random.Generator) -> NDArray[Any]:
    """Lines of blanking, grey and white in codes of 4 mV, cut off at a code."""
    line = np.repeat([50.0, 120.0, 229.3, 50.0], [60, 100, 200, 40])
    return np.minimum(np.rint(np.tile(line, 20) + rng.normal(0.0, noise_lsb, 8000)), clip_at) * 0.004


@pytest.mark.parametrize("noise_lsb", [0.5, 1.0, 4.0])
def test_a_flat_top_among_noisy_flats_is_clipped(tmp_path: Path, noise_lsb: float) -> None:
    level = noisy_lines(noise_lsb, 210, np.random.default_rng(2))
    record = read_capture(csv(tmp_path, table({"CH1": level}))).channels[0]
    assert record.low_rail_code is None
    assert record.high_rail_code == record.codes.max()


@pytest.mark.parametrize("noise_lsb", [0.0, 0.2, 0.3, 0.5, 1.0, 4.0])
def test_flats_that_are_all_alike_are_not_clipped(tmp_path: Path, noise_lsb: float) -> None:
    for seed in range(5):
        level = noisy_lines(noise_lsb, 999, np.random.default_rng(seed))
        record = read_capture(csv(tmp_path, table({"CH1": level}))).channels[0]
        assert (record.low_rail_code, record.high_rail_code) == (None, None)


def test_a_logic_level_is_never_judged_clipped(tmp_path: Path) -> None:
    level = noisy_lines(1.0, 210, np.random.default_rng(2))
    path = csv(tmp_path, table({"Sync": level, "CH4": level, "CH5": level}))
    rails = {record.name: record.high_rail_code for record in read_capture(path, sync_channels={"CH4"}).channels}
    assert rails["Sync"] is None
    assert rails["CH4"] is None
    assert rails["CH5"] is not None


ALMOST_CSV = st.lists(
    st.sampled_from(
        [b"t", b"CH1", b",", b",", b"\n", b"\n", b"0", b"1", b"e", b"-", b".", b"nan", b"\xff", b'"', b"\r", b" "]
    )
).map(b"".join)


@settings(max_examples=400, deadline=None)
@given(st.one_of(st.binary(max_size=400), ALMOST_CSV, ALMOST_CSV.map(lambda tail: b"t,CH1\n0,1\n1,2\n" + tail)))
def test_any_bytes_are_a_capture_or_unreadable(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(content)
    try:
        capture = read_capture(path)
    except UnreadableInput as error:
        assert re.fullmatch(r".+: .+; .+", str(error))
    else:
        assert isinstance(capture, Capture)
        assert capture.samples >= 2
