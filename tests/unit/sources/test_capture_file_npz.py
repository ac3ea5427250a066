"""`.npz` captures: an exact round trip, and every archive that is not one of ours refused before it is inflated."""

import io
import json
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from peakwhite.daemon.sources.capture_file import read_capture, write_capture
from peakwhite.drivers.capture import CODE_TYPES, Capture, ChannelRecord, GainSpec
from peakwhite.drivers.errors import UnreadableInput

NAMES = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=12)
DTYPES: st.SearchStrategy[np.dtype[Any]] = st.sampled_from(CODE_TYPES)


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    samples = draw(st.integers(0, 50))
    rng = np.random.default_rng(draw(st.integers(0, 999)))
    rail = st.none() | st.integers(-128, 65_535)

    def record(name: str) -> ChannelRecord:
        dtype: np.dtype[Any] = draw(DTYPES)
        return ChannelRecord(
            name,
            np.frombuffer(rng.bytes(samples * dtype.itemsize), dtype),
            volts_per_code=draw(st.floats(1e-9, 1e3) | st.floats(-1e3, -1e-9)),
            volts_at_code_zero=draw(st.floats(-1e5, 1e5)),
            low_rail_code=draw(rail),
            high_rail_code=draw(rail),
            code_step=draw(st.sampled_from([1, 16])),
            full_scale_v=draw(st.none() | st.floats(1e-3, 1e3)),
        )

    return Capture(
        tuple(record(name) for name in draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))),
        seconds_per_sample=draw(st.floats(1e-12, 1e-3)),
        first_sample_s=draw(st.floats(-1.0, 1.0)),
        identity=draw(st.text(st.characters(codec="utf-8"), max_size=20)),
        captured_at_ns=draw(st.integers(0, 2**62)),
        gain_spec=draw(
            st.none()
            | st.builds(GainSpec, st.floats(0.0, 10.0), st.sampled_from(["reading", "full-scale"]), st.booleans())
        ),
        bandwidth_mhz=draw(st.none() | st.floats(1.0, 500.0)),
        triggered_by=draw(st.none() | st.sampled_from(["CH4", "EXT"])),
    )


def plain_of(capture: Capture) -> Any:
    """All that a capture holds, comparable."""
    records = [{**vars(record), "codes": (record.codes.dtype, record.codes.tolist())} for record in capture.channels]
    return {**vars(capture), "channels": records}


def small_capture() -> Capture:
    record = ChannelRecord("CH1", np.arange(100, dtype=np.uint8), volts_per_code=0.004, volts_at_code_zero=-0.3)
    return Capture((record,), 1e-8, 0.0, identity="the invented scope", captured_at_ns=1)


def small_meta(**changed: Any) -> bytes:
    channel = {"name": "CH1", "volts_per_code": 0.004, "volts_at_code_zero": 0.0, "code_step": 1}
    meta = {"schema": "peakwhite.capture/1", "identity": "x", "captured_at_ns": 0, "seconds_per_sample": 1e-8}
    return json.dumps({**meta, "first_sample_s": 0.0, "channels": [channel], **changed}).encode()


def npz(path: Path, meta: bytes | None, **arrays: Any) -> Path:
    if meta is not None:
        arrays["meta"] = np.frombuffer(meta, np.uint8)
    np.savez_compressed(path, **arrays)
    return path


def fault(path: Path) -> str:
    with pytest.raises(UnreadableInput) as caught:
        read_capture(path)
    line = str(caught.value)
    assert line.startswith(f"{path}: ") and "\n" not in line
    return line


@settings(max_examples=60, deadline=None)
@given(captures())
def test_a_capture_comes_back_exactly(tmp_path_factory: pytest.TempPathFactory, capture: Capture) -> None:
    path = tmp_path_factory.getbasetemp() / "round.npz"
    write_capture(path, capture)
    assert plain_of(read_capture(path)) == plain_of(capture)


def test_the_same_capture_makes_the_same_bytes_and_leaves_nothing_else(tmp_path: Path) -> None:
    write_capture(tmp_path / "a.npz", small_capture())
    write_capture(tmp_path / "b.npz", small_capture())
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.npz", "b.npz"]


def test_a_capture_that_no_reader_takes_is_not_written(tmp_path: Path) -> None:
    record = ChannelRecord("two\nlines", np.zeros(2, np.uint8), volts_per_code=1.0, volts_at_code_zero=0.0)
    with pytest.raises(ValueError, match="cannot be printed"):
        write_capture(tmp_path / "a.npz", Capture((record,), 1e-8, 0.0, identity="", captured_at_ns=0))
    assert list(tmp_path.iterdir()) == []


def test_numpy_reads_what_is_written(tmp_path: Path) -> None:
    write_capture(tmp_path / "a.npz", small_capture())
    with np.load(tmp_path / "a.npz", allow_pickle=False) as archive:
        assert archive["codes_CH1"].tolist() == list(range(100))
        assert json.loads(archive["meta"].tobytes())["schema"] == "peakwhite.capture/1"


def test_an_archive_that_numpy_wrote_is_read_whatever_its_suffix(tmp_path: Path) -> None:
    path = npz(tmp_path / "a.npz", small_meta(), codes_CH1=np.arange(7, dtype=np.uint16)).rename(tmp_path / "a.csv")
    assert read_capture(path).channels[0].codes.tolist() == [0, 1, 2, 3, 4, 5, 6]


CODES = np.zeros(9, np.uint8)
CHANNEL = {"name": "CH1", "volts_per_code": 0.004, "volts_at_code_zero": 0.0, "code_step": 1}

FOREIGN: dict[str, tuple[bytes | None, dict[str, Any], str]] = {
    "somebody else's": (None, {"a": CODES}, "it holds no 'meta'"),
    "no codes": (small_meta(), {"codes_CH2": CODES}, "it holds no 'codes_CH1'"),
    "floats": (small_meta(), {"codes_CH1": np.zeros(9)}, "not one row of 8 or 16-bit codes"),
    "two rows": (small_meta(), {"codes_CH1": np.zeros((3, 3), np.uint8)}, "not one row of 8 or 16-bit codes"),
    "other byte order": (small_meta(), {"codes_CH1": np.zeros(9, ">u2")}, "not one row of 8 or 16-bit codes"),
    "objects": (small_meta(), {"codes_CH1": np.array([{}, {}])}, "not one row of 8 or 16-bit codes"),
    "meta of words": (b"peakwhite.capture/1", {"codes_CH1": CODES}, "it is no peakwhite.capture/1 archive"),
    "meta not UTF-8": (b'{"schema":"\xff"}', {"codes_CH1": CODES}, "it is no peakwhite.capture/1 archive"),
    "meta of a list": (b"[]", {"codes_CH1": CODES}, "meta has no 'schema', or one that is no text"),
    "meta too deep": (b"[" * 100_000, {"codes_CH1": CODES}, "damaged"),
    "another schema": (small_meta(schema="peakwhite.capture/9"), {"codes_CH1": CODES}, "its schema is another"),
    "no channels": (small_meta(channels=[]), {}, "at least one channel"),
    "many channels": (small_meta(channels=[CHANNEL] * 65), {"codes_CH1": CODES}, "65 channels where 64 are the most"),
    "a channel twice": (small_meta(channels=[CHANNEL] * 2), {"codes_CH1": CODES}, "two channels bear the same name"),
    "no scale": (small_meta(channels=[{**CHANNEL, "volts_per_code": 0}]), {"codes_CH1": CODES}, "cannot be"),
    "scale NaN": (small_meta(channels=[{**CHANNEL, "volts_per_code": float("nan")}]), {"codes_CH1": CODES}, "cannot be"),
    "scale of words": (small_meta(channels=[{**CHANNEL, "volts_per_code": "4 mV"}]), {"codes_CH1": CODES}, "one that is no number"),
    "huge number": (small_meta(seconds_per_sample=10**400), {"codes_CH1": CODES}, "damaged"),
    "truth for a number": (small_meta(captured_at_ns=True), {"codes_CH1": CODES}, "no 'captured_at_ns', or one that is no number"),
    "gain of nothing": (small_meta(gain_spec={"pct": 3, "of": "x"}), {"codes_CH1": CODES}, "of neither reading nor full"),
}  # fmt: skip


@pytest.mark.parametrize(("meta", "arrays", "said"), FOREIGN.values(), ids=FOREIGN.keys())
def test_a_foreign_archive_is_refused_with_its_reason(
    tmp_path: Path, meta: bytes | None, arrays: dict[str, Any], said: str
) -> None:
    assert said in fault(npz(tmp_path / "a.npz", meta, **arrays))


def test_channels_of_unequal_length_are_refused(tmp_path: Path) -> None:
    meta = small_meta(channels=[CHANNEL, {**CHANNEL, "name": "CH2"}])
    path = npz(tmp_path / "a.npz", meta, codes_CH1=CODES, codes_CH2=np.zeros(8, np.uint8))
    assert "must be of one length" in fault(path)


def test_text_named_npz_is_refused_as_no_archive(tmp_path: Path) -> None:
    (tmp_path / "a.npz").write_text("t,CH1\n0,1\n1,2\n")
    assert "is no such archive" in fault(tmp_path / "a.npz")


def npy_of(shape: int, data: bytes) -> bytes:
    """An array file that says it holds `shape` bytes, and holds `data`."""
    stream = io.BytesIO()
    np.lib.format.write_array_header_1_0(stream, {"descr": "|u1", "fortran_order": False, "shape": (shape,)})
    return stream.getvalue() + data


def archive_of(path: Path, member: bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("meta.npy", npy_of(len(small_meta()), small_meta()))
        archive.writestr("codes_CH1.npy", member)
    return path


@pytest.mark.parametrize("says", [10, 999_999_999_999])
def test_an_array_that_states_another_size_is_refused(tmp_path: Path, says: int) -> None:
    assert "is not as large as it says" in fault(archive_of(tmp_path / "a.npz", npy_of(says, bytes(5000))))


def test_an_entry_that_declares_less_than_it_inflates_to_is_refused(tmp_path: Path) -> None:
    path = archive_of(tmp_path / "a.npz", npy_of(1000, bytes(5000)))
    true_size, false_size = len(npy_of(1000, bytes(5000))), len(npy_of(1000, bytes(1000)))
    content = path.read_bytes()
    assert content.count(true_size.to_bytes(4, "little")) == 2
    path.write_bytes(content.replace(true_size.to_bytes(4, "little"), false_size.to_bytes(4, "little")))
    assert "damaged" in fault(path)


def test_an_entry_that_declares_more_than_it_holds_is_refused(tmp_path: Path) -> None:
    path = archive_of(tmp_path / "a.npz", npy_of(90_000_000, bytes(1000)))
    true_size, false_size = len(npy_of(90_000_000, bytes(1000))), len(npy_of(90_000_000, b"")) + 90_000_000
    path.write_bytes(path.read_bytes().replace(true_size.to_bytes(4, "little"), false_size.to_bytes(4, "little")))
    assert "damaged" in fault(path) or "not as large" in fault(path)


def test_a_bomb_is_refused_without_being_inflated(tmp_path: Path) -> None:
    path = tmp_path / "bomb.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("meta.npy", npy_of(len(small_meta()), small_meta()))
        with archive.open("codes_CH1.npy", "w") as stream:
            stream.write(npy_of(256 << 20, b""))
            for _ in range(256):
                stream.write(bytes(1 << 20))
    tracemalloc.start()
    try:
        assert "268,435,456 values where 200,000,000 are the most" in fault(path)
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_a_torn_or_altered_archive_is_a_capture_or_unreadable(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.getbasetemp() / "altered.npz"
    write_capture(path, small_capture())
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(0, 4))):
        content[data.draw(st.integers(4, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content[: data.draw(st.integers(4, len(content)))])
    try:
        assert read_capture(path).samples <= 1 << 20
    except UnreadableInput as error:
        assert str(error).startswith(str(path))
