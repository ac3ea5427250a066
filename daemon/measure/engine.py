"""From one capture to all that can be said of it."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from ...drivers.capture import Capture
from .burst import limiter_droop
from .calibrated import UNCALIBRATED, calibrations_in_force, path_of, refusal_hint, serial_of
from .channels import MeasuredChannel, Measuring, or_none, with_dead_channels, with_odd_one_out
from .colour_bars import bars_hint, roles_by_bars, with_roles_by_bars
from .edge_rise import limited_channels
from .found_sync import FoundSync, find_sync
from .hints import hint, hinted, ratio_hint
from .hookup import COLOURS, SYNC_ROLES
from .level_budget import LevelBudget
from .match import match
from .one_probe import one_probe
from .reading import ChannelReading, FieldInfo, HighestReading, Hint, MatchReading, Measured, SyncReading
from .reference_unit import compared_with, path_words
from .replaced import replaced
from .swapped import swapped_channels
from .sync_train import LineSync
from .targets import Conditions
from .tie import half_tied
from .uncertainty import Item, combined

SEPARATE_SYNC_MV = (300.0, 285.7)
"""A sync channel beside red, green and blue may go with either scale (monitor level classes 0.700/0.300 and 0.714/0.286 V)."""


def measure_capture(capture: Capture, conditions: Conditions) -> Measured:
    """Sync, levels, match and hints of one capture. What cannot be measured is None, with a hint that says why."""
    measuring = measuring_of(capture, conditions)
    channels = measuring.channels()
    readings = with_odd_one_out(with_dead_channels([one.reading for one in channels]), conditions)
    grid = measuring.sync.grid
    by_bars = {} if grid is None else roles_by_bars(capture, conditions.hookup, grid)
    readings = with_roles_by_bars(readings, by_bars)
    swapped = swapped_channels(capture, conditions, measuring.sync, by_bars)
    readings = hinted(readings, "channels-swapped", swapped)
    if limiter_droop(measuring.sync.system.subcarrier_hz or 0.0, capture.bandwidth_mhz):
        readings = hinted(readings, "burst-through-limiter", [one.channel for one in readings if one.burst_mv_pp])
    readings = hinted(readings, "bandwidth-limited", limited_channels(capture, conditions, grid))
    levels = tuple(_budget(one, measuring, conditions) for one in channels if one.items)
    clipped = {one.channel for one in readings if one.clipped}
    fit = tuple(one for one in levels if one.channel not in clipped)
    readings = _with_comparisons(
        readings, fit, {one.reading.channel: one.white_lines for one in channels}, capture, conditions
    )
    colours = [one for one in fit if one.role in COLOURS]
    return Measured(
        sync=_sync_reading(measuring.sync, conditions.time_base_ppm),
        channels=tuple(readings),
        match=_match(colours, capture, conditions),
        hints=tuple(_general_hints(measuring, readings, colours)),
        budgets=fit,
        basis=measuring,
    )


def budgets(capture: Capture, conditions: Conditions) -> tuple[LevelBudget, ...]:
    """The level and budget of every channel that has a peak white."""
    measuring = measuring_of(capture, conditions)
    return tuple(_budget(one, measuring, conditions) for one in measuring.channels() if one.items)


def measuring_of(capture: Capture, conditions: Conditions) -> Measuring:
    """The capture with its sync, calibrations applied."""
    in_force = calibrations_in_force(capture, conditions)
    return Measuring(capture, in_force.conditions, find_sync(capture, in_force.conditions), in_force.channels)


def _budget(one: MeasuredChannel, measuring: Measuring, conditions: Conditions) -> LevelBudget:
    """The level of a channel with all that comparing it with others needs. `conditions` are those without calibrations."""
    reading = one.reading
    record, clip = measuring.capture.channel(reading.channel), conditions.hookup.of_channel(reading.channel)
    assert record is not None and clip is not None
    calibrated = measuring.calibrated.get(reading.channel, UNCALIBRATED)
    enlarged = 100.0 / conditions.pattern_white_pct
    target = conditions.targets.get(reading.target) if reading.target else None
    unscaled_mv = target.setup_mv * (1.0 - enlarged) if target else 0.0
    blanking_mv = reading.blanking_mv if reading.blanking_mv is not None else math.nan
    mv_per_volt = clip.probe_ratio * calibrated.factor * 1e3
    path = path_of(record, clip)
    return LevelBudget(
        role=str(reading.role),
        level_mv=one.full_mv,
        items=one.items,
        white_us=one.white_us,
        white_between=one.white_between,
        channel=reading.channel,
        blanking_mv=blanking_mv,
        state_mv=path.volts_per_state * mv_per_volt * enlarged,
        unscaled_mv=unscaled_mv,
        path=path,
        calibration=calibrated.factor,
        captured_at_ns=measuring.capture.captured_at_ns,
        tied=calibrated.tied(blanking_mv, (one.full_mv - unscaled_mv) / enlarged),
    )


def _with_comparisons(
    readings: list[ChannelReading],
    fit: Sequence[LevelBudget],
    lines: Mapping[str, int],
    capture: Capture,
    conditions: Conditions,
) -> list[ChannelReading]:
    """The readings with the path of their level, as per cent of the reference unit's, and as the highest seen so far.

    `fit` leaves out what runs off the range: that is no level, but a bound. `lines` are those that a level stands on.
    """
    levels = {one.channel: one for one in fit}
    serial = serial_of(capture.identity) if conditions.reference else None

    def of(one: ChannelReading) -> ChannelReading:
        level = levels.get(one.channel)
        if level is None or level.path is None:
            return one
        dwell_us = one.samples * capture.seconds_per_sample * 1e6
        return replaced(
            one,
            path=path_words(level.path, level.calibration),
            reference=compared_with(conditions.reference, level, serial),
            highest=None
            if conditions.hold_since is None
            else HighestReading(level.level_mv, dwell_us, lines[one.channel], 0.0),
        )

    return [of(one) for one in readings]


def _match(colours: list[LevelBudget], capture: Capture, conditions: Conditions) -> MatchReading | None:
    """Tied before one-probe before untied; what one probe found is given up where the levels now contradict it."""
    now = match(colours)
    taken = one_probe(conditions.one_probe, capture.captured_at_ns)
    if now is None or taken is None or now.method == "tied":
        return now or taken
    return now if abs(now.spread_mv - taken.spread_mv) > now.u95_mv else taken


def _general_hints(measuring: Measuring, readings: list[ChannelReading], colours: list[LevelBudget]) -> list[Hint]:
    """Hints of the hookup as a whole."""
    found = []
    if measuring.sync.lines.state == "none":
        found.append(hint("no-sync"))
    named = any(clip.role in ("sync", "hsync", "luma", "composite") for clip in measuring.conditions.hookup.clips)
    if measuring.sync.lines.state == "blanking-only" and named:
        found.append(hint("sync-not-found"))
    if measuring.assumes_accuracy:
        found.append(hint("accuracy-assumed"))
    why_untied = half_tied(colours)
    if why_untied is not None:
        found.append(refusal_hint("The tie", why_untied))
    ratio = _ratio_hint(measuring, readings)
    if ratio is not None:
        found.append(ratio)
    bars = bars_hint(readings)
    if bars is not None:
        found.append(bars)
    return found


def _ratio_hint(measuring: Measuring, readings: list[ChannelReading]) -> Hint | None:
    """The ratio table on this reading: whites against their targets, sync and burst against theirs; what runs off the range
    is no level, but a bound."""
    targets = measuring.conditions.targets
    droop = limiter_droop(measuring.sync.system.subcarrier_hz or 0.0, measuring.capture.bandwidth_mhz)
    whites, bursts = [], []
    syncs: list[float] = []
    for one in readings:
        target = targets.get(one.target) if one.target else None
        if target is not None and one.peak_white_mv is not None and not one.clipped:
            whites.append(one.peak_white_mv / target.nominal_mv)
        if target is not None and target.burst_mv_pp is not None and one.burst_mv_pp is not None:
            bursts.append(one.burst_mv_pp / target.burst_mv_pp)
        if target is not None and target.sync_mv is not None and one.sync_mv is not None:
            syncs = [one.sync_mv / target.sync_mv]
        elif one.role in SYNC_ROLES and one.sync_mv is not None and not syncs:
            syncs = [one.sync_mv / nominal_mv for nominal_mv in SEPARATE_SYNC_MV]
    return ratio_hint(syncs, bursts[0] if bursts else math.nan, whites, droop)


def _sync_reading(sync: FoundSync, time_base_ppm: float) -> SyncReading:
    lines = sync.lines
    if lines.state == "none":
        return SyncReading("none")
    time_base = Item("time base", "common", "rectangular", time_base_ppm * 1e-6 * lines.period_us)
    period = combined((Item("noise", "random", "normal", lines.period_u_us), time_base))
    return SyncReading(
        state=lines.state,
        channel=sync.clip.channel if sync.clip is not None else None,
        line_period_us=or_none(lines.period_us),
        line_period_u95_us=period.quantile(0.975) if math.isfinite(lines.period_u_us) else None,
        line_rate_hz=or_none(1e6 / lines.period_us),
        sync_width_us=or_none(lines.width_us),
        jitter_ns=or_none(lines.jitter_ns),
        lines=int(lines.line_starts.size),
        system=(sync.system.name or "unknown") if math.isfinite(lines.period_us) else None,
        field=_field(lines),
    )


def _field(lines: LineSync) -> FieldInfo | None:
    """Lines a field, field rate and scan, from a record that holds the beginnings of two vertical syncs or more.

    Interlaced is where a field has half a line, so that vertical sync falls at line and half line by turns.
    """
    if lines.state not in ("locked", "blanking-only") or lines.vertical_us.size < 2:
        return None
    fields_h = float(np.median(np.diff(lines.vertical_us))) / lines.period_us
    halves = round(2.0 * fields_h) / 2.0
    if abs(fields_h - halves) > 0.1:
        return None
    interlaced = halves % 1.0 != 0.0
    return FieldInfo(halves, 1e6 / (halves * lines.period_us), "interlaced" if interlaced else "progressive", 0.0)
