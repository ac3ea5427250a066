"""Seeded records of what lies on a bench and is not video. A line sync found in any of them is a false one.

Every maker takes a generator, the number of samples and the length of one in us, and gives a wave of about 1 V peak to
peak, shape (samples,), without the noise of a scope. What cannot be told from line sync or line blanking by looking at
it (a square wave of a line's period and a sync's duty, one byte sent for ever) is not among them.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from impaired import coloured_noise

Array = NDArray[np.float64]
Maker = Callable[[np.random.Generator, int, float], Array]

LIKE_LINES_US = (30.0, 66.0)
"""Periods that line sync may have, with room for half lines and tolerances."""
LIKE_SYNC = (0.025, 0.37)
"""Parts of such a period that a sync, an equalising pulse, a serration or blanking may take."""


def noise(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """White, or through one pole."""
    if rng.random() < 0.5:
        return np.asarray(rng.normal(0.0, 200.0, samples))
    return coloured_noise(rng, samples, sample_us, 200.0, 10.0 ** rng.uniform(-2.5, 0.5))


def sine(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """100 Hz to 5 MHz, every second one between 14 and 35 kHz."""
    return np.asarray(500.0 * np.sin(_angle(rng, samples, sample_us)))


def square(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """100 Hz to 5 MHz at any duty, neither side like a sync or blanking where the period is like a line's."""
    frequency_mhz = _frequency_mhz(rng)
    duty = rng.uniform(0.03, 0.97)
    while LIKE_LINES_US[0] <= 1.0 / frequency_mhz <= LIKE_LINES_US[1] and not LIKE_SYNC[1] < duty < 1.0 - LIKE_SYNC[1]:
        duty = rng.uniform(0.03, 0.97)
    cycles = frequency_mhz * sample_us * np.arange(samples) + rng.random()
    return np.where(cycles % 1.0 < duty, 500.0, -500.0)


def serial_data(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """Bytes with start and stop bit at a usual rate, pauses between some of them."""
    baud = rng.choice([9600, 19_200, 31_250, 38_400, 57_600, 115_200, 230_400, 250_000, 460_800, 921_600, 1_000_000])
    bytes_ = math.ceil(samples * sample_us * baud * 1e-7) + 2
    bits = rng.integers(0, 2, (bytes_, 8))
    pause = int(rng.choice([0, 0, 3, 20]))
    idle = np.ones((bytes_, 1 + pause), dtype=np.int64)
    stream = np.hstack((np.zeros((bytes_, 1), dtype=np.int64), bits, idle)).ravel()
    return _of_bits(rng, stream, samples, sample_us, 1e6 / baud)


def mains(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """50 or 60 Hz with odd harmonics, flattened a little."""
    t_us = _seldom_us(samples, sample_us)
    angle = 2.0 * math.pi * rng.choice([50e-6, 60e-6]) * t_us + rng.uniform(0.0, 6.3)
    wave = np.sin(angle)
    for harmonic in (3, 5, 7, 9, 11):
        wave += rng.uniform(0.0, 0.25 / harmonic) * np.sin(harmonic * angle + rng.uniform(0.0, 6.3))
    return _at_every_sample(500.0 * np.clip(wave, -0.95, 0.95), t_us, samples, sample_us)


def audio(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """A voice or an instrument: harmonics of one to four tones that swell and fade, and breath."""
    t_us = _seldom_us(samples, sample_us)
    wave = 0.1 * coloured_noise(rng, t_us.size, float(t_us[1]), 500.0, 0.008)
    for _ in range(int(rng.integers(1, 5))):
        tone_mhz = 1e-6 * 10.0 ** rng.uniform(1.9, 3.7)
        swell = 1.0 + 0.7 * np.sin(2.0 * math.pi * 5e-6 * t_us + rng.uniform(0.0, 6.3))
        for harmonic in range(1, 9):
            if harmonic * tone_mhz < 0.018:
                angle = 2.0 * math.pi * harmonic * tone_mhz * t_us + rng.uniform(0.0, 6.3)
                wave += rng.uniform(50.0, 250.0) / harmonic * swell * np.sin(angle)
    return _at_every_sample(wave, t_us, samples, sample_us)


def switching_supply(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """Ripple of 20 to 500 kHz: up and down at unequal slopes, with ringing wherever a switch opens or closes."""
    frequency_mhz = 10.0 ** rng.uniform(math.log10(0.02), math.log10(0.5))
    up = rng.uniform(0.2, 0.8)
    cycles = frequency_mhz * sample_us * np.arange(samples) + rng.random()
    ripple = 250.0 * signal.sawtooth(2.0 * math.pi * cycles, up)
    switched = np.where(cycles % 1.0 < up, 1.0, 0.0)
    r, w = math.exp(-sample_us / rng.uniform(0.1, 0.5)), 2.0 * math.pi * rng.uniform(1.0, 10.0) * sample_us
    spikes = signal.lfilter([1.0], [1.0, -2.0 * r * math.cos(w), r * r], np.diff(switched, prepend=switched[0]))
    return np.asarray(ripple + rng.uniform(50.0, 400.0) * spikes / max(1e-9, float(np.max(np.abs(spikes)))))


def digital_bus(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    """One wire of a clocked bus: words of random bits in bursts, at rest between them."""
    bit_us = 10.0 ** rng.uniform(-1.0, 1.5)
    words = math.ceil(samples * sample_us / bit_us / 8.0) + 2
    bits = rng.integers(0, 2, (words, 8))
    at_rest = int(rng.integers(0, 2))
    bits[rng.random(words) < rng.uniform(0.0, 0.7)] = at_rest
    stretch = np.array([0, 1], dtype=np.int64) if rng.random() < 0.3 else np.array([1], dtype=np.int64)
    stream = (bits.ravel()[:, None] ^ (1 - stretch)).ravel()  # every third one is coded in two phases a bit
    return _of_bits(rng, stream, samples, sample_us, bit_us / stretch.size)


NOT_VIDEO: dict[str, Maker] = {
    "noise": noise,
    "sine": sine,
    "square": square,
    "serial data": serial_data,
    "mains": mains,
    "audio": audio,
    "switching supply": switching_supply,
    "digital bus": digital_bus,
}


def _frequency_mhz(rng: np.random.Generator) -> float:
    exponent = rng.uniform(math.log10(14e-3), math.log10(35e-3)) if rng.random() < 0.5 else rng.uniform(-4.0, 0.7)
    return float(10.0**exponent)


def _seldom_us(samples: int, sample_us: float) -> Array:
    """Times 0.5 us apart or one sample, for what is slow, as long as the record."""
    apart_us = max(0.5, sample_us)
    return np.asarray(apart_us * np.arange(math.ceil(samples * sample_us / apart_us) + 2), dtype=np.float64)


def _at_every_sample(wave: Array, t_us: Array, samples: int, sample_us: float) -> Array:
    return np.asarray(np.interp(sample_us * np.arange(samples), t_us, wave))


def _angle(rng: np.random.Generator, samples: int, sample_us: float) -> Array:
    return np.asarray(2.0 * math.pi * (_frequency_mhz(rng) * sample_us * np.arange(samples) + rng.random()))


def _of_bits(
    rng: np.random.Generator, stream: NDArray[np.int64], samples: int, sample_us: float, bit_us: float
) -> Array:
    """The bits as a wave that starts somewhere within the first one."""
    place = (sample_us * np.arange(samples) / bit_us + rng.random()).astype(np.intp)
    return np.where(stream[place % stream.size] == 1, 500.0, -500.0)
