"""The averaged line as a binary frame: u32 LE header length, JSON header, then int16 LE pairs min, max, channel by channel."""

import json
import struct

import numpy as np

from ...drivers.capture import Capture
from ..measure.averaged_line import AveragedLine, averaged_line
from ..measure.targets import Conditions


def lines_of(capture: Capture, conditions: Conditions, generation: int, columns: int) -> bytes | None:
    """The averaged line of a capture as a frame; None where no line sync was found."""
    line = averaged_line(capture, conditions, columns)
    return None if line is None else lines_frame(line, generation)


def lines_frame(line: AveragedLine, generation: int) -> bytes:
    """An averaged line as a frame. The header's length is padded with blanks so that the pairs begin on an even byte."""
    header = {
        "type": "lines",
        "setup": generation,
        "columns": line.traces[0].pairs.shape[0],
        "start_us": round(line.start_us, 6),
        "us_per_column": round(line.us_per_column, 9),
        "lines": line.lines,
        "channels": [
            {"channel": trace.channel, "role": trace.role, "mv_per_count": trace.mv_per_count} for trace in line.traces
        ],
    }
    text = json.dumps(header, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (len(text) % 2)
    pairs = b"".join(np.ascontiguousarray(trace.pairs, dtype="<i2").tobytes() for trace in line.traces)
    return struct.pack("<I", len(text)) + text + pairs
