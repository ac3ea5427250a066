"""Generated replies and files, 1,700 cases here and 300 through a socket: nothing but values and typed errors."""

import time
import tracemalloc
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fuzzing import INDEX_PREAMBLES, LIMIT_BYTES, NAMED_PREAMBLES, PARSERS, WHERE
from peakwhite.daemon.sources.csv_capture import BLOCK_BYTES, read_csv
from peakwhite.daemon.sources.volts_to_codes import record_of_volts
from peakwhite.drivers.blocks import block_payload
from peakwhite.drivers.errors import PeakwhiteError, ReplyError, UnreadableInput
from peakwhite.drivers.replies import number

PATH = Path(WHERE)
ODD_NUMBERS = st.sampled_from(
    [
        "0",
        "-0",
        "1",
        "1e-9",
        "1e-320",
        "-1e-400",
        "9.8e37",
        "9.9E37",
        "1e999",
        "nan",
        "-inf",
        "",
        " ",
        "1_0",
        "٣",
        "0x1",
    ]
    + ["1.00GSa/s", "****", '"1"', "1" * 400, "1e" + "9" * 40, ".", "-", "+.5E+00", "\x1c1", "1\x00", "1,2", "1;2"]
)
NUMBERS = ODD_NUMBERS | st.floats(allow_nan=False).map(repr) | st.integers().map(str)


def takes(parser: str, data: bytes) -> None:
    """Assert that it is parsed, or refused in one line by the parser's own error."""
    try:
        PARSERS[parser].parse(data)
    except PARSERS[parser].errors as error:
        _assert_one_line(error)


def _assert_one_line(error: PeakwhiteError) -> None:
    assert str(error).isprintable()
    assert len(str(error)) < 400


@settings(max_examples=500, deadline=None, derandomize=True)
@given(
    prefix=st.binary(max_size=70),
    digits=st.integers(0, 9) | st.sampled_from([b"A", b" ", b"-", b""]),
    length=st.integers(0, 80) | st.integers(0, 10**9 - 1) | st.sampled_from([b"+4", b" 4", b"1_", b"\xb2"]),
    payload=st.binary(max_size=80),
    tail=st.sampled_from([b"", b"\n", b"\r\n", b"\n\n", b"\n\n\n", b"#", b"1\n"]),
    cut=st.integers(0, 250),
)
def test_a_block_that_lies_in_any_part_is_a_payload_within_the_limit_or_a_typed_error(
    prefix: bytes, digits: int | bytes, length: int | bytes, payload: bytes, tail: bytes, cut: int
) -> None:
    said = length if isinstance(length, bytes) else str(length).encode()
    count = digits if isinstance(digits, bytes) else str(digits).encode()
    message = bytearray(prefix + b"#" + count + said + payload + tail)[: 250 - cut]
    try:
        assert block_payload(message, limit_bytes=LIMIT_BYTES, where=WHERE).nbytes <= LIMIT_BYTES
    except ReplyError as error:
        _assert_one_line(error)


@settings(max_examples=400, deadline=None, derandomize=True)
@given(fields=st.lists(NUMBERS, min_size=9, max_size=11), keep=st.sets(st.integers(0, 9)))
def test_a_preamble_by_index_of_any_numbers_is_a_scale_or_a_typed_error(fields: list[str], keep: set[int]) -> None:
    sound = INDEX_PREAMBLES[0].decode().split(",")
    mixed = [sound[at] if at in keep and at < len(sound) else field for at, field in enumerate(fields)]
    takes("index preambles", ",".join(mixed).encode("latin-1", "replace"))


@settings(max_examples=400, deadline=None, derandomize=True)
@given(replaced=st.dictionaries(st.integers(0, 15), NUMBERS | st.none(), max_size=5), tail=st.text(max_size=20))
def test_a_preamble_by_name_of_any_values_is_a_scale_or_a_typed_error(
    replaced: dict[int, str | None], tail: str
) -> None:
    fields = NAMED_PREAMBLES[0].decode().split(";")
    mixed = [
        field if at not in replaced else f"{field.partition(' ')[0]} {replaced[at]}"
        for at, field in enumerate(fields)
        if replaced.get(at, "") is not None
    ]
    takes("named preambles", (";".join(mixed) + tail).encode("latin-1", "replace"))


TIMES = st.sampled_from([1e-9, 1e-6, 1e-15, 1e-300, 1e3, 1e6, -1e-6, 0.0, 5e-324]) | st.floats(allow_nan=False)
VOLTS = st.floats(-1e6, 1e6) | st.sampled_from([0.0, -0.0, 5e-324, 1e-310, 1e6, -1e6, 0.1, 0.2, 0.3])


@settings(max_examples=200, deadline=None, derandomize=True)
@given(step=TIMES, start=TIMES, column=st.lists(NUMBERS, min_size=2, max_size=40), odd=st.integers(0, 400))
def test_a_column_of_any_numbers_is_a_capture_or_unreadable(
    step: float, start: float, column: list[str], odd: int
) -> None:
    rows = [f"{start + step * at!r},{value if at == odd else at * 0.01}" for at, value in enumerate(column)]
    try:
        capture = read_csv(PATH, BytesIO("\n".join(["t,CH1", *rows]).encode()), ())
    except UnreadableInput as error:
        _assert_one_line(error)
    else:
        assert capture.samples == len(column)
        assert 0.0 < capture.seconds_per_sample < np.inf


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(VOLTS, min_size=2, max_size=60), st.integers(1, 4))
@example([0.0, 1.0, 3.0, 1e-310], 1)
@example([0.0, 1.0, 2.0, 5e-324], 1)
def test_any_volts_become_codes_that_give_them_back(column: list[float], times: int) -> None:
    volts = np.repeat(np.array(column), times)
    record = record_of_volts("CH1", volts, judge_clipping=True)
    back = record.codes * record.volts_per_code + record.volts_at_code_zero
    assert np.all(np.abs(back - volts) <= 0.51 * record.volts_per_code + 1e-9)


@pytest.fixture
def at_once() -> Iterator[None]:
    """So little time of the processor, however busy the machine is."""
    began_s = time.process_time()
    yield
    assert time.process_time() - began_s < 10.0


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    "text", ["1" * 65_536 + "x", "1" * 65_536 + ".", "." * 65_536, "1e" + "1" * 65_536, " " * 65_536]
)
def test_a_reply_of_64_kib_that_is_almost_a_number_is_refused_at_once(text: str) -> None:
    with pytest.raises(ReplyError):
        number(text, of="X?", where=WHERE)


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize("cell", ["1" * 4_000_000 + "x", "(" * 4_000_000, " " * 4_000_000 + "x", "t0=" * 1_000_000])
@pytest.mark.parametrize("row", ["{cell},CH1\n0,1\n1,2\n", "t,CH1\n0,{cell}\n1,2\n", "Record Length,1,,{cell},1,\n"])
def test_a_cell_of_megabytes_is_refused_at_once(cell: str, row: str) -> None:
    try:
        read_csv(PATH, BytesIO(row.format(cell=cell).encode()), ())
    except UnreadableInput as error:
        _assert_one_line(error)
    else:
        assert row.startswith("{cell}")  # what the time column is called is of no matter


class EndlessFile(BytesIO):
    """A file that gives the same bytes for ever."""

    def read(self, size: int | None = -1, /) -> bytes:
        assert size is not None and size > 0, "it would be read whole"
        return self.getvalue() * size


@pytest.mark.parametrize("byte", [b"1", b",", b"\0", b" "])
def test_a_row_without_end_takes_no_more_memory_than_three_blocks(byte: bytes) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(UnreadableInput, match="a row is longer than 8 MiB"):
            read_csv(PATH, EndlessFile(byte), ())
        assert tracemalloc.get_traced_memory()[1] < 3 * BLOCK_BYTES
    finally:
        tracemalloc.stop()
