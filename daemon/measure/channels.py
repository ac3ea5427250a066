"""The readings of a capture's channels: levels, uncertainty and verdict of each."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from ...drivers.capture import Capture, ChannelRecord
from .budget import ASSUMED_GAIN, budget, repeatable
from .burst import LEAST_SAMPLES_PER_CYCLE, NO_BURST, Burst, measure_burst
from .calibrated import UNCALIBRATED, Calibrated
from .found_sync import FoundSync
from .hints import hint, odd_one_out
from .hookup import COLOURS, SYNC_ROLES, WHITE_ROLES, Clip
from .levels import DARK_UNDER, Levels, Probed, is_clipped, measure_levels, sync_depths_mv
from .line_sync import find_line_sync
from .reading import ChannelReading, SyncClass
from .replaced import replaced
from .robust import in_order, spread
from .suspicions import of_levels, of_sync, uncompensated
from .targets import Conditions, Target
from .uncertainty import Item, Spread, combined
from .verdict import judge

SYNC_CLASSES_MV: tuple[tuple[float, float, SyncClass], ...] = (
    (150.0, 1000.0, "75-ohm"),
    (1000.0, 2400.0, "ttl-into-75-ohm"),
    (2400.0, 6000.0, "ttl"),
)
"""Swing of a sync channel and what drives it (practice)."""
ENOUGH_SAMPLES = 8000
"""So many samples tell the extremes of a channel well enough."""
LEAST_SYNC_MV = 40.0
"""Sync shallower than this is not looked for."""


@dataclass(frozen=True)
class MeasuredChannel:
    """A channel's reading; for one with a peak white also the level on full white, its uncertainty, and where and
    on how many lines it stands."""

    reading: ChannelReading
    full_mv: float = math.nan
    items: tuple[Item, ...] = ()
    white_us: tuple[tuple[float, float], ...] = ()
    white_between: tuple[int, int] | None = None
    white_lines: int = 0

    def hinted(self, code: str) -> "MeasuredChannel":
        """The same with one hint more."""
        return replaced(self, reading=replaced(self.reading, hints=(*self.reading.hints, hint(code))))


@dataclass(frozen=True, eq=False)
class Measuring:
    """What all channels of one capture have in common."""

    capture: Capture
    conditions: Conditions
    sync: FoundSync
    calibrated: Mapping[str, Calibrated] = field(default_factory=dict)

    @property
    def assumes_accuracy(self) -> bool:
        """Whether nobody says for sure what the scope's gain is good for, on a channel with a peak white at least."""
        known = self.capture.gain_spec is not None and self.capture.gain_spec.from_data_sheet
        if self.conditions.gain_spec or known:
            return False
        white = [clip.channel for clip in self.conditions.hookup.clips if clip.role in WHITE_ROLES]
        return not white or any(self.calibrated.get(channel, UNCALIBRATED).gain is None for channel in white)

    def channels(self) -> list[MeasuredChannel]:
        """Every channel of the capture, in its order."""
        levels = self.levels
        found = [self._channel(record, levels.get(record.name)) for record in self.capture.channels]
        white = {one.reading.channel for one in found if one.reading.peak_white_mv is not None}
        suspects = uncompensated({name: its.tilt for name, its in levels.items() if name in white})
        return [one.hinted("probe-compensation") if one.reading.channel in suspects else one for one in found]

    @cached_property
    def levels(self) -> Mapping[str, Levels]:
        """Levels of the picture channels by name: those that share how blanking is clamped are cut together."""
        if self.sync.grid is None:
            return {}
        found: dict[str, Levels] = {}
        together: dict[tuple[bool, bool], dict[str, Probed]] = {}
        for record in self.capture.channels:
            clip = self.conditions.hookup.of_channel(record.name)
            if clip is not None and clip.role in WHITE_ROLES:
                kind = (clip.role == "composite", record.name in self._carrying_sync)
                together.setdefault(kind, {})[record.name] = Probed(record, clip.probe_ratio)
        for (carries_burst, carries_sync), probed in together.items():
            if carries_burst and not self._carries_subcarrier():
                continue
            measured = measure_levels(
                list(probed.values()),
                self.capture.seconds_per_sample,
                self.sync.grid,
                subcarrier_hz=self.sync.system.subcarrier_hz if carries_burst else None,
                carries_sync=carries_sync,
            )
            found.update(zip(probed, measured, strict=True))
        return found

    @cached_property
    def _carrying_sync(self) -> frozenset[str]:
        """Channels that sync may stand on: luma and composite, where it was found, and a colour that goes low."""
        found, asked = [], {}
        for record in self.capture.channels:
            clip = self.conditions.hookup.of_channel(record.name)
            if clip is not None and (clip.role in ("luma", "composite") or self.sync.is_on(record.name)):
                found.append(record.name)
            elif clip is not None and clip.role in COLOURS:
                asked[record.name] = Probed(record, clip.probe_ratio)
        if asked and self.sync.grid is not None:
            depths_mv = sync_depths_mv(list(asked.values()), self.sync.grid)
            found += [name for name, depth_mv in zip(asked, depths_mv, strict=True) if depth_mv > LEAST_SYNC_MV]
        return frozenset(found)

    def _carries_subcarrier(self) -> bool:
        subcarrier_hz = self.sync.system.subcarrier_hz
        return subcarrier_hz is None or LEAST_SAMPLES_PER_CYCLE <= 1.0 / (
            self.capture.seconds_per_sample * subcarrier_hz
        )

    def _channel(self, record: ChannelRecord, levels: Levels | None) -> MeasuredChannel:
        clip = self.conditions.hookup.of_channel(record.name)
        clipped = is_clipped(record)
        if clip is None:
            return MeasuredChannel(ChannelReading(record.name, None, clipped=clipped))
        signs = (hint("scope-clipping"),) if clipped else ()
        if clip.role not in WHITE_ROLES:
            reading = self._swing(record, clip)
            return MeasuredChannel(replaced(reading, clipped=clipped, hints=(*signs, *reading.hints)))
        target = self.conditions.target_of(clip.role, self.sync.system.name)
        base = ChannelReading(
            record.name,
            clip.role,
            clipped=clipped,
            target=target.name if target else None,
            edges_mv=target.edges_mv if target else None,
            hints=(*signs, *self._calibrated(record).refused),
        )
        if self.sync.lines.state == "none":
            return MeasuredChannel(base)
        if levels is None:
            too_slow = clip.role == "composite" and not self._carries_subcarrier()
            missing = hint("sample-rate-too-low" if too_slow else "white-not-in-record")
            return MeasuredChannel(replaced(base, hints=(*base.hints, missing)))
        return self._picture(record, clip, target, levels, base)

    def _picture(
        self, record: ChannelRecord, clip: Clip, target: Target | None, levels: Levels, base: ChannelReading
    ) -> MeasuredChannel:
        burst = self._burst(record, clip)
        base = replaced(
            base,
            blanking_mv=or_none(levels.blanking_mv),
            black_mv=or_none(levels.black_mv),
            sync_mv=or_none(self._own_sync_mv(record, clip, levels)),
            burst_mv_pp=or_none(burst.mv_pp),
            subcarrier_hz=or_none(burst.subcarrier_hz),
            average_mv=or_none(levels.average_mv),
            noise_mv_rms=or_none(levels.noise_mv),
            noise_band_mhz=self._noise_band_mhz() if math.isfinite(levels.noise_mv) else None,
            samples=levels.samples,
            hints=(
                *base.hints,
                *(hint(code) for code in of_levels(levels, clip, target, field_known=self._field_known)),
            ),
        )
        if not levels.white_mv > dark_mv(target):
            dark = levels.white_mv if math.isfinite(levels.white_mv) else levels.black_mv
            return MeasuredChannel(
                replaced(base, black_mv=or_none(dark), hints=(*base.hints, hint("white-not-in-record")))
            )
        return self._judged(record, clip, target, levels, base)

    def _judged(
        self, record: ChannelRecord, clip: Clip, target: Target | None, levels: Levels, base: ChannelReading
    ) -> MeasuredChannel:
        """A channel that has a white: full level, uncertainty, verdict."""
        pattern_pct = self.conditions.pattern_white_pct
        setup_mv = target.setup_mv if target else 0.0
        full_mv = setup_mv + (levels.white_mv - setup_mv) * 100.0 / pattern_pct
        gain = self.conditions.gain_spec or self.capture.gain_spec or ASSUMED_GAIN
        full_scale_mv = _full_scale_mv(record) * clip.probe_ratio if gain.of == "full-scale" else math.nan

        def items_at(level_mv: float) -> tuple[Item, ...]:
            return budget(level_mv, levels, clip, gain, full_scale_mv, pattern_pct, self._calibrated(record), setup_mv)

        items = items_at(full_mv)
        distribution = combined(items)

        def spread_at(level_mv: float) -> Spread:
            return distribution if level_mv == full_mv else combined(items_at(level_mv))

        half_mv = distribution.quantile(0.95)
        own_sync_mv = base.sync_mv if clip.role in ("luma", "composite") else None
        is_white = self.conditions.hold_since is None
        said = target and judge(full_mv, spread_at, target, lower_bound=base.clipped, is_white=is_white)
        reading = replaced(
            base,
            peak_white_mv=full_mv,
            u95_mv=distribution.quantile(0.975),
            u95_repeat_mv=combined(repeatable(items)).quantile(0.975),
            low_mv=full_mv - half_mv,
            high_mv=full_mv + half_mv,
            picture_to_sync=levels.white_mv / own_sync_mv if own_sync_mv else None,
            **(vars(said) if said else {}),
        )
        return MeasuredChannel(reading, full_mv, items, levels.white_us, levels.white_between, levels.white_rows)

    def _own_sync_mv(self, record: ChannelRecord, clip: Clip, levels: Levels) -> float:
        """Depth of the sync that this channel carries itself, below its clamped blanking; NaN where it carries none, or its
        tips run off the range."""
        if _tips_are_clipped(record):
            return math.nan
        if self.sync.is_on(record.name):
            return levels.blanking_mv - self.sync.lines.tip_mv
        if record.name not in self._carrying_sync:
            return math.nan
        own = find_line_sync(record, self.capture.seconds_per_sample, clip.probe_ratio, alone=False)
        same = own.state == "locked" and abs(own.period_us / self.sync.lines.period_us - 1.0) < 1e-3
        return levels.blanking_mv - own.tip_mv if same else math.nan

    def _burst(self, record: ChannelRecord, clip: Clip) -> Burst:
        if clip.role not in ("composite", "chroma") or self.sync.lines.state != "locked":
            return NO_BURST
        return measure_burst(
            record, self.capture.seconds_per_sample, clip.probe_ratio, self.sync.lines, self.sync.system
        )

    def _calibrated(self, record: ChannelRecord) -> Calibrated:
        return self.calibrated.get(record.name, UNCALIBRATED)

    def _swing(self, record: ChannelRecord, clip: Clip) -> ChannelReading:
        """Roles without a peak white: the distance between their extremes, and how far they go about their middle.

        A sync that has a state off the range has no depth, and no class unless what is seen of it can be nothing but TTL.
        """
        some = spread(record.codes, ENOUGH_SAMPLES)
        places = [math.floor(0.01 * some.size), some.size // 2, math.ceil(0.99 * some.size) - 1]
        low, middle, high = in_order(some, places)
        scale_mv = abs(record.mv_per_code * clip.probe_ratio)
        swing_mv = float(high - low) * scale_mv
        reading = ChannelReading(record.name, clip.role, swing_mv=swing_mv)
        if clip.role not in SYNC_ROLES:
            up_mv, down_mv = float(high - middle) * scale_mv, float(low - middle) * scale_mv
            burst = self._burst(record, clip)
            return replaced(
                reading,
                positive_peak_mv=up_mv,
                negative_peak_mv=down_mv,
                burst_mv_pp=or_none(burst.mv_pp),
                subcarrier_hz=or_none(burst.subcarrier_hz),
            )
        lines = self.sync.lines
        depth_mv = or_none(lines.depth_mv) if self.sync.is_on(record.name) else None
        blanking_mv = lines.tip_mv + depth_mv if depth_mv is not None and not lines.inverted else None
        shown_mv = swing_mv if depth_mv is None else depth_mv
        sort = next((name for low_mv, high_mv, name in SYNC_CLASSES_MV if low_mv <= shown_mv < high_mv), None)
        off_low = record.low_rail_code is not None and low <= record.low_rail_code
        off_high = record.high_rail_code is not None and high >= record.high_rail_code
        if off_low or off_high:
            sort = sort if sort == "ttl" else None
            depth_mv = blanking_mv = None
        return replaced(
            reading,
            swing_mv=None if off_low or off_high else shown_mv,
            sync_mv=depth_mv,
            blanking_mv=blanking_mv,
            sync_class=sort,
            hints=tuple(hint(code) for code in of_sync(sort, clip)),
        )

    @property
    def _field_known(self) -> bool:
        """Whether the record holds a vertical sync, so that it is known which lines are picture."""
        return self.sync.lines.vertical_us.size > 0

    def _noise_band_mhz(self) -> float:
        """Half the sample rate, or the analogue bandwidth where that is known and lower."""
        nyquist_mhz = 0.5e-6 / self.capture.seconds_per_sample
        return min(nyquist_mhz, self.capture.bandwidth_mhz or nyquist_mhz)


def with_dead_channels(readings: list[ChannelReading]) -> list[ChannelReading]:
    """A colour flat at blanking while another channel of the same trigger shows picture is likely dead."""
    alive = any(one.peak_white_mv is not None for one in readings)

    def dead(one: ChannelReading) -> bool:
        dark = any(sign.code == "white-not-in-record" for sign in one.hints)
        flat = one.black_mv is not None and abs(one.black_mv) < 15.0
        return alive and dark and flat and one.role in COLOURS

    return [replaced(one, hints=(*one.hints, hint("channel-dead"))) if dead(one) else one for one in readings]


def with_odd_one_out(readings: list[ChannelReading], conditions: Conditions) -> list[ChannelReading]:
    """One colour alone off by a load's factor is its terminator, or the unit."""
    odd = odd_one_out(white_ratios(readings, conditions))
    return [
        replaced(one, hints=(*one.hints, hint("one-channel-off"))) if one.channel == odd else one for one in readings
    ]


def white_ratios(readings: Iterable[ChannelReading], conditions: Conditions) -> dict[str, float]:
    """White over nominal of each colour that has both, by channel."""
    return {
        one.channel: one.peak_white_mv / conditions.targets[one.target].nominal_mv
        for one in readings
        if one.role in COLOURS and one.peak_white_mv is not None and one.target and one.target in conditions.targets
    }


def _tips_are_clipped(record: ChannelRecord) -> bool:
    """Whether the record runs off the range on the side on which sync lies below a picture."""
    tip_is_low = record.volts_per_code > 0.0
    return is_clipped(record, high=not tip_is_low, low=tip_is_low)


def dark_mv(target: Target | None) -> float:
    """A picture whose highest state is no higher holds no white."""
    return DARK_UNDER * (target.nominal_mv if target else 700.0)


def or_none(value: float) -> float | None:
    """The value, or None for NaN and infinity."""
    return value if math.isfinite(value) else None


def _full_scale_mv(record: ChannelRecord) -> float:
    """Full scale: the screen's where known, else the smallest 1-2-5 range of eight divisions that holds the record."""
    if record.full_scale_v is not None:
        return record.full_scale_v * 1e3
    lowest, highest = record.extreme_codes
    span_mv = float(highest - lowest) * abs(record.mv_per_code)
    decade = 10.0 ** math.floor(math.log10(max(span_mv, 1e-6) / 8.0))
    return next(8.0 * step * decade for step in (1.0, 2.0, 5.0, 10.0) if 8.0 * step * decade >= span_mv)
