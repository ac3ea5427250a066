"""What the engine holds itself to: every figure on a seeded ensemble, beside its goal.

An ensemble that misses names some seeds. The full size takes minutes; `small` is for CI and takes seconds.
"""

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial

from tests.bench import truth_levels as levels
from tests.bench import truth_sync as sync
from tests.bench.truth_rows import Row

from made_video import Raster
from not_video import NOT_VIDEO


@dataclass(frozen=True)
class Ensemble:
    """Captures to make of it in CI and by command, and what makes its rows from so many."""

    small: int
    full: int
    rows: Callable[[int], list[Row]]


JITTERY = Raster(jitter_us=0.02)

ENSEMBLES: dict[str, Ensemble] = {
    **{f"noise-{one:g}": Ensemble(30, 400, partial(levels.against_the_bound, one)) for one in (0.5, 1.0, 2.0, 4.0)},
    **{
        f"long-record-{one:g}": Ensemble(6, 100, partial(levels.against_the_bound, one, samples=100_000))
        for one in (0.5, 4.0)
    },
    "quiet": Ensemble(40, 1000, levels.quiet),
    "ringing": Ensemble(25, 500, partial(levels.impaired, "short flats with ringing", levels.rung)),
    "staircase": Ensemble(25, 500, partial(levels.impaired, "staircase of ten steps", levels.staircase)),
    "coupling": Ensemble(25, 500, partial(levels.impaired, "coupling of 7 ms or more", levels.coupled_white)),
    "interferer": Ensemble(25, 500, partial(levels.impaired, "interferer of 20 mV p-p", levels.with_interferer)),
    "jitter": Ensemble(25, 500, partial(levels.impaired, "jitter of 20 ns", levels.unimpaired, raster=JITTERY)),
    **{f"saturation-{one.name}": Ensemble(25, 500, partial(levels.saturated, one)) for one in levels.COLOURS},
    **{f"coverage-{one:g}": Ensemble(50, 2000, partial(levels.covered, one)) for one in (3.0, 1.0, 0.3)},
    "coverage-random": Ensemble(50, 2000, levels.covered_random_part),
    "coverage-few-lines": Ensemble(50, 2000, partial(levels.covered_random_part, few=True)),
    "lock-2-lines": Ensemble(100, 6000, partial(sync.lines_found, 2, 20.0)),
    "lock-20-lines": Ensemble(60, 6000, partial(sync.lines_found, 20, 15.0)),
    "lock-anywhere": Ensemble(100, 6000, sync.anywhere_in_a_frame),
    **{f"false-lock-{one}": Ensemble(200, 10_000, partial(sync.falsely_found, one)) for one in NOT_VIDEO},
    "period": Ensemble(60, 3000, sync.period),
    **{f"rates-{one}": Ensemble(1, 10, partial(levels.sampled, one)) for one in levels.RATES_MS},
}
"""By name, in the order of the table that the goals come from."""


def run(small: bool = False) -> dict[str, object]:
    """All rows; `small` at the size of CI. Ensembles run side by side on the machine's cores."""
    with ProcessPoolExecutor() as pool:
        found = list(pool.map(_rows, ENSEMBLES, [small] * len(ENSEMBLES)))
    return {"truth": [asdict(row) | {"figure": float(f"{row.figure:.4g}")} for rows in found for row in rows]}


def _rows(name: str, small: bool) -> list[Row]:
    ensemble = ENSEMBLES[name]
    return ensemble.rows(ensemble.small if small else ensemble.full)
