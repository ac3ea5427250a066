"""A capture as the rows that hold it: raw codes compressed without loss, each with a checksum, and what scales them."""

import json
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...drivers.capture import CODE_TYPES, Capture, ChannelRecord, GainSpec
from ...drivers.capture_meta import PLAIN_FIELDS, SCHEMA, meta_of

LEVEL = 1
"""Of zlib: higher ones take several times as long and gain little on codes that carry noise."""


@dataclass(frozen=True)
class PackedCodes:
    """The codes of one channel: see the table `codes` in `schema`."""

    position: int
    channel: str
    type: str
    samples: int
    crc32: int
    packed: bytes


@dataclass(frozen=True)
class PackedCapture:
    """A capture: see the tables `captures` and `codes` in `schema`."""

    captured_at_ns: int
    samples: int
    meta: str
    crc32: int
    codes: tuple[PackedCodes, ...]


def pack(capture: Capture) -> PackedCapture:
    """The capture as rows. Compressing lets other threads run."""
    meta = json.dumps(meta_of(capture), allow_nan=False)
    codes = tuple(_packed(position, record) for position, record in enumerate(capture.channels))
    return PackedCapture(capture.captured_at_ns, capture.samples, meta, checksum(meta), codes)


def unpack(packed: PackedCapture) -> Capture:
    """The capture, of the channels whose codes are there. Raises ValueError that names what is damaged."""
    check_text(packed.meta, packed.crc32, "what scales its codes")
    meta = json.loads(packed.meta)
    if meta["schema"] != SCHEMA:
        raise ValueError(f"its captures are of schema {meta['schema']}")
    return Capture(
        channels=tuple(_record(meta["channels"][codes.position], codes) for codes in packed.codes),
        gain_spec=None if meta["gain_spec"] is None else GainSpec(**meta["gain_spec"]),
        **{key: meta[key] for key in PLAIN_FIELDS},
    )


def unpack_codes(codes: PackedCodes) -> Any:
    """The codes, shape (samples,). Raises ValueError where they are not those that were packed."""
    limit = codes.samples * 2
    inflater = zlib.decompressobj()
    try:
        raw = inflater.decompress(codes.packed, limit + 1)
    except zlib.error as error:
        raise ValueError(f"the codes of {codes.channel} cannot be inflated") from error
    if zlib.crc32(raw) != codes.crc32 or not inflater.eof:
        raise ValueError(f"the codes of {codes.channel} do not agree with their checksum")
    row = np.frombuffer(raw, np.dtype(codes.type))
    if row.size != codes.samples or row.dtype not in CODE_TYPES:
        raise ValueError(f"the codes of {codes.channel} are not as many as they should be")
    return row


def checksum(text: str) -> int:
    """CRC-32 of the text's UTF-8 bytes."""
    return zlib.crc32(text.encode())


def check_text(text: str, crc32: object, called: str) -> None:
    """Raises ValueError where the text is not the one that the checksum was made of."""
    if checksum(text) != crc32:
        raise ValueError(f"{called} does not agree with its checksum")


def _packed(position: int, record: ChannelRecord) -> PackedCodes:
    codes = np.ascontiguousarray(record.codes)
    codes = codes.astype(codes.dtype.newbyteorder("<"), copy=False)
    raw = codes.tobytes()
    return PackedCodes(
        position, record.name, codes.dtype.str, int(codes.size), zlib.crc32(raw), zlib.compress(raw, LEVEL)
    )


def _record(channel: dict[str, Any], codes: PackedCodes) -> ChannelRecord:
    return ChannelRecord(codes=unpack_codes(codes), **channel)
