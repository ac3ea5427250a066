"""Learning a tie: all probes on one output, and how each channel reads what all of them see."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from ...drivers.capture import Capture, ChannelRecord
from ...drivers.errors import InstrumentError, UsageError
from .calibrated import path_of, state_of
from .calibration import MOST_OFF, Tie
from .delay import Delay, delay_between
from .engine import measure_capture
from .found_sync import find_sync
from .hookup import COLOURS, Clip, carrying_a_colour
from .level_budget import LevelBudget
from .targets import Conditions
from .uncertainty import combined

LEAST_ALIKE = 0.9
"""One signal on two channels correlates better than this unless noise is a third of it (our choice)."""
LONGEST_DELAY_NS = 200.0
"""More than 20 m of cable further on: that is no probe of the same hookup (our choice)."""


def learn_tie(captures: Sequence[Capture], conditions: Conditions, reference: str | None = None) -> Mapping[str, Tie]:
    """The tie of every colour's channel in the hookup, by name, from captures of one signal on all of their probes.

    Levels are taken as the scope reads them, without calibrations. The relative gain of a channel is the mean of its
    levels over that of the `reference`, the first colour's channel unless named. `own_u` are its noise, which several
    captures average, and quantisation, which they do not (JCGM 100:2008 5.1.2).

    Raises UsageError for a hookup with fewer than two colours, one that is not in the captures, or another reference,
    InstrumentError where a channel shows no white, is clipped, changed its range, does not see what the others see, or
    reads it further off than the errors of both channels allow: then it stands on another output.
    """
    clips = [clip for clip in conditions.hookup.clips if clip.role in COLOURS]
    if len(clips) < 2:
        raise _refused(carrying_a_colour(len(clips)), "name two or three: --role CH1=red --role CH2=green")
    reference = reference or clips[0].channel
    if reference not in [clip.channel for clip in clips]:
        raise _refused(f"{reference} carries no colour", f"choose of {', '.join(clip.channel for clip in clips)}")
    for clip in clips:
        if any(capture.channel(clip.channel) is None for capture in captures):
            what = f"there is no channel {clip.channel} in the capture"
            raise _refused(what, "name those that are in it: --role CH1=red --role CH2=green")
    plain = replace(conditions, calibrations=(), pattern_white_pct=100.0)
    budgets = [{one.channel: one for one in measure_capture(capture, plain).budgets} for capture in captures]
    seen = {clip.channel: _levels(clip.channel, budgets) for clip in clips}
    return {
        clip.channel: _tie(
            clip,
            seen[clip.channel],
            seen[reference],
            _record(captures[-1], clip.channel),
            _delay(captures[-1], plain, reference, clip.channel),
        )
        for clip in clips
    }


def _levels(channel: str, budgets: Sequence[Mapping[str, LevelBudget]]) -> list[LevelBudget]:
    """The channel's level in every capture, all on one range."""
    found = [one[channel] for one in budgets if channel in one]
    if not found or len(found) < len(budgets):
        do = "put every probe on the one output, show a full white field, and see that nothing is clipped"
        raise InstrumentError("no white is seen on it that could be measured", where=channel, do=do)
    if len({one.path for one in found}) > 1:
        raise InstrumentError("the scope's range changed on the way", where=channel, do="start again")
    return found


def _tie(clip: Clip, seen: list[LevelBudget], reference: list[LevelBudget], record: ChannelRecord, delay: Delay) -> Tie:
    """The tie of one channel, whose record is the last of several captures. Raises InstrumentError."""
    level_mv, reference_mv = (_mean([one.level_mv for one in levels]) for levels in (seen, reference))
    blanking_mv, its_blanking_mv = (_mean([one.blanking_mv for one in levels]) for levels in (seen, reference))
    together, ratio = "put all probes on one output, and check the probe ratios", level_mv / reference_mv
    if not abs(ratio - 1.0) <= MOST_OFF:
        what = f"it reads {ratio:.3g} of what {reference[0].channel} reads, as no channel in order does on one output"
        raise InstrumentError(what, where=clip.channel, do=together)
    if abs(ratio - 1.0) > (allowed := _allowed(seen[-1], reference[-1])):
        off = f"{100.0 * abs(ratio - 1.0):.1f} % {'more' if ratio > 1.0 else 'less'} than {reference[0].channel}"
        what = f"it reads {off}, and the accuracy of both allows {100.0 * allowed:.1f} %"
        do = "put all probes on one output; if they are, state the gain accuracy in the settings"
        raise InstrumentError(what, where=clip.channel, do=do)
    if delay.alike < LEAST_ALIKE or abs(delay.ns) > LONGEST_DELAY_NS:
        raise InstrumentError(f"it does not see what {reference[0].channel} sees", where=clip.channel, do=together)
    noise_mv = math.hypot(*(item.standard_mv for one in seen for item in one.items_of("noise"))) / len(seen)
    coarse_mv = math.hypot(*(item.standard_mv for item in seen[0].items_of("quantisation")))
    places = [state_of(record, mv / 1e3 / clip.probe_ratio) for mv in (blanking_mv, blanking_mv + level_mv)]
    return Tie(
        reference=reference[0].channel,
        relative_gain=ratio,
        own_u=math.hypot(noise_mv, coarse_mv) / level_mv,
        offset_mv=blanking_mv - its_blanking_mv,
        delay_ns=delay.ns,
        delay_u_ns=delay.u_ns,
        path=path_of(record, clip),
        states=tuple(place for place in places if place is not None),
    )


def _allowed(seen: LevelBudget, reference: LevelBudget) -> float:
    """How far two channels in order read one signal apart, relative, but in two of a thousand cases.

    All that a channel has of its own counts but the terminator, which is one for all here.
    """
    items = [item for one in (seen, reference) for item in one.items_of("noise", "gain", "linearity", "quantisation")]
    return combined(items).quantile(0.999) / reference.level_mv


def _delay(capture: Capture, conditions: Conditions, reference: str, channel: str) -> Delay:
    if channel == reference:
        return Delay(0.0, 0.0, 1.0)
    edges_us = find_sync(capture, conditions).lines.edges_us
    its, own = (_record(capture, name) for name in (reference, channel))
    delay = delay_between(its, own, capture.seconds_per_sample, edges_us)
    if delay is None:
        raise InstrumentError("the record holds no whole line", where=channel, do="take a longer record")
    return delay


def _record(capture: Capture, channel: str) -> ChannelRecord:
    record = capture.channel(channel)
    assert record is not None, "a channel that was measured is there"
    return record


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _refused(what: str, do: str) -> UsageError:
    return UsageError(what, where="calibrate tie", do=do)
