"""The one encoding of a reading: every key there, nothing that JSON does not know."""

import json
import math
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.measure.reading import (
    ChannelReading,
    LatencyMs,
    MatchReading,
    Measured,
    Reading,
    ScopeTag,
    SyncReading,
    encode_reading,
    iso_utc,
    plain,
)


def reading(*channels: ChannelReading) -> Reading:
    return Reading(
        run="9f3c",
        seq=17,
        setup=3,
        captured_at_ns=1_767_323_045_678_000_000,
        latency_ms=LatencyMs(fetch=None, measure=1.25),
        scope=ScopeTag("invented", None),
        measured=Measured(SyncReading("none"), channels, None, ()),
    )


def test_every_key_of_the_schema_is_there_though_nothing_was_measured() -> None:
    decoded = json.loads(encode_reading(reading(ChannelReading("CH1", "red"))))
    assert list(decoded) == [
        "schema", "run", "seq", "setup", "captured_at", "latency_ms", "scope", "sync", "channels", "match", "hints",
    ]  # fmt: skip
    assert decoded["schema"] == "peakwhite.reading/1"
    channel = decoded["channels"][0]
    for key in ("peak_white_mv", "u95_mv", "sync_mv", "burst_mv_pp", "zone", "verdict", "aim_mv", "decidable"):
        assert channel[key] is None
    assert channel["held"] is False
    assert decoded["sync"]["field"] is None


def test_the_time_is_utc_to_the_millisecond() -> None:
    assert iso_utc(1_767_323_045_678_000_000) == "2026-01-02T03:04:05.678Z"
    assert iso_utc(0) is None


def test_nan_and_infinity_become_null() -> None:
    decoded = json.loads(encode_reading(reading(ChannelReading("CH1", "red", peak_white_mv=math.nan, u95_mv=math.inf))))
    assert decoded["channels"][0]["peak_white_mv"] is None
    assert decoded["channels"][0]["u95_mv"] is None


def test_a_match_is_encoded_with_its_method() -> None:
    match = MatchReading(12.0, 35.4, 2.0, None, "untied", "red", "blue")
    assert plain(match)["method"] == "untied"


values = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**9), 10**9) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.tuples(inner, inner),
    max_leaves=8,
)


@given(values)
def test_whatever_is_made_plain_is_json(value: Any) -> None:
    json.dumps(plain(value), allow_nan=False)
