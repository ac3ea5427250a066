"""The levels of picture channels: peak white, black, blanking, average, noise."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import binned_mv
from .clamps import clamped
from .flats import ALIKE_MV, LONG_ENOUGH_US, State, flat_runs, states
from .level_noise import blanking_noise_codes, clamp_pieces, mean_error_mv, piece_samples, random_mv, white_noise_codes
from .line_grid import LineGrid, telling_lines
from .lines import Lines, cut_lines
from .replaced import replaced
from .robust import mean_along, median
from .stretches import stretches

DARK_UNDER = 0.05
"""A picture whose highest state lies under this part of the target holds no white."""
LEAST_RAIL_SAMPLES = 8
"""So many samples at the ADC's rail are clipping; fewer are stray."""
EVEN_LINES = 12
HIGHEST_LINES = 4
"""Flats are learnt on so many lines spread evenly and so many of the brightest of each channel; sums run over all lines."""
LEAST_SUMMED = 8
FEW_LINES = 4


@dataclass(frozen=True, eq=False)
class Seen:
    """What one channel's levels were read from: the lines that were cut and the states found on them, highest first."""

    lines: Lines
    states: tuple[State, ...]


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels of one channel in mV, NaN where not measured. `blanking_mv` is against scope zero, the others above blanking.

    Attributes:
        white_mv: the highest state of the picture.
        white_random_mv: its standard uncertainty from noise alone (type A).
        white_rows: on how many of `rows` lines looked at it stands.
        black_mv: the lowest state, where another one is above it.
        noise_mv, blanking_noise_mv: rms noise of single samples on white flats, and on blanking.
        lsb_mv: distance between neighbouring ADC states.
        samples: samples that made the level.
        mean_mv: mean of the whole record against scope zero.
        tilt: how much the later half of the longest white run is higher than the earlier, as part of the level.
        pedestal_mv, pedestal_error_mv: blanking under the burst less blanking after it, and its standard uncertainty.
        seen: what all this was read from; None where no line could be cut.
        picture_states: every level that the picture holds, highest first.
        white_us: where on its lines white stands, stretches from and to after 0H.
        white_between: the first and the last line looked at that holds it, by their place in the record's sync.
    """

    lsb_mv: float
    blanking_mv: float = math.nan
    white_mv: float = math.nan
    white_random_mv: float = math.nan
    white_rows: int = 0
    rows: int = 0
    black_mv: float = math.nan
    average_mv: float = math.nan
    noise_mv: float = math.nan
    blanking_noise_mv: float = math.nan
    samples: int = 0
    picture_states: tuple[float, ...] = ()
    white_us: tuple[tuple[float, float], ...] = ()
    white_between: tuple[int, int] | None = None
    mean_mv: float = math.nan
    tilt: float = 0.0
    pedestal_mv: float = 0.0
    pedestal_error_mv: float = math.inf
    seen: Seen | None = None


@dataclass(frozen=True, eq=False)
class Probed:
    """A channel's record with the ratio of the probe on it."""

    record: ChannelRecord
    probe_ratio: float = 1.0

    @property
    def mv_per_code(self) -> float:
        """Millivolts at the point of measurement for one step of code, positive."""
        return abs(self.record.mv_per_code * self.probe_ratio)

    @property
    def lsb_mv(self) -> float:
        """Distance between neighbouring ADC states at the point of measurement."""
        return self.mv_per_code * self.record.code_step


def is_clipped(record: ChannelRecord, *, high: bool = True, low: bool = True) -> bool:
    """Whether eight samples or more lie at a rail of the ADC, or at one of them."""
    at_rail = 0
    lowest, highest = record.extreme_codes
    if high and record.high_rail_code is not None and highest >= record.high_rail_code:
        at_rail += int(np.count_nonzero(record.codes >= record.high_rail_code))
    if low and record.low_rail_code is not None and lowest <= record.low_rail_code:
        at_rail += int(np.count_nonzero(record.codes <= record.low_rail_code))
    return at_rail >= LEAST_RAIL_SAMPLES


def sync_depths_mv(channels: Sequence[Probed], grid: LineGrid) -> list[float]:
    """How far the time of sync lies below everything else of a line, on the mean of a few lines, of each channel.

    Nothing to speak of on a channel that is only blanked then: the same level stands on its porches.
    """
    per_us = grid.samples_per_bin / grid.bin_us
    width = max(1, round(0.3 * per_us))
    samples = int(grid.period_us * per_us)
    during = slice(round(0.4 * per_us), max(1, round((grid.sync_end_us - 0.7) * per_us)))
    outside = slice(round((grid.sync_end_us + 0.2) * per_us), round((grid.period_us - 0.6) * per_us))
    start = grid.first_bin[:: max(1, grid.first_bin.size // FEW_LINES)][:FEW_LINES] * grid.samples_per_bin
    whole = [first for first in start.tolist() if first + samples <= channels[0].record.codes.size]
    smoothed = samples + 1 - width
    if not whole or not range(smoothed)[during] or not range(smoothed)[outside]:
        return [0.0] * len(channels)
    lines = np.stack([stretches(one.record.codes, np.array(whole), samples) for one in channels])
    total = np.zeros((len(channels), samples + 1), dtype=np.int64)
    np.add.reduce(lines, axis=1, dtype=np.int64).cumsum(axis=1, out=total[:, 1:])
    scale = [[math.copysign(1.0 / (width * len(whole)), one.record.volts_per_code)] for one in channels]
    smooth = (total[:, width:] - total[:, :-width]) * np.array(scale)
    depths = smooth[:, outside].min(axis=1) - mean_along(smooth[:, during], 1)
    return [depth * one.mv_per_code for depth, one in zip(depths.tolist(), channels, strict=True)]


def measure_levels(
    channels: list[Probed],
    seconds_per_sample: float,
    grid: LineGrid,
    *,
    subcarrier_hz: float | None,
    carries_sync: bool = True,
) -> list[Levels]:
    """Blanking, peak white, black, average and noise of picture channels on the lines of `grid`.

    `subcarrier_hz` is given where the channels carry colour: it is then taken out within the line. `carries_sync` says
    that they carry sync themselves.
    """
    binned = np.stack([binned_mv(one.record, grid.samples_per_bin, one.probe_ratio) for one in channels])
    telling = telling_lines(binned, grid, EVEN_LINES, HIGHEST_LINES)
    lines = cut_lines(binned, telling, subcarrier_hz=subcarrier_hz, carries_sync=carries_sync)
    if lines is None:
        return [Levels(one.lsb_mv) for one in channels]
    cycle_us = None if subcarrier_hz is None else 1e6 / subcarrier_hz
    if cycle_us is not None:
        lines = without_subcarrier(lines, cycle_us)
    runs = flat_runs(lines, cycle_us)
    everywhere = AllLines(
        binned,
        grid,
        *((lines.blanking_mv, lines.next_blanking_mv) if telling is grid else clamped(binned, grid, lines.clamp)),
    )
    average_mv = mean_along(everywhere.between(lines.active, lines.clamp.middle), 1)
    mean_mv = mean_along(binned, 1)
    piece = piece_samples(seconds_per_sample)
    on_clamps = clamp_pieces(lines, piece)
    found = []
    for index, one in enumerate(channels):
        pedestal_mv, pedestal_error_mv = lines.pedestal_mv(index)
        its_noise_mv = float(lines.clamp_noise_mv[index])
        blanking_noise_mv = blanking_noise_codes(one.record, on_clamps, lines.spoilt[index], piece) * one.mv_per_code
        scatter_mv = float(lines.line_scatter_mv[index])
        its_states = states(runs.at(runs.channel == index), grid.bin_us, its_noise_mv, scatter_mv)
        base = Levels(
            one.lsb_mv,
            blanking_mv=_mean(everywhere.blanking_mv[index]),
            rows=lines.level_mv.shape[1],
            average_mv=float(average_mv[index]),
            noise_mv=its_noise_mv * math.sqrt(grid.samples_per_bin),
            blanking_noise_mv=blanking_noise_mv,
            mean_mv=float(mean_mv[index]),
            pedestal_mv=pedestal_mv,
            pedestal_error_mv=pedestal_error_mv,
            seen=Seen(lines, tuple(its_states)),
        )
        if its_states:
            noise_mv = blanking_noise_mv
            if cycle_us is None:
                noise_mv = white_noise_codes(one.record, its_states[0], lines, piece) * one.mv_per_code
            base = _with_white(base, its_states, lines, index, noise_mv, everywhere)
        found.append(base)
    return found


def _with_white(
    base: Levels, found: list[State], lines: Lines, index: int, noise_mv: float, everywhere: "AllLines"
) -> Levels:
    """A channel's levels with its highest state as white, taken over all lines where more were cut than looked at."""
    top, grid, scatter_mv = found[0], lines.grid, float(lines.line_scatter_mv[index])
    held = _stretches(_held_columns(top, lines))
    base = replaced(
        base,
        white_mv=top.level_mv,
        white_rows=top.rows,
        white_random_mv=random_mv(top, lines, index),
        black_mv=found[-1].level_mv if len(found) > 1 else math.nan,
        noise_mv=noise_mv,
        samples=int(top.runs.bins.sum()) * grid.samples_per_bin,
        picture_states=tuple(state.level_mv for state in found),
        tilt=_tilt(top, lines, index),
        white_us=tuple((first * grid.bin_us, last * grid.bin_us) for first, last in held.tolist()),
        white_between=(int(grid.number[top.runs.row.min()]), int(grid.number[top.runs.row.max()])),
    )
    columns = _longest(held, grid.bin_us)
    if everywhere.grid.number.size > grid.number.size and columns is not None:
        level_mv = everywhere.of_channel(index).between(columns, lines.clamp.middle)[0]
        base = _over_all_lines(base, top, level_mv, columns, everywhere.grid, scatter_mv)
    return base


def _tilt(top: State, lines: Lines, index: int) -> float:
    """Mean of the later half of the longest run less the earlier's, as part of the level; over all lines that hold it."""
    longest = int(top.runs.bins.argmax())
    first, last = int(top.runs.first[longest]), int(top.runs.last[longest])
    middle = (first + last) // 2
    rows = top.runs.row[(top.runs.first <= first + 1) & (top.runs.last >= last - 1)]
    if middle == first or rows.size == 0 or top.level_mv == 0.0:
        return 0.0
    held_mv = np.add.reduce(lines.level_mv[index, rows, first:last], axis=0) / rows.size
    return (_mean(held_mv[middle - first :]) - _mean(held_mv[: middle - first])) / top.level_mv


def _mean(values: NDArray[np.float64]) -> float:
    return float(np.add.reduce(values)) / values.size


@dataclass(frozen=True, eq=False)
class AllLines:
    """All picture lines of binned channels, not cut: blanking of each line and of the one after it, shape (channels, lines)."""

    binned: NDArray[np.float32]
    grid: LineGrid
    blanking_mv: NDArray[np.float64]
    next_blanking_mv: NDArray[np.float64]

    def between(self, columns: slice, clamp_middle: float) -> NDArray[np.float64]:
        """Mean above blanking between two columns on every line, shape (channels, lines)."""
        edges = (self.grid.first_bin[:, None] + np.array((columns.start, columns.stop))).ravel()
        edges = np.minimum(edges, self.binned.shape[1] - 1)
        sums = np.add.reduceat(self.binned, edges, axis=1, dtype=np.float64)[:, ::2]
        into = (0.5 * (columns.start + columns.stop - 1) - clamp_middle) / self.grid.bins_to_next
        own_mv = self.blanking_mv
        return np.asarray(sums / (columns.stop - columns.start) - own_mv - (self.next_blanking_mv - own_mv) * into)

    def of_channel(self, index: int) -> "AllLines":
        """One channel alone."""
        its = slice(index, index + 1)
        return AllLines(self.binned[its], self.grid, self.blanking_mv[its], self.next_blanking_mv[its])


def _over_all_lines(
    base: Levels, top: State, level_mv: NDArray[np.float64], columns: slice, grid: LineGrid, clamp_mv: float
) -> Levels:
    """The level from all lines of a long record, given each line's own at the place that the learnt ones hold it at.

    Lines whose own level is another, nearer to the next state than to this one or beyond what noise explains, are left
    out; with few left, what was learnt stands.
    """
    bright_mv = level_mv[level_mv > 0.5 * top.level_mv]
    scatter_mv = median(np.abs(bright_mv - median(bright_mv))) / 0.6745 if bright_mv.size else 0.0
    to_next_mv = top.level_mv - base.picture_states[1] if len(base.picture_states) > 1 else math.inf
    alike_mv = max(ALIKE_MV, min(6.0 * scatter_mv, 0.5 * to_next_mv))
    level_mv = level_mv[np.abs(level_mv - top.level_mv) < alike_mv]
    if level_mv.size < LEAST_SUMMED:
        return base
    return replaced(
        base,
        white_mv=_mean(level_mv),
        white_random_mv=mean_error_mv(level_mv, clamp_mv) * (1.0 + 1.0 / level_mv.size),
        white_rows=int(level_mv.size),
        rows=int(grid.number.size),
        samples=int(level_mv.size) * (columns.stop - columns.start) * grid.samples_per_bin,
    )


def _held_columns(top: State, lines: Lines) -> NDArray[np.bool_]:
    """Columns in which nine tenths of the lines that hold a state hold it."""
    width = lines.level_mv.shape[2]
    edges = np.bincount(top.runs.first, minlength=width + 1) - np.bincount(top.runs.last, minlength=width + 1)
    return np.asarray(edges.cumsum() >= 0.9 * top.rows)


def held_us(state: State, lines: Lines) -> tuple[tuple[float, float], ...]:
    """Where nine tenths of the lines that hold a state hold it, stretches from and to after 0H."""
    held = _stretches(_held_columns(state, lines))
    return tuple((first * lines.grid.bin_us, last * lines.grid.bin_us) for first, last in held.tolist())


def _stretches(held: NDArray[np.bool_]) -> NDArray[np.intp]:
    """First column and the one after the last of each stretch of True, shape (stretches, 2)."""
    padded = np.zeros(held.size + 2, dtype=bool)
    padded[1:-1] = held
    return np.asarray((padded[1:] != padded[:-1]).nonzero()[0].reshape(-1, 2))


def _longest(stretches: NDArray[np.intp], bin_us: float) -> slice | None:
    """The longest stretch; None where it is under 1 us."""
    if stretches.size == 0:
        return None
    first, last = max(stretches.tolist(), key=lambda one: one[1] - one[0])
    return slice(first, last) if (last - first) * bin_us >= LONG_ENOUGH_US else None


def without_subcarrier(lines: Lines, cycle_us: float) -> Lines:
    """Every bin as the weighted mean of those within half a subcarrier cycle about it.

    The outermost two are weighted so that nothing is left of a subcarrier seen bin by bin: the response
    1 + 2 cos(w) + ... + 2 outer cos(reach w), w its phase from bin to bin, is zero.
    """
    phase = 2.0 * math.pi * lines.grid.bin_us / cycle_us
    reach = max(1, round(math.pi / phase))
    inner = 1.0 + 2.0 * sum(math.cos(phase * apart) for apart in range(1, reach))
    outer = -0.5 * inner / math.cos(phase * reach)
    weights = np.array([outer, *[1.0] * (2 * reach - 1), outer], dtype=np.float32)
    padded = np.pad(lines.level_mv, ((0, 0), (0, 0), (reach, reach)), mode="edge")
    smooth = np.zeros_like(lines.level_mv)
    for place, weight in enumerate(weights / weights.sum()):
        smooth += weight * padded[:, :, place : place + smooth.shape[2]]
    return replace(lines, level_mv=smooth)
