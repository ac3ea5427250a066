"""A reading as text: words for people, and nothing of what was not measured."""

import pytest

from peakwhite.daemon.cli.reading_text import reading_as_text
from peakwhite.daemon.measure.reading import ChannelReading, FieldInfo, Measured, SyncReading

NO_SYNC = SyncReading("none")


def text_of(*channels: ChannelReading, sync: SyncReading = NO_SYNC) -> str:
    return reading_as_text(Measured(sync, channels, None, ()))


@pytest.mark.parametrize(
    ("sync", "words"),
    [
        (SyncReading("none"), "none found"),
        (SyncReading("vertical-interval", "CH4", lines=1), "vertical interval on CH4, 1 line"),
        (SyncReading("blanking-only", lines=9), "looks like blanking, not proven, 9 lines"),
        (
            SyncReading("locked", "CH4", system="unknown", lines=600, field=FieldInfo(312.5, 50.0, "interlaced", 0.0)),
            "locked on CH4, unknown system, 600 lines, 312.5 lines a field, interlaced",
        ),
    ],
)
def test_every_state_of_sync_has_words(sync: SyncReading, words: str) -> None:
    assert text_of(sync=sync).splitlines()[-1] == f"sync   {words}"


def test_composite_shows_sync_burst_and_their_ratio_beside_the_level() -> None:
    text = text_of(
        ChannelReading(
            "CH1", "composite", peak_white_mv=714.0, blanking_mv=-1.0, black_mv=53.6, sync_mv=285.7,
            picture_to_sync=2.499, burst_mv_pp=284.0, average_mv=300.0, noise_mv_rms=2.0, noise_band_mhz=20.0,
        )
    )  # fmt: skip
    assert (
        "CH1  blanking -1.0 mV from scope zero, black 53.6 mV, sync 285.7 mV deep, picture to sync 2.499, "
        "burst 284.0 mV p-p, average 300.0 mV, noise 2.0 mV rms in 20 MHz"
    ) in text.splitlines()


def test_a_channel_on_which_nothing_else_was_measured_has_no_second_line() -> None:
    lines = text_of(ChannelReading("CH1", "red"), ChannelReading("CH2", None, blanking_mv=3.0)).splitlines()
    assert [line.split()[0] for line in lines if line] == ["channel", "CH1", "CH2", "sync"]


def test_a_ttl_sync_is_told_in_words() -> None:
    text = text_of(ChannelReading("CH4", "sync", swing_mv=2100.0, sync_class="ttl-into-75-ohm"))
    assert "swing 2100.0 mV" in text and "TTL sync into 75 ohm" in text
