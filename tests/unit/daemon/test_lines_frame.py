"""The averaged line as a binary frame, and what may be asked of it."""

import json
import struct
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from peakwhite.daemon.http.live_socket import BadMessage, request_of
from peakwhite.daemon.live.lines import lines_frame, view_of
from peakwhite.daemon.live.schema import live_schema
from peakwhite.daemon.measure.averaged_line import AveragedLine, LineView, Trace
from peakwhite.daemon.measure.evidence import Evidence, Flat

SCHEMAS = live_schema()
EVIDENCE = Evidence(-3.1, 750.3, 12, 12, (5.3, 8.9), (9.0, 61.0), 12, (Flat(750.3, 10.5, 60.2, 12, True),))


def test_header_and_pairs_come_back_as_they_were() -> None:
    pairs = [np.arange(12, dtype=np.int16).reshape(2, 3, 2) * sign for sign in (1, -1000)]
    traces = (Trace("CH1", "red", 0.1, pairs[0], EVIDENCE), Trace("CH2", None, 0.2, pairs[1].astype(np.int16)))
    frame = lines_frame(AveragedLine(-2.0, 21.185, (-2.0, 61.556), 6, (3,), traces), 9)
    (length,) = struct.unpack_from("<I", frame)
    header = json.loads(frame[4 : 4 + length])
    Draft202012Validator(SCHEMAS["server"]["lines"]).validate(header)
    assert (header["setup"], header["columns"], header["start_us"], header["lines"]) == (9, 3, -2.0, 6)
    assert (header["whole_us"], header["singles"]) == ([-2.0, 61.556], [3])
    assert [channel["role"] for channel in header["channels"]] == ["red", None]
    assert header["channels"][0]["flats"] == [
        {"level_mv": 750.3, "from_us": 10.5, "to_us": 60.2, "lines": 12, "made_level": True}
    ]
    assert header["channels"][1]["clamp_us"] is None
    assert (4 + length) % 2 == 0
    values = np.frombuffer(frame, "<i2", offset=4 + length).reshape(2, 2, 3, 2)
    assert np.array_equal(values, np.stack(pairs))


@pytest.mark.parametrize(
    ("asked", "view"),
    [
        ({"width": 0}, None),
        ({"width": 790}, LineView(800)),
        ({"width": 800, "single": 3}, LineView(800, singles=3)),
        ({"width": 800, "from_us": 10.01, "to_us": 17.9}, LineView(800, 10.0, 18.0)),
        ({"width": 800, "from_us": 10.0, "to_us": 18.0}, LineView(800, 10.0, 18.0)),
        ({"width": 800, "from_us": 0.0, "to_us": 5e-324}, LineView(800, 0.0, 2.0**-15)),
        ({"width": 800, "from_us": 9999.999999999998, "to_us": 1e4}, LineView(800, 1e4 - 2.0**-15, 1e4)),
    ],
)
def test_windows_that_differ_little_are_one_view(asked: dict[str, Any], view: LineView | None) -> None:
    request = {"type": "lines", **asked}
    Draft202012Validator(SCHEMAS["client"]["lines"]).validate(request)
    assert view_of(request_of(json.dumps(request))) == view


@pytest.mark.parametrize("window", [{"from_us": 3.0}, {"to_us": 3.0}, {"from_us": 3.0, "to_us": 3.0}])
def test_half_a_window_or_an_empty_one_is_refused(window: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="from_us and to_us"):
        view_of({"type": "lines", "width": 800, **window})


@pytest.mark.parametrize(
    "more", ['"single":9', '"single":-1', '"from_us":NaN', '"to_us":Infinity', '"from_us":-2e4', '"extra":1']
)
def test_requests_beyond_their_limits_are_refused(more: str) -> None:
    with pytest.raises(BadMessage):
        request_of(f'{{"type":"lines","width":800,{more}}}')
