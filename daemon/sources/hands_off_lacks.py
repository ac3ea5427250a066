"""What a scope that only its user sets lacks for a level, in words, with what to turn: pure functions of what was read."""

import math
from collections.abc import Iterator, Sequence

from ...drivers.present_setup import ChannelSetup, ScopeSetup
from ...drivers.records import Record
from ..acquisition import Note
from ..measure.hookup import SYNC_ROLES, Hookup
from ..measure.levels import is_clipped
from ..measure.targets import Conditions
from .scope_plan import group_of, house_ranges, next_coarser

SHORTEST_SPAN_S = 150e-6
"""Two whole lines of 15 kHz, wherever the record begins."""
LONGEST_STEP_S = 200e-9
"""Five million samples a second are the fewest that a level is measured with."""
ROLLS_BEYOND_S = 1.0
"""Of a whole screen: about where scopes begin to roll."""
PART = 0.9
"""What a record holds less than the screen shows, in divisions or samples at its ends, is no part."""
CALIBRATED = (1.0, 2.0, 5.0, 10.0)
PEAKS = ("PEAK", "PDET", "PKD", "ENV")
MEANS = ("AVER", "AVE")


def lacking(present: ScopeSetup, conditions: Conditions, shown: tuple[str, ...]) -> Iterator[Note]:
    """What the present set-up lacks for a level of every channel of the hookup; `shown` are switched on."""
    hookup = conditions.hookup.recorded
    off = [f"{clip.channel} ({clip.role})" for clip in hookup.clips if clip.channel not in shown]
    if off:
        yield Note("hands-off-channel-off", f"{' and '.join(off)} switched off on the scope", "switch it on there")
    if present.running and len(shown) > 1:
        text = "the scope runs, so that its channels would come from several triggers"
        yield Note("hands-off-running", text, "press Run/Stop or Single on the scope for a reading")
    for name in shown:
        channel = present.channel(name)
        if channel is not None:
            yield from _of_channel(channel, hookup, conditions)
    yield from _of_time(present)
    yield from _of_acquisition(present)


def lacking_in(record: Record, hookup: Hookup) -> Iterator[Note]:
    """What the record itself lacks: samples that are dense enough, and a signal that stays on the converter."""
    if record.seconds_per_sample > LONGEST_STEP_S:
        text = (
            f"the scope samples every {record.seconds_per_sample * 1e9:.3g} ns;"
            f" a level needs {LONGEST_STEP_S * 1e9:g} ns or less"
        )
        yield Note("hands-off-rate", text, "turn its time base faster, or its memory longer")
    railed = [channel.name for channel in record.channels if is_clipped(channel)]
    if railed:
        text = f"{' and '.join(railed)} run{'s' if len(railed) == 1 else ''} off the range of the scope"
        yield Note("hands-off-clipped", text, "give it more volts a division there, or move it to the middle")


def only_part(record: Record, present: ScopeSetup) -> Iterator[Note]:
    """That less was read than stands on the screen, where that is so."""
    read_s = record.channels[0].codes.size * record.seconds_per_sample
    if read_s < PART * present.span_s:
        text = f"of {present.span_s * 1e3:.3g} ms on the screen the first {read_s * 1e3:.3g} ms are read, enough for a level"
        yield Note("hands-off-part", text, "turn its time base faster, or its memory shorter, to have all of it read")


def _of_channel(channel: ChannelSetup, hookup: Hookup, conditions: Conditions) -> Iterator[Note]:
    name = channel.name
    if not channel.coupling.startswith("D"):
        text = f"{name} is coupled {channel.coupling} on the scope: blanking moves with the picture"
        yield Note("hands-off-coupling", text, "set its coupling to DC")
    if channel.fifty_ohm:
        text = f"{name} is switched to 50 ohm on the scope, which pulls the level of a 75 ohm output down"
        yield Note(
            "hands-off-fifty-ohm", text, "switch its input to 1 megohm, and use a 75 ohm feed-through terminator"
        )
    if channel.inverted:
        yield Note("hands-off-inverted", f"{name} is inverted on the scope", "switch its inversion off")
    if not _is_calibrated(channel.volts_per_div / channel.probe_ratio):
        text = (
            f"{name} stands between two steps, at {channel.volts_per_div:.3g} V a division, where gain is not specified"
        )
        yield Note("hands-off-vernier", text, "switch its fine or variable scale off")
    clip = hookup.of_channel(name)
    if clip is None or clip.role in SYNC_ROLES:
        return
    house = house_ranges(conditions)[group_of(clip.role)]
    if channel.volts_per_div > 1.01 * next_coarser(house.volts_per_div):
        text = (
            f"{name} has {channel.volts_per_div:.3g} V a division, and {house.volts_per_div:g} V show the level finer"
        )
        yield Note("hands-off-coarse", text, f"turn it to {house.volts_per_div:g} V a division")


def _of_time(present: ScopeSetup) -> Iterator[Note]:
    if present.time_mode.startswith(("ROLL", "XY")):
        text = f"the time base is in {present.time_mode} mode, which gives no lines"
        yield Note("hands-off-time-mode", text, "set it to its normal mode, Y against T")
    elif present.span_s > ROLLS_BEYOND_S * 1.001:
        text = f"the screen lasts {present.span_s:.3g} s, where scopes roll instead of waiting for a trigger"
        yield Note("hands-off-time-mode", text, "turn its time base to 50 us a division or so")
    if present.span_s < SHORTEST_SPAN_S:
        text = (
            f"the scope's record lasts {present.span_s * 1e6:.3g} us; two whole lines take {SHORTEST_SPAN_S * 1e6:g} us"
        )
        yield Note("hands-off-span", text, "turn its time base to 20 us a division or slower")


def _of_acquisition(present: ScopeSetup) -> Iterator[Note]:
    if present.acquisition.startswith(PEAKS):
        text = "the scope keeps extremes instead of samples, which puts noise on top of every level"
        yield Note("hands-off-acquisition", text, "set its acquisition to sample or normal")
    elif present.acquisition.startswith(MEANS):
        text = "the scope averages records, which blurs what does not stand still from line to line"
        yield Note(
            "hands-off-acquisition", text, "set its acquisition to sample or normal, or show a still white field"
        )


def _is_calibrated(volts_per_div: float, steps: Sequence[float] = CALIBRATED) -> bool:
    """Whether it is a 1-2-5 step, to the digits that instruments print."""
    if volts_per_div <= 0.0:
        return False
    mantissa = volts_per_div / 10.0 ** math.floor(math.log10(volts_per_div) + 1e-9)
    return any(abs(mantissa / step - 1.0) < 5e-3 for step in steps)
