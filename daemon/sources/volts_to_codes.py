"""A column of volts as integer codes: the scope's own where they can be found again, and its rails where they show."""

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord, Codes
from .printed import printed_unit

MOST_STATES = 65_536
FEWEST_VALUES, FEWEST_STATES = 4, 32
SMALLEST_STEP_V = 1e-9
FLAT_TOP_SAMPLES = 8
FLAT_SHARE = 0.02
"""A code is the middle of a flat when at least this part of all samples bears it."""
QUIET_NEIGHBOURS = 0.1
"""Gaussian noise of 0.3 LSB about the middle of a code puts one sample in ten into its neighbours."""
BARE_NEIGHBOURS = 0.125
"""At a rail only edges pass through the code next to it."""


def record_of_volts(name: str, volts: NDArray[np.float64], *, judge_clipping: bool) -> ChannelRecord:
    """The record of a column of finite volts, shape (samples,).

    Codes count from the lowest value up. Rail codes are set only where `judge_clipping` and the column shows them.
    """
    step, bottom = _even_grid(*np.unique(volts, return_counts=True)) or _whole_range(volts)
    states = np.rint((volts - bottom) / step)
    codes: Codes = states.astype(np.uint8) if states.max() < 256 else states.astype(np.uint16)
    low_rail, high_rail = flat_top_rails(codes) if judge_clipping else (None, None)
    return ChannelRecord(
        name,
        codes,
        volts_per_code=float(step),
        volts_at_code_zero=float(bottom),
        low_rail_code=low_rail,
        high_rail_code=high_rail,
    )


def _whole_range(volts: NDArray[np.float64]) -> tuple[float, float]:
    bottom = float(volts.min())
    return max((float(volts.max()) - bottom) / (MOST_STATES - 1), SMALLEST_STEP_V), bottom


def _even_grid(values: NDArray[np.float64], samples: NDArray[np.intp]) -> tuple[float, float] | None:
    """Step and lowest value of the grid that the sorted distinct `values`, of so many `samples` each, lie on, or None.

    The closest two values are one step apart, or a few where no neighbouring codes occur. A grid that is hardly
    occupied proves nothing: the steps of a clean staircase lie on one too. Occupied is a grid on which a quarter of the
    values have a neighbour one step up, or on which half of all samples have a neighbour: the noise of flats is that of
    codes, though the edges between the flats leave most codes out.
    """
    if not FEWEST_VALUES <= values.size <= MOST_STATES:
        return None
    gaps = np.diff(values)
    unit = printed_unit(values)
    closest = float(gaps.min())
    guesses = [closest / steps for steps in range(1, 9)]
    if float(unit.min()) > 0.1 * closest:
        guesses.append(float(unit.min()))  # printed so coarsely that the print is the grid
    for guess in guesses:
        if guess < 0.5 * SMALLEST_STEP_V:
            continue
        gap_steps = _steps_of_gaps(gaps, guess)
        states = np.concatenate([[0.0], np.cumsum(gap_steps)])
        if not FEWEST_STATES <= states[-1] < MOST_STATES or not _occupied(gap_steps == 1.0, samples):
            continue
        step, bottom = (float(term) for term in np.polyfit(states, values, 1))
        tolerance = np.clip(unit, 0.02 * step, 0.3 * step)
        if step > SMALLEST_STEP_V and np.all(np.abs(values - bottom - states * step) <= tolerance):
            return step, bottom
    return None


def _occupied(single: NDArray[np.bool_], samples: NDArray[np.intp]) -> bool:
    """Whether a grid is occupied enough; `single` says of each gap between its values that it is of one step."""
    neighboured = np.append(single, False) | np.append(False, single)
    return bool(np.count_nonzero(single) * 4 >= samples.size or 2 * samples[neighboured].sum() >= samples.sum())


def _steps_of_gaps(gaps: NDArray[np.float64], guess: float) -> NDArray[np.float64]:
    """How many steps each gap is, the step being about `guess`: narrow gaps sharpen it before wide ones are counted."""
    step, reach = guess, 3.0 * guess
    while reach < float(gaps.max()):
        narrow = gaps[gaps <= reach]
        step = float(narrow.sum() / max(np.rint(narrow / step).sum(), 1.0)) if narrow.size else step
        reach *= 3.0
    steps: NDArray[np.float64] = np.rint(gaps / step)
    return steps


def flat_top_rails(codes: Codes) -> tuple[int | None, int | None]:
    """The lowest and highest code where the channel is clipped there, else None.

    Clipped: eight equal extremes in a row, on a flat that has no noise while every other flat shows 0.3 LSB or more.
    """
    counts = np.bincount(codes)
    occupied = np.flatnonzero(counts)
    low, high = int(occupied[0]), int(occupied[-1])
    if high - low < 3 or not _flats_are_noisy(counts[low + 1 : high], codes.size):
        return None, None
    low_clips = counts[low + 1] <= BARE_NEIGHBOURS * counts[low] and _longest_run(codes == low) >= FLAT_TOP_SAMPLES
    high_clips = counts[high - 1] <= BARE_NEIGHBOURS * counts[high] and _longest_run(codes == high) >= FLAT_TOP_SAMPLES
    return low if low_clips else None, high if high_clips else None


def _flats_are_noisy(counts: NDArray[np.intp], samples: int) -> bool:
    """Whether there are flats among the codes between the extremes, and every one of them is noisy.

    counts: samples of each code. Flats spread so widely that no single code stands out are found on coarser bins.
    """
    flats = _flats(counts, samples)
    if flats.size:
        around = np.convolve(counts, (1, 0, 1), mode="same")
        return bool(np.all(around[flats] >= QUIET_NEIGHBOURS * counts[flats]))
    while counts.size >= 8:
        counts = np.add.reduceat(counts, np.arange(0, counts.size, 2))
        if _flats(counts, samples).size:
            return True
    return False


def _flats(counts: NDArray[np.intp], samples: int) -> NDArray[np.intp]:
    return np.flatnonzero(counts >= max(FLAT_SHARE * samples, 2.0 * counts.mean()))


def _longest_run(mask: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max(initial=0))
