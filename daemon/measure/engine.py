"""From one capture to all that can be said of it."""

import math
from dataclasses import dataclass, replace

import numpy as np

from ...drivers.capture import Capture, ChannelRecord
from .binning import samples_per_bin
from .budget import ASSUMED_GAIN, budget, repeatable
from .burst import LEAST_SAMPLES_PER_CYCLE, burst_mv_pp
from .hints import hint, ratio_hint
from .hookup import COLOURS, WHITE_ROLES, Clip, Role
from .levels import DARK_UNDER, Levels, is_clipped, measure_levels
from .line_sync import NO_SYNC, LineSync, find_blanking, find_line_sync
from .lines import LineGrid, line_grid
from .match import Matched, match
from .reading import ChannelReading, FieldInfo, Hint, Measured, SyncClass, SyncReading
from .systems import SYSTEM_525, SYSTEM_625, LineSystem
from .targets import Conditions, Target
from .uncertainty import Item, combined
from .verdict import judge

SYNC_ORDER: tuple[Role, ...] = ("sync", "hsync", "luma", "composite", "green")
"""Order of trust in where line sync comes from."""
ENOUGH_SAMPLES = 8000
"""So many samples tell the extremes of a channel well enough."""
LEAST_SYNC_MV = 40.0
"""Sync shallower than this is not looked for."""
SYNC_CLASSES_MV: tuple[tuple[float, float, SyncClass], ...] = (
    (150.0, 1000.0, "75-ohm"),
    (1000.0, 2400.0, "ttl-into-75-ohm"),
    (2400.0, 6000.0, "ttl"),
)
"""Swing of a sync channel and what drives it (practice)."""


@dataclass(frozen=True, eq=False)
class FoundSync:
    """The line sync of a capture and the clip that it was found on."""

    lines: LineSync
    clip: Clip | None = None
    grid: LineGrid | None = None


def measure_capture(capture: Capture, conditions: Conditions) -> Measured:
    """Sync, levels, match and hints of one capture. What cannot be measured is None, with a hint that says why."""
    sync = find_sync(capture, conditions)
    channels = _channels(capture, conditions, sync)
    readings = _with_dead_channels([one.reading for one in channels])
    general = _general_hints(capture, conditions, sync, readings)
    colours = [Matched(one.role, one.level_mv, one.items) for one in _budgets(channels) if one.role in COLOURS]
    return Measured(_sync_reading(sync), tuple(readings), match(colours), tuple(general))


@dataclass(frozen=True)
class ChannelBudget:
    """The level of one channel, on full white, with the items of its uncertainty."""

    channel: str
    role: str
    level_mv: float
    items: tuple[Item, ...]


def budgets(capture: Capture, conditions: Conditions) -> tuple[ChannelBudget, ...]:
    """The budget of every channel that has a peak white."""
    return _budgets(_channels(capture, conditions, find_sync(capture, conditions)))


def find_sync(capture: Capture, conditions: Conditions) -> FoundSync:
    """The first channel, in order of trust, on which line sync is found; then blanking alone; else none."""
    found = _find_sync(capture, conditions)
    count = samples_per_bin(capture.seconds_per_sample)
    bins = capture.samples // max(count, 8) * max(count, 8) // count
    return replace(found, grid=line_grid(found.lines, capture.seconds_per_sample, count, bins))


def _find_sync(capture: Capture, conditions: Conditions) -> FoundSync:
    best = FoundSync(NO_SYNC)
    for role in SYNC_ORDER:
        clip = conditions.hookup.of_role(role)
        record = capture.channel(clip.channel) if clip else None
        if clip is None or record is None:
            continue
        alone = role in ("sync", "hsync")
        lines = find_line_sync(record, capture.seconds_per_sample, clip.probe_ratio, alone=alone)
        if lines.state == "locked":
            return FoundSync(lines, clip)
        if lines.state != "none" and best.lines.state == "none":
            best = FoundSync(lines, clip)
    if best.lines.state != "none":
        return best
    for clip in conditions.hookup.clips:
        record = capture.channel(clip.channel)
        if record is not None and clip.role in WHITE_ROLES:
            lines = find_blanking(record, capture.seconds_per_sample, clip.probe_ratio)
            if lines.state != "none":
                return FoundSync(lines, clip)
    return best


@dataclass(frozen=True)
class _MeasuredChannel:
    reading: ChannelReading
    full_mv: float = math.nan
    items: tuple[Item, ...] = ()


def _channels(capture: Capture, conditions: Conditions, sync: FoundSync) -> list[_MeasuredChannel]:
    system = sync.lines.system or SYSTEM_525
    return [_channel(record, capture, conditions, sync, system) for record in capture.channels]


def _budgets(channels: list[_MeasuredChannel]) -> tuple[ChannelBudget, ...]:
    return tuple(
        ChannelBudget(one.reading.channel, str(one.reading.role), one.full_mv, one.items)
        for one in channels
        if one.items
    )


def _channel(
    record: ChannelRecord, capture: Capture, conditions: Conditions, sync: FoundSync, system: LineSystem
) -> _MeasuredChannel:
    clip = conditions.hookup.of_channel(record.name)
    clipped = is_clipped(record)
    if clip is None:
        return _MeasuredChannel(ChannelReading(record.name, None, clipped=clipped))
    if clip.role not in WHITE_ROLES:
        return _MeasuredChannel(replace(_swing_reading(record, clip, sync), clipped=clipped))
    target = conditions.target_of(clip.role, system.name)
    base = ChannelReading(
        record.name,
        clip.role,
        clipped=clipped,
        target=target.name if target else None,
        edges_mv=target.edges_mv if target else None,
    )
    if sync.lines.state not in ("locked", "blanking-only"):
        return _MeasuredChannel(base)
    return _picture_channel(record, capture, conditions, sync, system, clip, target, base)


def _picture_channel(
    record: ChannelRecord,
    capture: Capture,
    conditions: Conditions,
    sync: FoundSync,
    system: LineSystem,
    clip: Clip,
    target: Target | None,
    base: ChannelReading,
) -> _MeasuredChannel:
    subcarrier_hz = system.subcarrier_hz if clip.role == "composite" else None
    hints: list[Hint] = []
    if subcarrier_hz is not None and 1.0 / (capture.seconds_per_sample * subcarrier_hz) < LEAST_SAMPLES_PER_CYCLE:
        return _MeasuredChannel(replace(base, hints=(hint("sample-rate-too-low"),)))
    if sync.grid is None:
        return _MeasuredChannel(replace(base, hints=(hint("white-not-in-record"),)))
    levels = measure_levels(
        record, capture.seconds_per_sample, clip.probe_ratio, sync.grid, subcarrier_hz=subcarrier_hz
    )
    sync_mv = _own_sync_mv(record, capture, clip, sync, levels)
    base = replace(
        base,
        blanking_mv=_or_none(levels.blanking_mv),
        black_mv=_or_none(levels.black_mv),
        sync_mv=_or_none(sync_mv),
        burst_mv_pp=_or_none(_burst(record, capture, clip, sync, system)),
        average_mv=_or_none(levels.average_mv),
        noise_mv_rms=_or_none(levels.noise_mv),
        noise_band_mhz=_noise_band_mhz(capture) if math.isfinite(levels.noise_mv) else None,
        samples=levels.samples,
    )
    if base.clipped:
        hints.append(hint("scope-clipping"))
    dark_mv = DARK_UNDER * (target.nominal_mv if target else 700.0)
    if not levels.white_mv > dark_mv:
        dark = levels.white_mv if math.isfinite(levels.white_mv) else levels.black_mv
        hints.append(hint("white-not-in-record"))
        return _MeasuredChannel(replace(base, black_mv=_or_none(dark), hints=tuple(hints)))
    return _judged(record, capture, conditions, clip, target, levels, replace(base, hints=tuple(hints)))


def _judged(
    record: ChannelRecord,
    capture: Capture,
    conditions: Conditions,
    clip: Clip,
    target: Target | None,
    levels: Levels,
    base: ChannelReading,
) -> _MeasuredChannel:
    """The reading of a channel that has a white: full level, uncertainty, verdict."""
    pattern_pct = conditions.pattern_white_pct
    setup_mv = target.setup_mv if target else 0.0
    full_mv = setup_mv + (levels.white_mv - setup_mv) * 100.0 / pattern_pct
    gain = conditions.gain_spec or capture.gain_spec or ASSUMED_GAIN
    full_scale_mv = _full_scale_mv(record) * clip.probe_ratio

    def items_at(level_mv: float) -> tuple[Item, ...]:
        return budget(level_mv, levels, clip, gain, full_scale_mv, pattern_pct)

    items = items_at(full_mv)
    spread = combined(items)
    half_mv = spread.quantile(0.95)
    reading = replace(
        base,
        peak_white_mv=full_mv,
        u95_mv=spread.quantile(0.975),
        u95_repeat_mv=combined(repeatable(items)).quantile(0.975),
        low_mv=full_mv - half_mv,
        high_mv=full_mv + half_mv,
        picture_to_sync=(levels.white_mv / base.sync_mv)
        if base.sync_mv and clip.role in ("luma", "composite")
        else None,
    )
    if target is not None:
        said = judge(full_mv, lambda level_mv: combined(items_at(level_mv)), target, lower_bound=base.clipped)
        reading = replace(
            reading,
            aim_mv=said.aim_mv,
            off_aim_mv=said.off_aim_mv,
            zone=said.zone,
            verdict=said.verdict,
            p_over=said.p_over,
            p_too_low=said.p_too_low,
            decidable=said.decidable,
        )
    return _MeasuredChannel(reading, full_mv, items)


def _full_scale_mv(record: ChannelRecord) -> float:
    """Full scale of the channel: the screen's where known, else the smallest 1-2-5 range of eight divisions that holds it."""
    if record.full_scale_v is not None:
        return record.full_scale_v * 1e3
    span_mv = float(int(record.codes.max()) - int(record.codes.min())) * abs(record.mv_per_code)
    decade = 10.0 ** math.floor(math.log10(max(span_mv, 1e-6) / 8.0))
    return next(8.0 * step * decade for step in (1.0, 2.0, 5.0, 10.0) if 8.0 * step * decade >= span_mv)


def _own_sync_mv(record: ChannelRecord, capture: Capture, clip: Clip, sync: FoundSync, levels: Levels) -> float:
    """Depth of the sync that this channel carries itself, below its clamped blanking; NaN where it carries none."""
    if sync.clip is not None and sync.clip.channel == record.name:
        return levels.blanking_mv - sync.lines.tip_mv
    lowest = int(record.codes.min() if record.volts_per_code > 0.0 else record.codes.max())
    lowest_mv = (lowest * record.mv_per_code + record.mv_at_code_zero) * clip.probe_ratio
    below_mv = max(LEAST_SYNC_MV, 6.0 * levels.noise_mv)
    if clip.role not in ("luma", "composite", "green") or not lowest_mv < levels.blanking_mv - below_mv:
        return math.nan
    own = find_line_sync(record, capture.seconds_per_sample, clip.probe_ratio, alone=False)
    same = own.state == "locked" and abs(own.period_us / sync.lines.period_us - 1.0) < 1e-3
    return levels.blanking_mv - own.tip_mv if same else math.nan


def _burst(record: ChannelRecord, capture: Capture, clip: Clip, sync: FoundSync, system: LineSystem) -> float:
    if clip.role != "composite" or sync.lines.state != "locked":
        return math.nan
    return burst_mv_pp(record, capture.seconds_per_sample, clip.probe_ratio, sync.lines, system)


def _swing_reading(record: ChannelRecord, clip: Clip, sync: FoundSync) -> ChannelReading:
    """Roles without a peak white: the distance between their two extreme states, and how far they go about blanking."""
    some = np.sort(record.codes[:: max(1, record.codes.size // ENOUGH_SAMPLES)]).astype(np.float64)
    low, middle, high = some[math.floor(0.01 * some.size)], some[some.size // 2], some[math.ceil(0.99 * some.size) - 1]
    scale = record.mv_per_code * clip.probe_ratio
    swing_mv = float(high - low) * abs(scale)
    reading = ChannelReading(record.name, clip.role, swing_mv=swing_mv)
    own = sync.lines if sync.clip is not None and sync.clip.channel == record.name else None
    if clip.role in ("sync", "hsync", "vsync"):
        depth_mv = own.depth_mv if own is not None and math.isfinite(own.depth_mv) else None
        blanking_mv = own.tip_mv + own.depth_mv if own is not None and depth_mv and not own.inverted else None
        shown_mv = depth_mv if depth_mv is not None else swing_mv
        sort = next((name for low_mv, high_mv, name in SYNC_CLASSES_MV if low_mv <= shown_mv < high_mv), None)
        return replace(reading, swing_mv=shown_mv, sync_mv=depth_mv, blanking_mv=blanking_mv, sync_class=sort)
    return replace(
        reading,
        positive_peak_mv=float(high - middle) * abs(scale),
        negative_peak_mv=float(low - middle) * abs(scale),
    )


def _with_dead_channels(readings: list[ChannelReading]) -> list[ChannelReading]:
    """A picture channel flat at blanking while another of the same trigger shows picture is likely dead."""
    alive = any(one.peak_white_mv is not None for one in readings)

    def dead(one: ChannelReading) -> bool:
        dark = any(sign.code == "white-not-in-record" for sign in one.hints)
        flat = one.black_mv is not None and abs(one.black_mv) < 15.0
        return alive and dark and flat and one.role in COLOURS

    return [replace(one, hints=(*one.hints, hint("channel-dead"))) if dead(one) else one for one in readings]


def _general_hints(
    capture: Capture, conditions: Conditions, sync: FoundSync, readings: list[ChannelReading]
) -> list[Hint]:
    """Hints of the hookup as a whole."""
    found = []
    if sync.lines.state == "none":
        found.append(hint("no-sync"))
    if conditions.gain_spec is None and capture.gain_spec is None:
        found.append(hint("accuracy-assumed"))
    ratio = _ratio_hint(conditions, readings)
    if ratio is not None:
        found.append(ratio)
    return found


def _ratio_hint(conditions: Conditions, readings: list[ChannelReading]) -> Hint | None:
    whites, syncs, bursts = [], [], []
    for one in readings:
        target = conditions.targets.get(one.target) if one.target else None
        if target is not None and one.peak_white_mv is not None:
            whites.append(one.peak_white_mv / target.nominal_mv)
        shares_path = target is not None or one.sync_class == "75-ohm"
        if shares_path and one.sync_mv is not None:
            syncs.append(one.sync_mv)
        if target is not None and target.burst_mv_pp is not None and one.burst_mv_pp is not None:
            bursts.append(one.burst_mv_pp / target.burst_mv_pp)
    targets = [conditions.targets[one.target] for one in readings if one.target]
    nominal_mv = next((target.sync_mv for target in targets if target.sync_mv), 300.0)
    return ratio_hint(syncs[0] / nominal_mv if syncs else math.nan, bursts[0] if bursts else math.nan, whites)


def _sync_reading(sync: FoundSync) -> SyncReading:
    lines = sync.lines
    known = lines.state != "none"
    locked = lines.state in ("locked", "blanking-only")
    family = lines.system in (SYSTEM_525, SYSTEM_625)
    return SyncReading(
        state=lines.state,
        channel=sync.clip.channel if sync.clip is not None and known else None,
        line_period_us=_or_none(lines.period_us),
        line_rate_hz=_or_none(1e6 / lines.period_us) if math.isfinite(lines.period_us) else None,
        sync_width_us=_or_none(lines.width_us),
        jitter_ns=_or_none(lines.jitter_ns),
        lines=int(lines.line_starts.size) if locked else 0,
        system=(lines.system.name if family and lines.system else "unknown") if known else None,
        field=_field(lines),
    )


def _field(lines: LineSync) -> FieldInfo | None:
    """Lines a field, field rate and scan, from a record that holds the beginnings of two vertical syncs or more."""
    if lines.state != "locked" or lines.vertical_us.size < 2:
        return None
    fields_h = np.diff(lines.vertical_us) / lines.period_us
    halves = float(np.round(2.0 * np.median(fields_h)) / 2.0)
    if abs(float(np.median(fields_h)) - halves) > 0.1:
        return None
    interlaced = halves % 1.0 != 0.0
    return FieldInfo(halves, 1e6 / (halves * lines.period_us), "interlaced" if interlaced else "progressive", 0.0)


def _noise_band_mhz(capture: Capture) -> float:
    """Half the sample rate, or the analogue bandwidth where that is known and lower."""
    nyquist_mhz = 0.5e-6 / capture.seconds_per_sample
    return min(nyquist_mhz, capture.bandwidth_mhz or nyquist_mhz)


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None
