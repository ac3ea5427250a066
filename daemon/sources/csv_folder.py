"""A folder in which a scope wrote one CSV file a channel: the TDS, TPS and TBS series write `ALL0001/F0001CH1.CSV` and so on.

Names of folder and files as public repositories quote them of a TDS; not verified on an instrument.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ...drivers.capture import Capture
from .capture_limits import unreadable

_CHANNEL_FILE = re.compile(r"(.*)CH[1-9]\.csv", re.IGNORECASE)
DO_FOLDER = "name a capture file, .csv or .npz, or a folder in which a scope wrote one CSV file a channel"
MOST_TIME_DIFFERENCE = 1e-6
"""Of the record: what printing may do to two time axes that are one."""


def channel_files(folder: Path) -> list[Path]:
    """The files of the record in `folder`, by channel. Raises OSError, and UnreadableInput if there is not one record."""
    found = {path: match for path in folder.iterdir() if (match := _CHANNEL_FILE.fullmatch(path.name))}
    if not found:
        raise unreadable(folder, "is a directory without a CSV file of a channel, such as F0001CH1.CSV", DO_FOLDER)
    records = sorted({match[1] for match in found.values()})
    if len(records) > 1:
        raise unreadable(folder, f"holds several records, {records[0]} and {records[1]}", "keep one record a folder")
    return sorted(found, key=lambda path: path.name.upper())


def one_record(folder: Path, files: Sequence[Path], captures: Sequence[Capture]) -> Capture:
    """The channels of several captures as one. Raises UnreadableInput unless they share one time axis."""
    first = captures[0]
    for file, other in zip(files, captures, strict=True):
        allowed_s = MOST_TIME_DIFFERENCE * first.samples * first.seconds_per_sample
        starts = math.isclose(other.first_sample_s, first.first_sample_s, rel_tol=0.0, abs_tol=allowed_s)
        steps = math.isclose(other.seconds_per_sample, first.seconds_per_sample, rel_tol=MOST_TIME_DIFFERENCE)
        if other.samples != first.samples or not starts or not steps:
            what = f"does not share the time axis of {files[0].name}"
            raise unreadable(file, what, "export all channels of one record at once")
    channels = tuple(channel for capture in captures for channel in capture.channels)
    if len({channel.name for channel in channels}) < len(channels):
        raise unreadable(folder, "holds one channel twice", "export all channels of one record at once")
    return replace(first, channels=channels, identity=folder.name)
