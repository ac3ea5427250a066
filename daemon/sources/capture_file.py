"""Capture files: one door for all kinds, told apart by content."""

import errno
import os
import secrets
import stat
from collections.abc import Container
from pathlib import Path
from typing import IO

from ...drivers.capture import Capture
from .capture_limits import MOST_BYTES, unreadable
from .csv_capture import read_csv
from .csv_folder import channel_files, one_record
from .npz_capture import read_npz, write_npz

ARCHIVE_STARTS = (b"PK\x03\x04", b"PK\x05\x06")


def read_capture(path: Path, sync_channels: Container[str] = ()) -> Capture:
    """The capture in a CSV or `.npz` file, or in a folder of one CSV file a channel. Raises UnreadableInput.

    A CSV file says nothing of rails: clipping is found from its volts, except on `sync_channels` and on columns named
    `sync`, `hsync` or `vsync`, where a logic level sits on one code anyway.
    """
    try:
        if path.is_dir():
            files = channel_files(path)
            return one_record(path, files, [read_capture(file, sync_channels) for file in files])
        with open(path, "rb", opener=_open_without_waiting) as file:
            return _read(path, file, sync_channels)
    except OSError as error:
        raise unreadable(
            path, (error.strerror or "it cannot be read").lower(), "name a capture file, .csv or .npz"
        ) from error


def write_capture(path: Path, capture: Capture, *, overwrite: bool = True) -> None:
    """Write `capture` as `.npz`, the whole file or none; `read_capture` gives it back exactly.

    Raises OSError, of it FileExistsError where there is such a file and `overwrite` is not wanted; ValueError.
    """
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    with open(part, "xb") as file:
        try:
            write_npz(file, capture)
            file.flush()
            os.fsync(file.fileno())
            file.close()
            if not overwrite and os.path.lexists(path):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
            os.replace(part, path)
        except BaseException:
            file.close()
            os.unlink(part)
            raise


def _open_without_waiting(path: str, flags: int) -> int:
    """Open, but do not wait for somebody to write into a pipe."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _read(path: Path, file: IO[bytes], sync_channels: Container[str]) -> Capture:
    status = os.fstat(file.fileno())
    if not stat.S_ISREG(status.st_mode):
        raise unreadable(path, "it is no ordinary file", "save the capture as a file first")
    if status.st_size > MOST_BYTES:
        raise unreadable(path, f"it is larger than {MOST_BYTES >> 30} GiB", "cut it into shorter records")
    start = file.read(4)
    file.seek(0)
    if not start:
        raise unreadable(path, "it is empty", "export the capture again")
    if start in ARCHIVE_STARTS:
        return read_npz(path, file)
    if path.suffix.lower() == ".npz":
        raise unreadable(
            path, "it is named .npz but is no such archive", "write the capture again, or export it as CSV"
        )
    return read_csv(path, file, sync_channels)
