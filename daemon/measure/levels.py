"""The levels of one channel: peak white, black, blanking, sync, burst, average, noise."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import binned_mv
from .flats import State, flat_runs, states
from .lines import LineGrid, Lines, cut_lines

DARK_UNDER = 0.05
"""A picture whose highest state lies under this part of the target holds no white."""
LEAST_RAIL_SAMPLES = 8
"""So many samples at the ADC's rail are clipping; fewer are stray."""
MOST_RUNS_FOR_NOISE = 64


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels of one channel in mV, NaN where not measured. `blanking_mv` is against scope zero, the others above blanking.

    Attributes:
        white_mv: the highest state of the picture.
        white_random_mv: its standard uncertainty from noise alone (type A).
        white_rows: on how many of `rows` picture lines it stands.
        black_mv: the lowest state, where another one is above it.
        noise_mv: rms noise of single samples on flats.
        lsb_mv: distance between neighbouring ADC states.
        samples: samples that made the level.
    """

    blanking_mv: float = math.nan
    white_mv: float = math.nan
    white_random_mv: float = math.nan
    white_rows: int = 0
    rows: int = 0
    black_mv: float = math.nan
    average_mv: float = math.nan
    noise_mv: float = math.nan
    lsb_mv: float = math.nan
    samples: int = 0
    picture_states: tuple[float, ...] = ()


def is_clipped(record: ChannelRecord) -> bool:
    """Whether eight samples or more lie at a rail of the ADC."""
    at_rail = 0
    if record.high_rail_code is not None and record.codes.max() >= record.high_rail_code:
        at_rail += int(np.count_nonzero(record.codes >= record.high_rail_code))
    if record.low_rail_code is not None and record.codes.min() <= record.low_rail_code:
        at_rail += int(np.count_nonzero(record.codes <= record.low_rail_code))
    return at_rail >= LEAST_RAIL_SAMPLES


def measure_levels(
    record: ChannelRecord, seconds_per_sample: float, probe_ratio: float, grid: LineGrid, *, subcarrier_hz: float | None
) -> Levels:
    """Blanking, peak white, black, average and noise of a picture channel on the lines of `grid`.

    `subcarrier_hz` is given where the channel carries colour: it is then taken out within the line.
    """
    base = Levels(lsb_mv=abs(record.mv_per_code * probe_ratio) * record.code_step)
    binned = binned_mv(record, grid.samples_per_bin, probe_ratio)
    lines = cut_lines(binned, grid, subcarrier_hz=subcarrier_hz)
    if lines is None:
        return base
    cycle_us = None if subcarrier_hz is None else 1e6 / subcarrier_hz
    if cycle_us is not None:
        lines = without_subcarrier(lines, cycle_us)
    found = states(flat_runs(lines, cycle_us), lines)
    base = replace(
        base,
        blanking_mv=float(lines.blanking_mv.mean()),
        rows=lines.level_mv.shape[0],
        average_mv=float(lines.level_mv[:, lines.active].mean()),
        picture_states=tuple(state.level_mv for state in found),
    )
    if not found:
        return replace(base, noise_mv=lines.clamp_noise_mv * math.sqrt(grid.samples_per_bin))
    top = found[0]
    return replace(
        base,
        white_mv=top.level_mv,
        white_rows=top.rows,
        white_random_mv=_random_mv(top, lines),
        black_mv=found[-1].level_mv if len(found) > 1 else math.nan,
        noise_mv=_sample_noise(record, top, lines, seconds_per_sample, carries_colour=cycle_us is not None)
        * abs(record.mv_per_code * probe_ratio),
        samples=int(top.runs.bins.sum()) * grid.samples_per_bin,
    )


def without_subcarrier(lines: Lines, cycle_us: float) -> Lines:
    """Every bin as the mean over one subcarrier cycle about it, ends of the cycle weighted by how much of a bin they take."""
    level = lines.level_mv
    rows, width = level.shape
    total = np.zeros((rows, width + 1))
    np.cumsum(level, axis=1, out=total[:, 1:])
    half = 0.5 * cycle_us / lines.grid.bin_us
    centre = np.arange(width) + 0.5
    low, high = np.clip(centre - half, 0.0, width), np.clip(centre + half, 0.0, width)
    smooth = (_between(total, high) - _between(total, low)) / (high - low)
    return replace(lines, level_mv=smooth)


def _between(total: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
    whole = np.minimum(place.astype(np.intp), total.shape[1] - 2)
    part = place - whole
    return np.asarray(total[:, whole] * (1.0 - part) + total[:, whole + 1] * part)


def _random_mv(top: State, lines: Lines) -> float:
    """Standard uncertainty of the level from noise (type A, JCGM 100 4.2), from two sides, the larger of which counts.

    From within the lines: the scatter of block means of about a microsecond, which carries what is correlated over
    less than that, over the length of flats and clamps in use. From eight lines on also the scatter of the lines'
    own levels, with the correlation of neighbours that the shared clamps give.
    """
    per_row, weight = _row_levels(top)
    within_mv = _block_scatter_mv(top, lines)
    block_us = 1.0
    clamp_length_us = lines.grid.bin_us / lines.clamp.noise_gain**2
    flats = top.dwell_us / block_us
    clamps = per_row.size * clamp_length_us / block_us * 0.9
    inner_mv = within_mv * math.sqrt(1.0 / max(flats, 1.0) + 1.0 / max(clamps, 0.5))
    if per_row.size < 8:
        return inner_mv
    rest = per_row - np.average(per_row, weights=weight)
    variance = float(np.mean(rest**2)) * per_row.size / (per_row.size - 1)
    neighbours = float(np.mean(rest[1:] * rest[:-1])) / variance if variance > 0.0 else 0.0
    stretch = max(1.0, 1.0 + 2.0 * min(neighbours, 0.9))
    return max(inner_mv, math.sqrt(variance * stretch / per_row.size))


def _row_levels(top: State) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Level and weight of each line that holds the state."""
    rows, index = np.unique(top.runs.row, return_inverse=True)
    weight = np.bincount(index, weights=top.runs.bins, minlength=rows.size).astype(np.float64)
    sums = np.bincount(index, weights=top.runs.mean_mv * top.runs.bins, minlength=rows.size)
    return sums / weight, weight


def _block_scatter_mv(top: State, lines: Lines) -> float:
    """Rms of the means of one-microsecond blocks about the mean of their run."""
    block = max(1, round(1.0 / lines.grid.bin_us))
    runs = top.runs.at(np.arange(min(top.runs.bins.size, MOST_RUNS_FOR_NOISE)))
    blocks = runs.bins // block
    usable = blocks >= 2
    if not usable.any():
        return lines.clamp_noise_mv / math.sqrt(block)
    row = np.repeat(runs.row[usable], blocks[usable])
    order = np.arange(row.size) - np.repeat(np.cumsum(blocks[usable]) - blocks[usable], blocks[usable])
    first = np.repeat(runs.first[usable], blocks[usable]) + order * block
    means = lines.level_mv[row[:, None], first[:, None] + np.arange(block)].mean(axis=1)
    centre = np.repeat(
        np.add.reduceat(means, np.cumsum(blocks[usable]) - blocks[usable]) / blocks[usable], blocks[usable]
    )
    freedom = means.size - int(np.count_nonzero(usable))
    return math.sqrt(float(np.sum((means - centre) ** 2)) / max(freedom, 1))


def _sample_noise(
    record: ChannelRecord, top: State, lines: Lines, seconds_per_sample: float, *, carries_colour: bool
) -> float:
    """Rms noise of single samples in codes, on a few flats of the state, in the record's own band, quantisation taken out.

    Half-microsecond pieces, each about its own mean; a subcarrier would count as noise, so with one the clamps serve.
    """
    grid = lines.grid
    piece = max(2, min(2000, round(0.5e-6 / seconds_per_sample)))
    if carries_colour:
        first_bin = grid.first_bin[:MOST_RUNS_FOR_NOISE] + lines.clamp.quiet.start
    else:
        runs = top.runs.at(np.arange(min(top.runs.bins.size, MOST_RUNS_FOR_NOISE)))
        a_run = np.linspace(0.0, 1.0, max(1, MOST_RUNS_FOR_NOISE // runs.bins.size), endpoint=False)
        into = (a_run[:, None] * (runs.bins - piece / grid.samples_per_bin)).astype(np.intp)
        first_bin = (grid.first_bin[runs.row] + runs.first + np.maximum(into, 0)).ravel()
    first = np.minimum(first_bin * grid.samples_per_bin, record.codes.size - piece)
    pieces = record.codes[first[:, None] + np.arange(piece)].astype(np.float64)
    variance = float(np.mean(pieces.var(axis=1))) * piece / (piece - 1)
    return math.sqrt(max(0.0, variance - record.code_step**2 / 12.0))
