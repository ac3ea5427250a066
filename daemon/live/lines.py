"""The averaged line as a binary frame: u32 LE header length, JSON header, then int16 LE pairs min, max.

The pairs stand channel by channel, of each the averaged line first, then the single lines.
"""

import json
import math
import struct
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np

from ..measure.averaged_line import AveragedLine, LinesUnderSync, LineView, Trace
from ..measure.reading import Measured, plain

WIDTH_STEP = 100
"""Widths asked for are rounded up to a multiple of this, so that many viewers share few averaged lines."""
WINDOW_STEPS = 32
"""Windows are widened to multiples of about this part of themselves, for the same reason."""
NARROWEST_US = 1e-3
"""A window narrower than one scope's sample at 1 GS/s shows nothing more; numbers may lie closer than can be computed with."""


def view_of(request: Mapping[str, Any]) -> LineView | None:
    """The view that a request for lines asks for, as many others may share it; None for width 0, which ends it.

    Raises ValueError where it gives half a window, or one that ends before it begins.
    """
    width, from_us, to_us = request["width"], request.get("from_us"), request.get("to_us")
    columns, singles = -(-width // WIDTH_STEP) * WIDTH_STEP, request.get("single", 0)
    if from_us is None and to_us is None:
        return LineView(columns, singles=singles) if columns else None
    if from_us is None or to_us is None or not from_us < to_us:
        raise ValueError("a window has from_us and to_us, the second one later")
    step_us = 2.0 ** math.floor(math.log2(max(to_us - from_us, NARROWEST_US))) / WINDOW_STEPS
    first = math.floor(from_us / step_us)
    window = first * step_us, max(math.ceil(to_us / step_us), first + 1) * step_us
    return LineView(columns, *window, singles=singles) if columns else None


def lines_of(measured: Measured, generation: int, views: Collection[LineView]) -> dict[LineView, bytes]:
    """The averaged line of what was measured as a frame for each view; none where no line sync was found."""
    if measured.basis is None:
        return {}
    under_sync = LinesUnderSync(measured.basis)
    drawn = {view: under_sync.drawn(view) for view in views}
    return {view: lines_frame(line, generation) for view, line in drawn.items() if line is not None}


def lines_frame(line: AveragedLine, generation: int) -> bytes:
    """An averaged line as a frame. The header's length is padded with blanks so that the pairs begin on an even byte."""
    header = {
        "type": "lines",
        "setup": generation,
        "columns": line.traces[0].pairs.shape[1],
        "start_us": line.start_us,
        "us_per_column": round(line.us_per_column, 9),
        "whole_us": plain(line.whole_us),
        "lines": line.lines,
        "singles": line.singles,
        "channels": [_channel(trace) for trace in line.traces],
    }
    text = json.dumps(header, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (len(text) % 2)
    pairs = b"".join(np.ascontiguousarray(trace.pairs, dtype="<i2").tobytes() for trace in line.traces)
    return struct.pack("<I", len(text)) + text + pairs


def _channel(trace: Trace) -> dict[str, Any]:
    return {
        "channel": trace.channel,
        "role": trace.role,
        "mv_per_count": trace.mv_per_count,
        **plain(trace.evidence),
    }
