"""Ensembles for the level: against the Cramér-Rao bound, under impairments, at every sample rate, and inside its uncertainty."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from tests.bench.truth_rows import Row, bias_row, rms_row, share_row

from impaired import coloured_noise, coupled, interferer, ringing
from made_video import (
    LINE_525_US,
    LINE_625_US,
    Made,
    Raster,
    capture_of,
    composite,
    digitised,
    luma,
    picture_wave,
    step,
    steps,
    sync_wave,
    times,
    white,
)
from peakwhite.daemon.measure.engine import budgets, measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.reading import ChannelReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.measure.uncertainty import combined
from peakwhite.drivers.capture import Capture, GainSpec

Array = NDArray[np.float64]

RISE_US = 0.1
"""Of the made picture's edges, 10 to 90 %."""
GUARD_US = max(3.0 * RISE_US, 0.2)
AFTER_SYNC_US, BEFORE_ACTIVITY_US = 0.5, 0.3
LSB_MV = 8.0
THREE_SIGMA = 0.9973
RASTER = Raster()
BENCH = Conditions(BENCH_DEFAULT)
SUBCARRIER_525_HZ, SUBCARRIER_625_HZ = 315e6 / 88.0, 4_433_618.75


def bound_mv(made: Made, flat_us: tuple[float, float] | None = None) -> float:
    """Cramér-Rao bound of a level: noise and quantisation (sigma^2 + LSB^2/12) over all samples of the known flat and
    clamp windows of the record. `flat_us` is where the flat lies, edge to edge; by default all of the active line."""
    raster = made.raster
    _, after_us, _ = times(made)
    begin_us, end_us = flat_us or (raster.blanking_end_us, raster.period_us - raster.front_porch_us)
    flat = np.count_nonzero((after_us > begin_us + GUARD_US) & (after_us < end_us - GUARD_US))
    activity_us = raster.blanking_end_us - 0.5 * RISE_US / 0.590
    clamp = np.count_nonzero(
        (after_us > raster.sync_us + AFTER_SYNC_US) & (after_us < activity_us - BEFORE_ACTIVITY_US)
    )
    return math.sqrt((made.noise_mv**2 + made.lsb_mv**2 / 12.0) * (1.0 / flat + 1.0 / clamp))


def drawn(rng: np.random.Generator, seed: int, noise_lsb: float, raster: Raster = RASTER) -> Made:
    """Seven or eight lines of 12 000 samples at any phase, blanking anywhere between two codes."""
    raster = replace(raster, first_us=rng.uniform(0.0, LINE_525_US))
    return Made(raster, 40.0, 12_000, noise_lsb * LSB_MV, LSB_MV, 200.0 + rng.uniform(0.0, LSB_MV), 8, seed)


def of_waves(made: Made, waves: Sequence[Array]) -> Capture:
    """Red, green, blue as given, and sync."""
    sync = digitised(made, "CH4", -285.7 * sync_wave(made), 4)
    return capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)), sync)


def level_of(reading: ChannelReading) -> float:
    """Its peak white, NaN where there is none."""
    return math.nan if reading.peak_white_mv is None else reading.peak_white_mv


def against_the_bound(noise_lsb: float, captures: int, *, samples: int = 12_000) -> list[Row]:
    """Flat white on three channels: RMS error and bias."""
    errors: list[float] = []
    goals: list[float] = []
    seeds: list[int] = []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 1, samples, round(10.0 * noise_lsb)))
        made = drawn(rng, int(rng.integers(2**31)), noise_lsb)
        made = replace(made, samples=samples)
        levels_mv = rng.uniform(500.0, 714.3, 3)
        unit = picture_wave(made, white(1.0))
        measured = measure_capture(of_waves(made, [level_mv * unit for level_mv in levels_mv]), BENCH)
        errors += [level_of(one) - level for one, level in zip(measured.channels, levels_mv, strict=False)]
        goals += [1.25 * math.hypot(bound_mv(made), 0.01 * LSB_MV)] * 3
        seeds += [seed] * 3
    name = f"flat white, noise {noise_lsb:g} LSB, {samples * 0.04 / LINE_525_US:.0f} lines"
    in_lsb = [error / LSB_MV for error in errors]
    return [rms_row(name, errors, goals, seeds), bias_row(f"{name}: bias", in_lsb, 0.05)]


def quiet(captures: int) -> list[Row]:
    """Noise under half an LSB: error inside the u95 that noise and quantisation make (this ADC is straight, this gain true)."""
    inside, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 2))
        made = drawn(rng, seed, rng.uniform(0.02, 0.5))
        levels_mv = rng.uniform(500.0, 714.3, 3)
        unit = picture_wave(made, white(1.0))
        capture = of_waves(made, [level_mv * unit for level_mv in levels_mv])
        found = {one.channel: one for one in budgets(capture, BENCH)}
        for index, level_mv in enumerate(levels_mv, start=1):
            one = found.get(f"CH{index}")
            items = [item for item in one.items if item.name.startswith(("noise", "quantisation"))] if one else []
            inside.append(one is not None and abs(one.level_mv - level_mv) <= combined(items).quantile(0.975))
            seeds.append(seed)
    return [share_row("flat white, noise under 0.5 LSB, inside u95", inside, seeds, 0.94)]


Impairment = Callable[[np.random.Generator, Made, float], tuple[Array, tuple[float, float] | None]]


def rung(rng: np.random.Generator, made: Made, level_mv: float) -> tuple[Array, tuple[float, float] | None]:
    """A flat of 4.5 to 8 us that lasts four ringing constants or more; 2 to 10 % overshoot at 1 to 5 MHz."""
    length_us, begin_us = rng.uniform(4.5, 8.0), rng.uniform(12.0, 45.0)

    def bar(t_us: Array, line: Array) -> Array:
        return level_mv * (step(t_us, begin_us, RISE_US) - step(t_us, begin_us + length_us, RISE_US))

    wave = picture_wave(made, bar)
    constant_us = rng.uniform(0.1, 0.25 * length_us)
    flat_us = (begin_us, begin_us + length_us)
    return ringing(wave, 1e-3 * made.sample_ns, rng.uniform(0.02, 0.1), rng.uniform(1.0, 5.0), constant_us), flat_us


def staircase(rng: np.random.Generator, made: Made, level_mv: float) -> tuple[Array, tuple[float, float]]:
    """Ten steps up to the level, each 4.8 us long."""
    begin_us, end_us = made.raster.blanking_end_us, made.raster.period_us - made.raster.front_porch_us
    wave = picture_wave(made, steps([level_mv * tread / 10.0 for tread in range(11)], begin_us, end_us))
    return wave, (end_us - (end_us - begin_us) / 11.0, end_us)


def coupled_white(rng: np.random.Generator, made: Made, level_mv: float) -> tuple[Array, None]:
    """White through a coupling capacitor of 7 to 33 ms, still bouncing."""
    wave = picture_wave(made, white(level_mv))
    start_mv = float(wave[0]) - 0.82 * level_mv + rng.uniform(-80.0, 80.0)
    return coupled(wave, 1e-3 * made.sample_ns, 1e3 * rng.uniform(7.0, 33.0), start_mv), None


def with_interferer(rng: np.random.Generator, made: Made, level_mv: float) -> tuple[Array, None]:
    """White with 20 mV p-p of 0.5 to 8 MHz, at least 2/(record length) away from every multiple of the line rate."""
    line_mhz, record_us = 1.0 / made.raster.period_us, 1e-3 * made.samples * made.sample_ns
    frequency_mhz = 0.0
    while (
        frequency_mhz == 0.0
        or abs(frequency_mhz / line_mhz - round(frequency_mhz / line_mhz)) * line_mhz < 2.0 / record_us
    ):
        frequency_mhz = float(10.0 ** rng.uniform(math.log10(0.5), math.log10(8.0)))
    hum = interferer(made.samples, 1e-3 * made.sample_ns, 20.0, frequency_mhz, rng.uniform(0.0, 2.0 * math.pi))
    return picture_wave(made, white(level_mv)) + hum, None


def unimpaired(rng: np.random.Generator, made: Made, level_mv: float) -> tuple[Array, None]:
    """White; what impairs it lies in the raster."""
    return picture_wave(made, white(level_mv)), None


def impaired(name: str, impair: Impairment, captures: int, *, raster: Raster = RASTER) -> list[Row]:
    """Within 2 mV or three times the bound, whichever is larger, on each of three channels."""
    hits, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 3))
        made = replace(drawn(rng, seed, rng.uniform(0.5, 2.0), raster), centre_mv=rng.uniform(0.0, LSB_MV))
        levels_mv = rng.uniform(500.0, 714.3, 3)
        made_waves = [impair(rng, made, float(level_mv)) for level_mv in levels_mv]
        measured = measure_capture(of_waves(made, [wave for wave, _ in made_waves]), BENCH)
        for reading, level_mv, (_, flat_us) in zip(measured.channels, levels_mv, made_waves, strict=False):
            hits.append(within(level_of(reading) - level_mv, bound_mv(made, flat_us)))
            seeds.append(seed)
    return [share_row(name, hits, seeds, THREE_SIGMA)]


def within(error_mv: float, its_bound_mv: float) -> bool:
    """Whether an error keeps the limit under impairments; NaN does not."""
    return abs(error_mv) <= max(2.0, 3.0 * its_bound_mv)


@dataclass(frozen=True)
class Colour:
    """A composite system: luma and chroma amplitude (mV peak) of its 100 % bars, from standards.md 2.2 and 2.4."""

    name: str
    raster: Raster
    subcarrier_hz: float
    sync_mv: float
    burst_us: tuple[float, float]
    luma_mv: tuple[float, ...]
    chroma_mv: tuple[float, ...]


_LUMA_525 = (714.3, 639.0, 516.7, 441.4, 326.4, 251.1, 128.9, 53.6)
_CHROMA_525 = (0.0, 295.5, 418.0, 390.1, 390.1, 418.0, 295.5, 0.0)
COLOURS = (
    Colour("525, 227.5 cycles", Raster(), SUBCARRIER_525_HZ, 285.7, (5.308, 7.822), _LUMA_525, _CHROMA_525),
    Colour("525, 228 cycles", Raster(228e6 / SUBCARRIER_525_HZ), SUBCARRIER_525_HZ, 285.7, (5.308, 7.822), _LUMA_525, _CHROMA_525),
    Colour("525, 227.33 cycles", Raster(682e6 / 3.0 / SUBCARRIER_525_HZ), SUBCARRIER_525_HZ, 285.7, (5.308, 7.822), _LUMA_525, _CHROMA_525),
    Colour("625", Raster(LINE_625_US, 4.7, 10.5, 1.5, 0.2), SUBCARRIER_625_HZ, 300.0, (5.6, 7.856),
           (700.0, 620.2, 490.7, 410.9, 289.1, 209.3, 79.8, 0.0), (0.0, 313.7, 442.5, 413.4, 413.4, 442.5, 313.7, 0.0)),
)  # fmt: skip


def saturated(colour: Colour, captures: int) -> list[Row]:
    """Composite with 100 % bars, or one saturated colour over the whole line."""
    hits, seeds = [], []
    conditions = Conditions(Hookup((Clip("CH1", "composite"),)))
    for seed in range(captures):
        rng = np.random.default_rng((seed, 4))
        made = replace(
            drawn(rng, seed, rng.uniform(0.5, 2.0), colour.raster), centre_mv=300.0 + rng.uniform(0.0, LSB_MV)
        )
        bright = rng.uniform(0.8, 1.0)
        end_us = made.raster.period_us - made.raster.front_porch_us
        if bars := rng.random() < 0.5:
            place = (made.raster.blanking_end_us, end_us)
            picture = steps([bright * one for one in colour.luma_mv], *place)
            chroma = steps([bright * one for one in colour.chroma_mv], *place)
            level_mv, flat_us = bright * colour.luma_mv[0], (place[0], place[0] + (place[1] - place[0]) / 8.0)
        else:
            which = int(rng.integers(1, 4))
            level_mv, flat_us = bright * colour.luma_mv[which], (made.raster.blanking_end_us, end_us)
            picture, chroma = white(level_mv), white(bright * colour.chroma_mv[which])
        assert bars or level_mv > 300.0
        wave = composite(
            made,
            picture,
            chroma,
            subcarrier_hz=colour.subcarrier_hz,
            sync_mv=colour.sync_mv,
            burst_mv_pp=colour.sync_mv,
            burst_us=colour.burst_us,
        )
        reading = measure_capture(capture_of(made, digitised(made, "CH1", wave)), conditions).channels[0]
        hits.append(within(level_of(reading) - level_mv, bound_mv(made, flat_us)))
        seeds.append(seed)
    return [share_row(f"full saturation, {colour.name}", hits, seeds, THREE_SIGMA)]


def covered(gain_pct: float, captures: int) -> list[Row]:
    """Every channel draws gain, offset, linearity, probe, terminator and noise from what its budget states of them."""
    inside, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 5))
        made = drawn(rng, seed, rng.uniform(0.6, 3.0))
        unit = picture_wave(made, white(1.0))
        hookup, waves, levels_mv = [], [], rng.uniform(500.0, 714.3, 3)
        for index, (role, level_mv) in enumerate(zip(("red", "green", "blue"), levels_mv, strict=True), start=1):
            by_probe = bool(rng.random() < 0.5)
            hookup.append(Clip(f"CH{index}", role, link="probe-10x" if by_probe else "coax"))  # type: ignore[arg-type]
            load_ohm = 75.0 * (1.0 + rng.uniform(-0.01, 0.01))
            factor = (1.0 + gain_pct / 100.0 * rng.uniform(-1.0, 1.0)) * 2.0 * load_ohm / (75.0 + load_ohm)
            factor *= 1.0 + 0.02 * rng.uniform(-1.0, 1.0) if by_probe else 1.0
            of_white_mv, of_blanking_mv = 0.5 * LSB_MV * rng.uniform(-1.0, 1.0, 2)
            seen_mv = factor * level_mv + of_white_mv - of_blanking_mv
            waves.append(seen_mv * unit + of_blanking_mv + rng.uniform(-20.0, 20.0))
        conditions = Conditions(Hookup((*hookup, Clip("CH4", "sync"))), gain_spec=GainSpec(gain_pct))
        measured = measure_capture(of_waves(made, waves), conditions)
        for reading, level_mv in zip(measured.channels, levels_mv, strict=False):
            inside.append(abs(level_of(reading) - level_mv) <= (reading.u95_mv or 0.0))
            seeds.append(seed)
    return [share_row(f"inside u95, gain {gain_pct:g} %", inside, seeds, 0.94, 0.97)]


def covered_random_part(captures: int, few: bool = False) -> list[Row]:
    """Noise alone, coloured by one pole of 0.03 to 3 MHz with as much white noise beside it, on 7 to 30 lines, or a few: 2 to 6.

    A level that a few lines do not give counts neither way.
    """
    inside, seeds = [], []
    for seed in range(captures):
        rng = np.random.default_rng((seed, 6))
        made = replace(drawn(rng, seed, 0.0), sample_ns=rng.uniform(40.0, 160.0), bits=12, lsb_mv=0.5)
        if few:
            made = replace(made, samples=int(1e3 * rng.uniform(3.2, 7.2) * LINE_525_US / made.sample_ns))
        unit, levels_mv = picture_wave(made, white(1.0)), rng.uniform(500.0, 714.3, 3)
        waves = []
        for level_mv in levels_mv:
            rms_mv, corner_mhz = rng.uniform(1.0, 8.0), 10.0 ** rng.uniform(-1.5, 0.5)
            noise = coloured_noise(rng, made.samples, 1e-3 * made.sample_ns, rms_mv, corner_mhz)
            waves.append(level_mv * unit + noise + rng.normal(0.0, rms_mv, made.samples))
        measured = measure_capture(of_waves(made, waves), BENCH)
        for reading, level_mv in zip(measured.channels, levels_mv, strict=False):
            if few and reading.peak_white_mv is None:
                continue
            inside.append(abs(level_of(reading) - level_mv) <= (reading.u95_repeat_mv or 0.0))
            seeds.append(seed)
    return [share_row(f"inside u95_repeat, coloured noise{', 2 to 6 lines' if few else ''}", inside, seeds, 0.94, 0.97)]


RATES_MS: dict[Role, tuple[float, ...]] = {
    "luma": (5.0, 10.0, 25.0, 100.0, 250.0, 1000.0),
    "green": (5.0, 10.0, 25.0, 100.0, 250.0, 1000.0),
    "composite": (4e-6 * SUBCARRIER_525_HZ, 25.0, 100.0),
}
"""Million samples a second."""
DEPTHS = ((8, 1), (10, 64), (12, 16), (16, 1))
"""Bits, and the distance of neighbouring states in 16-bit words that are filled from the left."""


def sampled(role: Role, captures: int) -> list[Row]:
    """White on eight lines at every sample rate and every resolution, `captures` of each."""
    hits, seeds = [], []
    conditions = Conditions(Hookup((Clip("CH1", role),)))
    for seed, (rate, (bits, code_step)) in enumerate(
        [(rate, depth) for _ in range(captures) for rate in RATES_MS[role] for depth in DEPTHS]
    ):
        rng = np.random.default_rng((seed, 7))
        lsb_mv = 2048.0 / 2**bits
        raster = Raster(first_us=rng.uniform(0.0, LINE_525_US))
        made = Made(raster, 1e3 / rate, int(8.2 * LINE_525_US * rate), max(0.6 * lsb_mv, 2.0), lsb_mv, 300.0 + rng.uniform(0.0, lsb_mv), bits, seed)  # fmt: skip
        level_mv = rng.uniform(500.0, 714.3)
        wave = (
            composite(made, white(level_mv), white(0.4 * level_mv))
            if role == "composite"
            else luma(made, white(level_mv))
        )
        record = digitised(made, "CH1", wave)
        if code_step > 1:
            record = replace(
                record,
                codes=record.codes * np.uint16(code_step),
                volts_per_code=record.volts_per_code / code_step,
                high_rail_code=(record.high_rail_code or 0) * code_step,
                code_step=code_step,
            )
        reading = measure_capture(capture_of(made, record), conditions).channels[0]
        hits.append(within(level_of(reading) - level_mv, bound_mv(made)))
        seeds.append(seed)
    lowest, highest = RATES_MS[role][0], RATES_MS[role][-1]
    return [share_row(f"{role}, {lowest:.4g} to {highest:g} MS/s, 8 to 16 bit", hits, seeds, THREE_SIGMA)]
