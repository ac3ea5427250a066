"""The averaged line as a binary frame."""

import json
import struct

import numpy as np
from jsonschema import Draft202012Validator

from peakwhite.daemon.live.lines import lines_frame
from peakwhite.daemon.live.schema import live_schema
from peakwhite.daemon.measure.averaged_line import AveragedLine, Trace


def test_header_and_pairs_come_back_as_they_were() -> None:
    pairs = [np.arange(6, dtype=np.int16).reshape(3, 2) * sign for sign in (1, -1000)]
    line = AveragedLine(
        -2.0, 21.185, 6, (Trace("CH1", "red", 0.1, pairs[0]), Trace("CH2", None, 0.2, pairs[1].astype(np.int16)))
    )
    frame = lines_frame(line, 9)
    (length,) = struct.unpack_from("<I", frame)
    header = json.loads(frame[4 : 4 + length])
    Draft202012Validator(live_schema()["server"]["lines"]).validate(header)
    assert (header["setup"], header["columns"], header["start_us"], header["lines"]) == (9, 3, -2.0, 6)
    assert [channel["role"] for channel in header["channels"]] == ["red", None]
    assert (4 + length) % 2 == 0
    values = np.frombuffer(frame, "<i2", offset=4 + length).reshape(2, 3, 2)
    assert np.array_equal(values, np.stack(pairs))
