"""Ensembles for the line sync: found where there is video, not found where there is none, and its period."""

import math

import numpy as np
from numpy.typing import NDArray
from tests.bench.truth_rows import Row, none_row, share_row

from broadcast_sync import BROADCAST_525, BROADCAST_625
from made_video import (
    LINE_525_US,
    LINE_625_US,
    Made,
    Picture,
    Raster,
    capture_of,
    composite,
    digitised,
    luma,
    picture_wave,
    steps,
    sync_wave,
    white,
)
from not_video import NOT_VIDEO
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.targets import Conditions

Array = NDArray[np.float64]

ROLES: tuple[Role, ...] = ("sync", "luma", "green", "composite")
FOUND = ("locked", "vertical-interval")
PERIOD_GOAL = 20e-6
SLOWEST_US = {"composite": 0.055}
"""Longest sample that carries the role; 0.2 us for the others."""


def lines_found(lines: int, snr_db: float, captures: int) -> list[Row]:
    """`lines` complete line periods at an SNR of sync depth over rms noise in the record's band, 5 to 100 MS/s.

    Sync of its own in either polarity, or under a picture; both systems.
    """
    hits, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, lines))
        role, is_525 = ROLES[int(rng.integers(4))], bool(rng.random() < 0.5)
        period_us, depth_mv = (LINE_525_US, 285.7) if is_525 else (LINE_625_US, 300.0)
        first_us = rng.uniform(2.0, period_us - 1.0)
        sample_us = 10.0 ** rng.uniform(-2.0, math.log10(SLOWEST_US.get(role, 0.2)))
        record_us = first_us + lines * period_us + 4.7 + rng.uniform(2.0, 30.0)
        raster = Raster(period_us, first_us=first_us) if is_525 else Raster(period_us, 4.7, 10.5, 1.5, 0.2, 0, first_us)
        made = Made(raster, 1e3 * sample_us, math.ceil(record_us / sample_us), depth_mv / 10.0 ** (snr_db / 20.0), 8.0, 300.0, 8, seed)  # fmt: skip
        record = digitised(made, "CH1", _video(rng, made, role, depth_mv, is_525=is_525))
        found = find_sync(capture_of(made, record), Conditions(Hookup((Clip("CH1", role),)))).lines
        true_line = abs(found.period_us / period_us - 1.0) < 5e-3
        hits.append(found.state == "vertical-interval" or (found.state == "locked" and true_line))
        seeds.append(seed)
    return [share_row(f"{lines} lines, SNR {snr_db:g} dB", hits, seeds, 0.999)]


def _video(rng: np.random.Generator, made: Made, role: Role, depth_mv: float, *, is_525: bool) -> Array:
    """A signal of that role with any picture, dark ones included."""
    if role == "sync":
        return -depth_mv * sync_wave(made) * (1.0 if rng.random() < 0.5 else -1.0)
    level_mv = rng.uniform(100.0, 714.3) * (rng.random() < 0.8)
    picture: Picture = white(level_mv) if rng.random() < 0.5 else steps(list(rng.uniform(0.0, 714.3, 6)))
    if role != "composite":
        return luma(made, picture, depth_mv)
    subcarrier_hz, burst_us = (315e6 / 88.0, (5.308, 7.822)) if is_525 else (4_433_618.75, (5.6, 7.856))
    return composite(
        made,
        picture,
        white(0.5 * level_mv),
        subcarrier_hz=subcarrier_hz,
        sync_mv=depth_mv,
        burst_mv_pp=depth_mv,
        burst_us=burst_us,
    )


def anywhere_in_a_frame(captures: int) -> list[Row]:
    """Three to five lines of broadcast sync of its own at 20 dB, every second record within a vertical interval."""
    hits, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 11))
        system = BROADCAST_525 if rng.random() < 0.5 else BROADCAST_625
        sample_us = 10.0 ** rng.uniform(-2.0, -0.7)
        samples = math.ceil(rng.uniform(3.3, 5.0) * system.line_us / sample_us)
        vertical_us = rng.uniform(-9.0, 2.0) * system.line_us
        frame_at_us = vertical_us if rng.random() < 0.5 else -rng.uniform(0.0, 0.5 * system.half_lines) * system.line_us
        made = Made(sample_ns=1e3 * sample_us, samples=samples, noise_mv=30.0, lsb_mv=8.0, centre_mv=-150.0, seed=seed)
        wave = -300.0 * system.wave(np.arange(samples, dtype=np.float64) * sample_us, frame_at_us)
        found = find_sync(
            capture_of(made, digitised(made, "CH1", wave)), Conditions(Hookup((Clip("CH1", "sync"),)))
        ).lines
        hits.append(found.state in FOUND and abs(found.period_us / system.line_us - 1.0) < 0.01)
        seeds.append(seed)
    return [share_row("3 to 5 lines anywhere in a frame, SNR 20 dB", hits, seeds, 0.999)]


HOOKUPS = (
    Conditions(BENCH_DEFAULT),
    Conditions(Hookup((Clip("CH1", "luma"), Clip("CH2", "red"), Clip("CH3", "blue"), Clip("CH4", "hsync")))),
    Conditions(Hookup((Clip("CH1", "composite"), Clip("CH2", "green")))),
)


def falsely_found(kind: str, captures: int) -> list[Row]:
    """Four channels of what is not video, 5 to 250 MS/s, any noise: no state but `none`, in three hookups by turns."""
    found = [is_taken_for_video(kind, seed) for seed in range(captures)]
    return [none_row(f"false lock, {kind}", found, range(captures))]


def is_taken_for_video(kind: str, seed: int) -> bool:
    """Whether sync is found in that record."""
    rng = np.random.default_rng((seed, list(NOT_VIDEO).index(kind)))
    sample_us = 10.0 ** rng.uniform(-2.4, -0.7)
    samples = 12_000 if sample_us > 0.02 else 30_000
    noise_mv = 10.0 ** rng.uniform(0.0, 1.7)
    made = Made(sample_ns=1e3 * sample_us, samples=samples, noise_mv=noise_mv, lsb_mv=8.0, centre_mv=0.0, seed=seed)
    waves = [NOT_VIDEO[kind](rng, samples, sample_us) for _ in range(4)]
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)))
    return find_sync(capture, HOOKUPS[seed % 3]).lines.state != "none"


def period_bound(made: Made, depth_mv: float, syncs: int) -> float:
    """Cramér-Rao bound of a line period, as a part of it, from `syncs` line syncs, both edges of known shape and levels.

    A raised-cosine edge of depth A and length D has a squared slope that integrates to pi^2 A^2 / 8D, so its place has
    the variance sigma^2 dt 8D / (pi^2 A^2); the slope of a straight line through n such has 12 / (n (n^2 - 1)) of it.
    Trailing edges, where no burst follows them, tell as much again: half the variance. That levels and length are not
    known costs little: an edge's place does not hang together with its length (even against odd about its middle), and
    levels known from l on either side add the part 4D / (pi^2 l) of the variance, 11 % for 0.88 us.
    """
    length_us = made.raster.sync_rise_us / 0.590
    variance_mv2 = made.noise_mv**2 + made.lsb_mv**2 / 12.0
    edge_us2 = variance_mv2 * 1e-3 * made.sample_ns * 8.0 * length_us / (math.pi * depth_mv) ** 2
    return math.sqrt(0.5 * 12.0 * edge_us2 / (syncs * (syncs**2 - 1.0))) / made.raster.period_us


def period(captures: int) -> list[Row]:
    """Line period on the record's own time axis: four to sixty lines at 20 to 46 dB, sync of its own, on luma and on green."""
    hits, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 12))
        role = ROLES[int(rng.integers(3))]
        period_us = (
            LINE_525_US * rng.uniform(0.999, 1.001) if rng.random() < 0.5 else LINE_625_US * rng.uniform(0.999, 1.001)
        )
        lines, first_us = int(rng.integers(4, 61)), rng.uniform(3.0, 60.0)
        sample_us = 10.0 ** rng.uniform(-1.7, -0.7)
        made = Made(Raster(period_us, first_us=first_us), 1e3 * sample_us, math.ceil((first_us + lines * period_us + 8.0) / sample_us), 285.7 / 10.0 ** rng.uniform(1.0, 2.3), 8.0, 200.0, 8, seed)  # fmt: skip
        wave = -285.7 * sync_wave(made) + (
            0.0 if role == "sync" else picture_wave(made, white(rng.uniform(0.0, 700.0)))
        )
        capture = capture_of(made, digitised(made, "CH1", wave))
        found = find_sync(capture, Conditions(Hookup((Clip("CH1", role),)))).lines
        limit = max(PERIOD_GOAL, 3.0 * period_bound(made, 285.7, lines + 1))
        hits.append(found.state == "locked" and abs(found.period_us / period_us - 1.0) <= limit)
        seeds.append(seed)
    return [share_row("line period within 20 ppm or 3 x bound", hits, seeds, 0.9973)]
