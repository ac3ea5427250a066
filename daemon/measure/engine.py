"""From one capture to all that can be said of it."""

import math
from dataclasses import dataclass

import numpy as np

from ...drivers.capture import Capture
from .calibrated import calibrations_in_force
from .channels import MeasuredChannel, Measuring, or_none, with_dead_channels, with_odd_one_out
from .found_sync import FoundSync, find_sync
from .hints import hint, ratio_hint
from .hookup import COLOURS, SYNC_ROLES
from .match import Matched, match
from .reading import ChannelReading, FieldInfo, Hint, Measured, SyncReading
from .sync_train import LineSync
from .targets import Conditions
from .uncertainty import Item

SEPARATE_SYNC_MV = (300.0, 285.7)
"""A sync channel beside red, green and blue may go with either scale (monitor level classes 0.700/0.300 and 0.714/0.286 V)."""


def measure_capture(capture: Capture, conditions: Conditions) -> Measured:
    """Sync, levels, match and hints of one capture. What cannot be measured is None, with a hint that says why."""
    measuring = _measuring(capture, conditions)
    channels = measuring.channels()
    readings = with_odd_one_out(with_dead_channels([one.reading for one in channels]), conditions)
    colours = [
        Matched(one.reading.role, one.full_mv, one.items, one.white_us)
        for one in channels
        if one.items and one.reading.role in COLOURS and not one.reading.clipped
    ]
    return Measured(
        sync=_sync_reading(measuring.sync),
        channels=tuple(readings),
        match=match(colours),
        hints=tuple(_general_hints(measuring, readings)),
    )


@dataclass(frozen=True)
class ChannelBudget:
    """The level of one channel, on full white, with the items of its uncertainty."""

    channel: str
    role: str
    level_mv: float
    items: tuple[Item, ...]


def budgets(capture: Capture, conditions: Conditions) -> tuple[ChannelBudget, ...]:
    """The budget of every channel that has a peak white."""
    return _budgets(_measuring(capture, conditions).channels())


def _measuring(capture: Capture, conditions: Conditions) -> Measuring:
    """The capture with its sync, calibrations applied."""
    in_force = calibrations_in_force(capture, conditions)
    return Measuring(capture, in_force.conditions, find_sync(capture, in_force.conditions), in_force.channels)


def _budgets(channels: list[MeasuredChannel]) -> tuple[ChannelBudget, ...]:
    return tuple(
        ChannelBudget(one.reading.channel, str(one.reading.role), one.full_mv, one.items)
        for one in channels
        if one.items
    )


def _general_hints(measuring: Measuring, readings: list[ChannelReading]) -> list[Hint]:
    """Hints of the hookup as a whole."""
    found = []
    if measuring.sync.lines.state == "none":
        found.append(hint("no-sync"))
    named = any(clip.role in ("sync", "hsync", "luma", "composite") for clip in measuring.conditions.hookup.clips)
    if measuring.sync.lines.state == "blanking-only" and named:
        found.append(hint("sync-not-found"))
    if measuring.assumes_accuracy:
        found.append(hint("accuracy-assumed"))
    ratio = _ratio_hint(measuring.conditions, readings)
    if ratio is not None:
        found.append(ratio)
    return found


def _ratio_hint(conditions: Conditions, readings: list[ChannelReading]) -> Hint | None:
    """The ratio table on this reading: whites against their targets, sync and burst against theirs."""
    whites, bursts = [], []
    syncs: list[float] = []
    for one in readings:
        target = conditions.targets.get(one.target) if one.target else None
        if target is not None and one.peak_white_mv is not None:
            whites.append(one.peak_white_mv / target.nominal_mv)
        if target is not None and target.burst_mv_pp is not None and one.burst_mv_pp is not None:
            bursts.append(one.burst_mv_pp / target.burst_mv_pp)
        if target is not None and target.sync_mv is not None and one.sync_mv is not None:
            syncs = [one.sync_mv / target.sync_mv]
        elif one.role in SYNC_ROLES and one.sync_mv is not None and not syncs:
            syncs = [one.sync_mv / nominal_mv for nominal_mv in SEPARATE_SYNC_MV]
    return ratio_hint(syncs, bursts[0] if bursts else math.nan, whites)


def _sync_reading(sync: FoundSync) -> SyncReading:
    lines = sync.lines
    if lines.state == "none":
        return SyncReading("none")
    return SyncReading(
        state=lines.state,
        channel=sync.clip.channel if sync.clip is not None else None,
        line_period_us=or_none(lines.period_us),
        line_rate_hz=or_none(1e6 / lines.period_us),
        sync_width_us=or_none(lines.width_us),
        jitter_ns=or_none(lines.jitter_ns),
        lines=int(lines.line_starts.size),
        system=sync.system.name or "unknown",
        field=_field(lines),
    )


def _field(lines: LineSync) -> FieldInfo | None:
    """Lines a field, field rate and scan, from a record that holds the beginnings of two vertical syncs or more."""
    if lines.state != "locked" or lines.vertical_us.size < 2:
        return None
    fields_h = float(np.median(np.diff(lines.vertical_us))) / lines.period_us
    halves = round(2.0 * fields_h) / 2.0
    if abs(fields_h - halves) > 0.1:
        return None
    interlaced = halves % 1.0 != 0.0
    return FieldInfo(halves, 1e6 / (halves * lines.period_us), "interlaced" if interlaced else "progressive", 0.0)
