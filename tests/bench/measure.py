"""Speed of a full reading, beside one float32 mean over the same samples and beside a plain script, in one run.

`extra_memory` is the most that a reading holds beside the codes, as a multiple of the codes' own bytes.
"""

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from tests.bench.plain_script import plain_levels_mv

from made_video import Made, Raster, capture_of, digitised, picture_wave, sync_wave, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

SIZES = ((12_000, 41.7), (250_000, 8.0), (1_000_000, 4.0), (10_000_000, 4.0))
"""Samples a channel, ns a sample."""
LEAST_ROUNDS = 5
LEAST_S = 1.0


def made_capture(samples: int, sample_ns: float) -> Capture:
    """Three white channels and sync, 8 bits."""
    raster = Raster(lines_per_field=262, first_us=-20 * Raster().period_us)
    made = Made(raster=raster, samples=samples, sample_ns=sample_ns)
    picture = picture_wave(made, white(1.0))
    levels_mv = (750.0, 714.3, 700.0)
    colours = [digitised(made, f"CH{n}", level * picture, n) for n, level in enumerate(levels_mv, start=1)]
    return capture_of(made, *colours, digitised(made, "CH4", -285.7 * sync_wave(made), 4))


def median_ms(*works: Callable[[], object]) -> list[float]:
    """Median time of each, taken in turn so that all see the same machine."""
    times: list[list[float]] = [[] for _ in works]
    for work in works:
        work()
    begun = time.perf_counter()
    while len(times[0]) < LEAST_ROUNDS or time.perf_counter() - begun < LEAST_S:
        for work, spent in zip(works, times, strict=True):
            start = time.perf_counter()
            work()
            spent.append(time.perf_counter() - start)
    return [1e3 * float(np.median(spent)) for spent in times]


def extra_memory(work: Callable[[], object], codes_bytes: int) -> float:
    """Peak of what is allocated meanwhile, numpy's arrays included, as a multiple of the codes."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / codes_bytes
    finally:
        tracemalloc.stop()


def run() -> dict[str, object]:
    """One row a record size."""
    conditions = Conditions(BENCH_DEFAULT)
    rows = []
    for samples, sample_ns in SIZES:
        capture = made_capture(samples, sample_ns)

        def one_pass(capture: Capture = capture) -> list[float]:
            return [float(channel.codes.mean(dtype=np.float32)) for channel in capture.channels]

        def ours(capture: Capture = capture) -> object:
            return measure_capture(replace(capture), conditions)

        def script(capture: Capture = capture) -> object:
            return plain_levels_mv(capture)

        pass_ms, ours_ms, script_ms = median_ms(one_pass, ours, script)
        rows.append(
            {
                "samples": samples,
                "ours_ms": round(ours_ms, 3),
                "pass_ms": round(pass_ms, 3),
                "script_ms": round(script_ms, 3),
                "ratio_to_pass": round(ours_ms / pass_ms, 2),
                "speedup_over_script": round(script_ms / ours_ms, 2),
                "extra_memory": round(extra_memory(ours, sum(one.codes.nbytes for one in capture.channels)), 2),
            }
        )
    return {"measure": rows}
