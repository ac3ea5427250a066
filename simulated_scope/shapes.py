"""The waveform of one signal as tables of its distinct lines, in mV into 75 ohm ahead of the output stage's gain."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .baseband import baseband, chroma
from .high_pass import droop, shares
from .layout import Layout, layout
from .raster import disturbed
from .recipe import Recipe
from .systems import SYSTEMS

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Shape:
    """Tables of one signal; every row holds POINTS + 1 values.

    The layout's rows come first, then for every kind of disturbance in turn the same rows as it leaves them.

    Attributes:
        rows: baseband, all rows one after another.
        chroma: sine and cosine parts of the subcarrier, laid out like `rows`; None without colour.
        subcarrier_hz: its frequency.
        compress: knee and slope still to be applied to baseband plus chroma; None where done or absent.
        passed: gain still to be applied after `compress` (1 where there is none).
        held: what the high passes of `rows` build up within each row, laid out like `rows`, where it is to be
            subtracted after `compress`; None where that is done or absent.
        droops: of every high pass its state at the start of every line of the raster, to be subtracted as state times
            decay, and how that state decays along a line.
        mean_mv: mean over the raster ahead of the coupling.
    """

    layout: Layout
    rows: Floats
    chroma: tuple[Floats, Floats] | None
    subcarrier_hz: float
    compress: tuple[float, float] | None
    passed: float
    held: Floats | None
    droops: tuple[tuple[Floats, Floats], ...]
    mean_mv: float


@lru_cache(maxsize=24)
def shape(recipe: Recipe) -> Shape:
    """The waveform that a recipe describes."""
    plan = layout(recipe.raster)
    pairs = [*plan.pairs, *((before, disturbed(line, kind)) for kind in recipe.kinds for before, line in plan.pairs)]
    rows = np.stack([baseband(recipe, before, line) for before, line in pairs])
    colour = np.stack([chroma(recipe, before, line) for before, line in pairs]) if recipe.raster.colour else None
    knee = None if recipe.knee_mv is None else (recipe.knee_mv, recipe.slope)
    settled = rows if knee is None else _settled(rows, colour, knee).astype(np.float64)
    if colour is None:
        rows, knee = settled, None
    straight, passes = shares(recipe.coupling_s, recipe.compensation, recipe.compensation_s)
    passed = straight + sum(share for _, share in passes)
    held = np.zeros(())
    droops = []
    for time_s, share in passes:
        built, states, decay = droop(settled, plan, time_s)
        held = held + share * built
        droops.append((np.float32(share) * states, decay))
    if knee is None:
        rows = passed * rows - held
        colour = None if colour is None else passed * colour
    return Shape(
        layout=plan,
        rows=_flat(rows),
        chroma=None if colour is None else (_flat(colour.real), _flat(colour.imag)),
        subcarrier_hz=SYSTEMS[recipe.raster.system].subcarrier_hz,
        compress=knee,
        passed=1.0 if knee is None else passed,
        held=None if knee is None or not passes else _flat(held),
        droops=tuple(droops),
        mean_mv=float(settled[:, :-1].mean(axis=1)[plan.row_of_line].mean()),
    )


def compressed(values: NDArray[np.floating], knee: tuple[float, float]) -> NDArray[np.floating]:
    """Values with all that lies above the knee reduced to `slope`; knee is (level, slope)."""
    level, slope = knee
    return np.where(values > level, level + slope * (values - level), values)


def _flat(rows: NDArray[np.floating]) -> Floats:
    return rows.astype(np.float32).ravel()


def _settled(
    rows: NDArray[np.float64], colour: NDArray[np.complex128] | None, knee: tuple[float, float]
) -> NDArray[np.floating]:
    """What compression leaves of the baseband: over a whole subcarrier cycle where there is one."""
    if colour is None:
        return compressed(rows, knee)
    size = np.abs(colour)
    phases = 2 * np.pi * (np.arange(16) + 0.5) / 16
    return sum((compressed(rows + size * math.cos(phase), knee) for phase in phases), np.zeros_like(rows)) / 16
