"""What noise does to a level: the random part of its uncertainty, and the rms of single samples."""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .flats import State
from .lines import Lines
from .stretches import stretches

PIECE_S, LONGEST_PIECE = 0.5e-6, 2000
FEWEST_PIECES, MOST_PIECES, ENOUGH_SAMPLES = 16, 128, 8192
"""Noise is told from so many pieces of so many samples in all."""
BY_CHANCE = 2.5
"""A variance of f degrees of freedom is more than 1 + 2.5/sqrt(f) times the true one in 5 % of cases (chi-squared)."""
MOST_RUNS = 8
"""So many runs tell what is correlated in the noise well enough."""


def random_mv(top: State, lines: Lines, index: int) -> float:
    """Standard uncertainty of the level from noise (type A, JCGM 100 4.2), from two sides.

    From within the lines: the scatter of means of blocks as long as a clamp (a quarter of a run at most), which carries
    noise however slowly it wanders within a line, over the length of flats and clamps in use. From the lines' own levels
    where these scatter more than that explains (slower noise, hum): with few of them enlarged as Student's distribution
    asks.
    """
    runs = top.runs
    weight = np.bincount(runs.row, weights=runs.bins)
    held = weight > 0.0
    per_row_mv = np.bincount(runs.row, weights=runs.mean_mv * runs.bins)[held] / weight[held]
    clamp_length_us = lines.grid.bin_us / lines.clamp.noise_gain**2
    flats_us = max(top.dwell_us, 1.0)
    clamps_us = max(_clamps(lines, index, per_row_mv.size) * clamp_length_us, 0.5)
    block_us = min(max(1.0, clamp_length_us), max(1.0, 0.25 * float(top.runs.bins.max()) * lines.grid.bin_us))
    inner_mv = _block_scatter_mv(top, lines, index, block_us) * math.sqrt(block_us * (1.0 / flats_us + 1.0 / clamps_us))
    if per_row_mv.size < 3:
        return inner_mv
    freedom = per_row_mv.size - 1
    of_lines_mv = mean_error_mv(per_row_mv, float(lines.line_scatter_mv[index]))
    more = of_lines_mv > inner_mv * math.sqrt(1.0 + BY_CHANCE / math.sqrt(freedom))
    return of_lines_mv * (1.0 + 1.0 / freedom) if more else inner_mv


def _clamps(lines: Lines, index: int, rows: int) -> float:
    """How many independent clamps have the noise of what successive lines take off, half of it from each neighbouring clamp.

    The outermost two count half. Where the record ends before the last one, the one before stands in for it and weighs
    one and a half.
    """
    stands_in = lines.next_blanking_mv[index, -1] == lines.blanking_mv[index, -1]
    return rows**2 / (rows + 0.5 if stands_in else rows - 0.5)


def mean_error_mv(level_mv: NDArray[np.float64], clamp_mv: float) -> float:
    """Standard uncertainty of the mean of successive lines' levels, of which each two share a clamp.

    Half of a clamp's scatter, `clamp_mv` rms, shows in the scatter of the lines; all of it is in their mean.
    """
    rest = level_mv - float(level_mv.sum()) / level_mv.size
    variance = float(rest @ rest) / (rest.size - 1)
    return math.sqrt((max(0.0, variance - 0.5 * clamp_mv**2) + clamp_mv**2) / rest.size)


def _block_scatter_mv(top: State, lines: Lines, index: int, block_us: float) -> float:
    """Rms of the means of blocks of that length about the mean of their run, on the longest runs."""
    block = max(1, round(block_us / lines.grid.bin_us))
    longest = (-top.runs.bins).argsort(kind="stable")[:MOST_RUNS]
    bins = top.runs.bins[longest]
    blocks = max(2, int(bins[bins.size // 2]) // block)
    longest = longest[bins >= blocks * block]
    if longest.size == 0:
        return float(lines.clamp_noise_mv[index]) / math.sqrt(block)
    first = top.runs.row[longest] * lines.level_mv.shape[2] + top.runs.first[longest]
    pieces = stretches(lines.level_mv[index].ravel(), first, blocks * block)
    means = np.add.reduce(pieces.reshape(-1, blocks, block), axis=2) / block
    rest = means - np.add.reduce(means, axis=1, keepdims=True) / blocks
    return math.sqrt(float(np.vdot(rest, rest)) / (rest.shape[0] * (blocks - 1)))


def white_noise_codes(record: ChannelRecord, top: State, lines: Lines, piece: int) -> float:
    """Rms noise of single samples in codes on flats of a state, from pieces spread over its runs."""
    grid, pieces = lines.grid, _pieces(piece)
    runs = top.runs.at(slice(pieces))
    a_run = max(1, pieces // runs.bins.size)
    into = np.arange(a_run)[:, None] * ((runs.bins - piece / grid.samples_per_bin) / a_run)
    first_bin = grid.first_bin[runs.row] + runs.first + np.maximum(into, 0.0).astype(np.intp)
    return _noise_codes(record, first_bin.ravel() * grid.samples_per_bin, piece)


def clamp_pieces(lines: Lines, piece: int) -> NDArray[np.intp]:
    """First samples of the pieces that the clamps hold, shape (lines, pieces a line)."""
    grid, quiet = lines.grid, lines.clamp.quiet
    a_line = max(1, (quiet.stop - quiet.start) * grid.samples_per_bin // piece)
    into = quiet.start + np.arange(a_line) * piece // grid.samples_per_bin
    return np.asarray((grid.first_bin[:, None] + into) * grid.samples_per_bin)


def blanking_noise_codes(
    record: ChannelRecord, pieces: NDArray[np.intp], spoilt: NDArray[np.bool_], piece: int
) -> float:
    """Rms noise of single samples in codes on blanking, from `clamp_pieces` spread over the lines that are not spoilt."""
    first = pieces[~spoilt].ravel()
    return _noise_codes(record, first[:: -(-first.size // _pieces(piece))], piece)


def piece_samples(seconds_per_sample: float) -> int:
    """Samples of a piece that noise is told from: half a microsecond."""
    return max(2, min(LONGEST_PIECE, round(PIECE_S / seconds_per_sample)))


def _pieces(piece: int) -> int:
    """How many pieces of so many samples tell the noise well enough."""
    return max(FEWEST_PIECES, min(MOST_PIECES, ENOUGH_SAMPLES // piece))


def _noise_codes(record: ChannelRecord, first: NDArray[np.intp], piece: int) -> float:
    """Rms of samples about the mean of their piece, in the record's own band, quantisation taken out."""
    pieces = stretches(record.codes, np.minimum(first, record.codes.size - piece), piece).astype(np.float64)
    sums = np.add.reduce(pieces, axis=1)
    squares = float(np.vdot(pieces, pieces)) - float(sums @ sums) / piece
    return math.sqrt(max(0.0, squares / (first.size * (piece - 1)) - record.code_step**2 / 12.0))
