"""Captures as `.npz` archives, schema `peakwhite.capture/1`: `codes_NAME` a channel, and `meta`, UTF-8 JSON.

`meta` is an object: `schema`; `identity`, `captured_at_ns`, `seconds_per_sample`, `first_sample_s`, `bandwidth_mhz`,
`triggered_by`, `gain_spec` (null, or an object of `pct`, `of` and `from_data_sheet`) as in `Capture`; `channels`, a list in order, each with `name`,
`volts_per_code`, `volts_at_code_zero`, `low_rail_code`, `high_rail_code`, `code_step`, `full_scale_v` as in
`ChannelRecord`.
"""

import json
import re
import zipfile
import zlib
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from ...drivers.capture import Capture, ChannelRecord, GainSpec
from ...drivers.capture_meta import SCHEMA, meta_of
from .capture_limits import fault_of_capture, fault_of_counts, unreadable
from .json_fields import JsonFields

MOST_META_BYTES = 1 << 20
NPY_VERSION_1 = b"\x93NUMPY\x01\x00"
NPY_HEADER = re.compile(
    rb"\{'descr': '(?P<type>\|u1|\|i1|<u2)', 'fortran_order': (False|True), 'shape': \((?P<samples>\d{1,12}),\), \} *\n"
)

DO_AGAIN = "write the capture again with Peakwhite, or export it as CSV"

DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OverflowError)
"""What zipfile, zlib and json raise, beside ValueError, at an archive that is torn, encrypted or made up."""


def write_npz(file: IO[bytes], capture: Capture) -> None:
    """Write `capture` so that `read_npz` gives it back exactly. Raises ValueError where no reader would take it."""
    if fault := fault_of_capture(capture):
        raise ValueError(fault)
    meta = json.dumps(meta_of(capture), ensure_ascii=False, allow_nan=False).encode()
    arrays: dict[str, NDArray[Any]] = {"meta": np.frombuffer(meta, np.uint8)}
    arrays |= {f"codes_{record.name}": record.codes for record in capture.channels}
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, array in arrays.items():
            entry = zipfile.ZipInfo(f"{name}.npy")  # of a fixed date: one capture, one file
            entry.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(entry, "w", force_zip64=True) as stream:
                npy.write_array(stream, array, allow_pickle=False)


def read_npz(path: Path, file: IO[bytes]) -> Capture:
    """The capture in `file`. Nothing is inflated before its size was checked. Raises UnreadableInput."""
    try:
        with zipfile.ZipFile(file) as archive:
            return _capture(archive)
    except DAMAGED as error:
        raise unreadable(path, "it is a damaged .npz archive", DO_AGAIN) from error
    except ValueError as error:
        raise unreadable(path, f"it is no {SCHEMA} archive: {error}", DO_AGAIN) from error


def _capture(archive: zipfile.ZipFile) -> Capture:
    meta = JsonFields(_json_of_meta(archive), "meta")
    if meta.text("schema") != SCHEMA:
        raise ValueError("its schema is another")
    channels = meta.objects("channels")
    if fault := fault_of_counts(len(channels), 1):
        raise ValueError(fault)
    entries = [_entry(archive, f"codes_{channel.text('name')}") for channel in channels]
    headers = [_header(archive, entry) for entry in entries]
    if fault := fault_of_counts(len(channels), max((samples for samples, _ in headers), default=0)):
        raise ValueError(fault)
    capture = Capture(
        channels=tuple(
            _record(channel, _inflated(archive, entry, *header))
            for channel, entry, header in zip(channels, entries, headers, strict=True)
        ),
        seconds_per_sample=meta.number("seconds_per_sample"),
        first_sample_s=meta.number("first_sample_s"),
        identity=meta.text("identity"),
        captured_at_ns=meta.whole("captured_at_ns"),
        gain_spec=_gain_spec(meta.object("gain_spec")) if meta.has("gain_spec") else None,
        bandwidth_mhz=meta.number_or_none("bandwidth_mhz"),
        triggered_by=meta.text_or_none("triggered_by"),
    )
    if fault := fault_of_capture(capture):
        raise ValueError(fault)
    return capture


def _json_of_meta(archive: zipfile.ZipFile) -> Any:
    entry = _entry(archive, "meta")
    samples, dtype = _header(archive, entry)
    if samples > MOST_META_BYTES:
        raise ValueError(f"its meta is larger than {MOST_META_BYTES >> 20} MiB")
    return json.loads(_inflated(archive, entry, samples, dtype).tobytes())


def _entry(archive: zipfile.ZipFile, name: str) -> zipfile.ZipInfo:
    try:
        return archive.getinfo(f"{name}.npy")
    except KeyError:
        raise ValueError(f"it holds no '{name}'") from None


def _header(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> tuple[int, np.dtype[Any]]:
    """Samples and type of an array, read from its first bytes; its stated and its declared size have to agree.

    The one form of header that numpy writes for a row of codes is matched, not evaluated.
    """
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise ValueError("it is packed in a way that is not read")
    with archive.open(entry) as stream:
        start = stream.read(10)
        text = stream.read(int.from_bytes(start[8:], "little"))
    match = NPY_HEADER.fullmatch(text)
    if not start.startswith(NPY_VERSION_1) or match is None:
        raise ValueError(f"'{entry.filename}' is not one row of 8 or 16-bit codes")
    dtype = np.dtype(match["type"].decode())
    samples = int(match["samples"])
    if samples * dtype.itemsize != entry.file_size - len(start) - len(text):
        raise ValueError(f"'{entry.filename}' is not as large as it says")
    return samples, dtype


def _inflated(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, samples: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    with archive.open(entry) as stream:
        stream.seek(entry.file_size - samples * dtype.itemsize)
        data = stream.read(samples * dtype.itemsize)
        if len(data) != samples * dtype.itemsize or stream.read(1):
            raise ValueError(f"'{entry.filename}' is not as large as it says")
    return np.frombuffer(data, dtype)


def _record(channel: JsonFields, codes: NDArray[Any]) -> ChannelRecord:
    return ChannelRecord(
        name=channel.text("name"),
        codes=codes,
        volts_per_code=channel.number("volts_per_code"),
        volts_at_code_zero=channel.number("volts_at_code_zero"),
        low_rail_code=channel.whole_or_none("low_rail_code"),
        high_rail_code=channel.whole_or_none("high_rail_code"),
        code_step=channel.whole("code_step"),
        full_scale_v=channel.number_or_none("full_scale_v"),
    )


def _gain_spec(spec: JsonFields) -> GainSpec:
    pct, read = spec.number("pct"), spec.yes_or_no("from_data_sheet", otherwise=True)
    match spec.text("of"):
        case "reading":
            return GainSpec(pct, "reading", read)
        case "full-scale":
            return GainSpec(pct, "full-scale", read)
        case _:
            raise ValueError("its gain_spec is of neither reading nor full-scale")
