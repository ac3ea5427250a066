"""A reading as people read it on a terminal: one row a channel, what else was measured on it, sync, match and hints."""

from collections.abc import Iterable, Mapping, Sequence

from ..measure.hookup import WHITE_ROLES
from ..measure.reading import ChannelReading, Hint, MatchReading, Measured, SyncClass, SyncReading, SyncState, Zone
from ..measure.verdict import UNSURE

ON_AIM_MV = 0.5
HEADINGS = ("channel", "role", "level above blanking", "aim", "zone", "verdict")
ZONES: Mapping[Zone, str] = {"over": "over", "on-target": "on target", "dim": "dim", "too-low": "too low"}
SYNC_CLASSES: Mapping[SyncClass, str] = {
    "75-ohm": "75-ohm sync",
    "ttl": "TTL sync",
    "ttl-into-75-ohm": "TTL sync into 75 ohm",
}
SYNC_STATES: Mapping[SyncState, str] = {
    "locked": "locked",
    "vertical-interval": "vertical interval",
    "blanking-only": "looks like blanking, not proven",
    "none": "none found",
}


def may_be_left(measured: Measured) -> bool:
    """Whether there is a channel with a peak white, and every one of them may be left as it is."""
    verdicts = [channel.verdict for channel in measured.channels if channel.role in WHITE_ROLES]
    return bool(verdicts) and all(verdict == "leave-it" for verdict in verdicts)


def reading_as_text(measured: Measured, pattern_white_pct: float = 100.0) -> str:
    """The reading in some lines, without the last line's end."""
    rows = [HEADINGS, *(_row(channel) for channel in measured.channels)]
    lines = [*aligned(rows), ""]
    if pattern_white_pct != 100.0:
        lines += [_scaled_words(pattern_white_pct), ""]
    if more := [(channel.channel, words) for channel in measured.channels if (words := _other_levels(channel))]:
        lines += [*aligned(more), ""]
    lines.append(f"sync   {_sync_words(measured.sync)}")
    if measured.match is not None:
        lines.append(f"match  {match_words(measured.match)}")
    for hint, channels in _hints(measured):
        lines += ["", f"{hint.code}{channels}: {hint.text}", f"  {hint.test}"]
    return "\n".join(lines)


def verdict_words(channel: ChannelReading) -> str:
    """What may be said of a level, with its distance to the aim: `over, 55.2 mV too high`."""
    if channel.off_aim_mv is None or (channel.verdict is None and channel.highest is None):
        return "none" if channel.role in WHITE_ROLES else ""
    away = f"{abs(channel.off_aim_mv):.1f} mV"
    if channel.verdict == "over":
        return f"over, {away} too high"
    if channel.verdict == "too-low":
        return f"too low, {away} under the aim"
    side = (
        "on the aim"
        if abs(channel.off_aim_mv) < ON_AIM_MV
        else f"{away} {'over' if channel.off_aim_mv > 0 else 'under'} the aim"
    )
    if channel.verdict == "leave-it":
        return f"leave it, {side}"
    if channel.verdict is None:
        return f"not over so far, {side}"
    return f"unsure{_unsure_of(channel)}, {side}"


def _unsure_of(channel: ChannelReading) -> str:
    """What it may still be, and by how much at 95 %."""
    edges, low_mv, high_mv = channel.edges_mv, channel.low_mv, channel.high_mv
    if channel.clipped:
        return ", may be higher than the record shows"
    if edges is None or low_mv is None or high_mv is None:
        return ""
    told = ""
    if (channel.p_over or 0.0) > UNSURE:
        told += f", may be over by up to {high_mv - edges.over:.1f} mV"
    if (channel.p_too_low or 0.0) > UNSURE:
        told += f", may be too low by up to {edges.dim - low_mv:.1f} mV"
    return told


def _row(channel: ChannelReading) -> tuple[str, ...]:
    zone = _zone_words(channel)
    aim = "" if channel.aim_mv is None else f"{channel.aim_mv:.1f} mV"
    return (channel.channel, channel.role or "no role", _level_words(channel), aim, zone, verdict_words(channel))


def _zone_words(channel: ChannelReading) -> str:
    """Where the level lies, or the class of a sync; nothing of a level that need not be white and would be too low."""
    if channel.sync_class:
        return SYNC_CLASSES[channel.sync_class]
    only_highest = channel.verdict is None and channel.highest is not None
    return ZONES[channel.zone] if channel.zone and not only_highest else ""


def _other_levels(channel: ChannelReading) -> str:
    """What was measured beside the level; nothing of what was not."""
    if channel.role is None:
        return ""
    noise = "noise {:.1f} mV rms"
    if channel.noise_band_mhz is not None:
        noise += f" in {channel.noise_band_mhz:.3g} MHz"
    told = (
        ("blanking {:.1f} mV from scope zero", channel.blanking_mv),
        ("black {:.1f} mV", channel.black_mv),
        ("sync {:.1f} mV deep", channel.sync_mv),
        ("picture to sync {:.3f}", channel.picture_to_sync),
        ("burst {:.1f} mV p-p", channel.burst_mv_pp),
        ("subcarrier {:.0f} Hz", channel.subcarrier_hz),
        ("average {:.1f} mV", channel.average_mv),
        (noise, channel.noise_mv_rms),
    )
    words = [words.format(value) for words, value in told if value is not None]
    return ", ".join([*_compared_words(channel), *words])


def _compared_words(channel: ChannelReading) -> Iterable[str]:
    """The highest level seen, which is never called white, and the level as per cent of a reference unit's."""
    highest, reference = channel.highest, channel.reference
    if highest is not None:
        lines = f"{highest.lines} line{'s' * (highest.lines != 1)}"
        ago = f", {highest.age_s:.0f} s ago" if highest.age_s else ""
        yield f"highest seen {highest.level_mv:.1f} mV for {highest.dwell_us:.0f} us on {lines}{ago}"
    if reference is not None:
        yield f"{reference.percent:.2f} ± {reference.u95_percent:.2f} % of the reference's {reference.level_mv:.1f} mV"


def _scaled_words(pattern_white_pct: float) -> str:
    return (
        f"Levels are scaled from a pattern's white of {pattern_white_pct:.4g} % to full white; "
        "that the unit is linear up to there is assumed."
    )


def _level_words(channel: ChannelReading) -> str:
    if channel.role not in WHITE_ROLES:
        return "" if channel.swing_mv is None else f"swing {channel.swing_mv:.1f} mV"
    if channel.peak_white_mv is None:
        return "not measured"
    bound = "at least " if channel.clipped else ""
    spread = "" if channel.u95_mv is None else f" ± {channel.u95_mv:.1f}"
    return f"{bound}{channel.peak_white_mv:.1f}{spread} mV{', held' * channel.held}"


def aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows as lines, their cells under each other."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _sync_words(sync: SyncReading) -> str:
    if sync.state == "none":
        return SYNC_STATES["none"]
    words = [SYNC_STATES[sync.state] + (f" on {sync.channel}" if sync.channel else "")]
    if sync.system is not None:
        words.append("unknown system" if sync.system == "unknown" else sync.system)
    if sync.line_rate_hz is not None:
        words.append(f"{sync.line_rate_hz:.1f} Hz")
    if sync.line_period_us is not None and sync.line_period_u95_us is not None:
        words.append(f"a line {sync.line_period_us:.4f} ± {sync.line_period_u95_us:.4f} us")
    if sync.sync_width_us is not None:
        words.append(f"{sync.sync_width_us:.2f} us wide")
    words.append(f"{sync.lines} line{'s' * (sync.lines != 1)}")
    if sync.field is not None and sync.field.lines_per_field is not None:
        words.append(f"{sync.field.lines_per_field:g} lines a field, {sync.field.scan}")
    return ", ".join(words)


def match_words(match: MatchReading) -> str:
    """How far the colours lie apart, how sure that is, and by which method."""
    spread = f"{match.spread_mv:.1f} ± {match.u95_mv:.1f}"
    limit = f"{match.limit_pct:g} %"
    within = {True: f"within {limit}", False: f"beyond {limit}", None: f"{limit} cannot be told from this"}[match.ok]
    return f"{spread} mV between {match.highest} (highest) and {match.lowest} (lowest), {match.method}: {within}"


def _hints(measured: Measured) -> Iterable[tuple[Hint, str]]:
    """Each hint once, with the channels that it is about in brackets."""
    about: dict[Hint, list[str]] = {hint: [] for hint in measured.hints}
    for channel in measured.channels:
        for hint in channel.hints:
            about.setdefault(hint, []).append(channel.channel)
    return [(hint, f" ({', '.join(channels)})" if channels else "") for hint, channels in about.items()]
