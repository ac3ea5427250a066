"""The waveform of one signal as tables of its distinct lines, in mV into 75 ohm ahead of the output stage's gain."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .canvas import POINTS, Canvas
from .patterns import PatternLine, PatternName, Rgb, draw
from .raster import Active, LineSpec, VerticalSync, low_intervals, raster
from .systems import CHROMA_EDGE_S, PICTURE_EDGE_S, SYSTEMS, System, SystemName

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Layout:
    """The distinct lines of a raster. A line and the one before it make one: what came before may reach into it.

    Attributes:
        pairs: (line before, line) of each row of the tables.
        row_of_line: the row of every line of the raster, line 1 first.
        line_s: line period.
    """

    pairs: tuple[tuple[LineSpec, LineSpec], ...]
    row_of_line: NDArray[np.intp]
    line_s: float


@dataclass(frozen=True)
class Recipe:
    """All that a waveform depends on but gain, load and what is not locked to the line."""

    system: SystemName
    line_s: float
    progressive_lines: int | None
    vertical_sync: VerticalSync
    colour: bool
    pattern: PatternName
    white_bar: float
    weights: Rgb
    picture_mv: float
    setup_mv: float
    sync_mv: float
    burst_mv_pp: float
    bandwidths_hz: tuple[float, ...]
    knee_mv: float | None
    slope: float
    coupling_s: float | None


@dataclass(frozen=True, eq=False)
class Shape:
    """Tables of one signal; every row holds POINTS + 1 values.

    Attributes:
        rows: baseband, all rows one after another.
        chroma: sine and cosine parts of the subcarrier, laid out like `rows`; None without colour.
        subcarrier_hz: its frequency.
        compress: knee and slope still to be applied to baseband plus chroma; None where done or absent.
        held: what the coupling of `rows` builds up within each row, laid out like `rows`, where it is to be subtracted
            after `compress`; None where that is done or absent.
        droop: for a coupled signal the high-pass's state at the start of every line of the raster (subtracted as
            state times `decay`), else None.
        decay: how that state decays along a line.
        mean_mv: mean over the raster ahead of the coupling.
    """

    layout: Layout
    rows: Floats
    chroma: tuple[Floats, Floats] | None
    subcarrier_hz: float
    compress: tuple[float, float] | None
    held: Floats | None
    droop: Floats | None
    decay: Floats | None
    mean_mv: float


@lru_cache(maxsize=16)
def layout(
    system: SystemName, line_s: float, progressive_lines: int | None, vertical_sync: VerticalSync, colour: bool
) -> Layout:
    """The distinct lines of a raster; the same object for the same arguments."""
    lines = raster(SYSTEMS[system], progressive_lines, vertical_sync, colour)
    pairs = list(zip((lines[-1], *lines[:-1]), lines, strict=True))
    distinct = {pair: row for row, pair in enumerate(dict.fromkeys(pairs))}
    return Layout(tuple(distinct), np.array([distinct[pair] for pair in pairs], dtype=np.intp), line_s)


@lru_cache(maxsize=24)
def shape(recipe: Recipe) -> Shape:
    """The waveform that a recipe describes."""
    plan = layout(recipe.system, recipe.line_s, recipe.progressive_lines, recipe.vertical_sync, recipe.colour)
    rows = np.stack([_baseband(recipe, before, line) for before, line in plan.pairs])
    chroma = np.stack([_chroma(recipe, before, line) for before, line in plan.pairs]) if recipe.colour else None
    knee = None if recipe.knee_mv is None else (recipe.knee_mv, recipe.slope)
    settled = rows if knee is None else _settled(rows, chroma, knee).astype(np.float64)
    if chroma is None:
        rows, knee = settled, None
    held = droop = decay = None
    if recipe.coupling_s is not None:
        held, droop, decay = _droop(settled, plan, recipe.coupling_s)
        if knee is None:
            rows, held = rows - held, None
    return Shape(
        layout=plan,
        rows=_flat(rows),
        chroma=None if chroma is None else (_flat(chroma.real), _flat(chroma.imag)),
        subcarrier_hz=SYSTEMS[recipe.system].subcarrier_hz,
        compress=knee,
        held=None if held is None else _flat(held),
        droop=droop,
        decay=decay,
        mean_mv=float(settled[:, :-1].mean(axis=1)[plan.row_of_line].mean()),
    )


def compressed(values: NDArray[np.floating], knee: tuple[float, float]) -> NDArray[np.floating]:
    """Values with all that lies above the knee reduced to `slope`; knee is (level, slope)."""
    level, slope = knee
    return np.where(values > level, level + slope * (values - level), values)


def _flat(rows: NDArray[np.floating]) -> Floats:
    return rows.astype(np.float32).ravel()


def _settled(
    rows: NDArray[np.float64], chroma: NDArray[np.complex128] | None, knee: tuple[float, float]
) -> NDArray[np.floating]:
    """What compression leaves of the baseband: over a whole subcarrier cycle where there is one."""
    if chroma is None:
        return compressed(rows, knee)
    size = np.abs(chroma)
    phases = 2 * np.pi * (np.arange(16) + 0.5) / 16
    return sum((compressed(rows + size * math.cos(phase), knee) for phase in phases), np.zeros_like(rows)) / 16


def _baseband(recipe: Recipe, before: LineSpec, line: LineSpec) -> NDArray[np.float64]:
    """Sync, setup and the baseband picture of one line."""
    system = SYSTEMS[recipe.system]
    canvas = Canvas(recipe.line_s)
    if recipe.sync_mv:
        for spec, origin_s in ((before, -recipe.line_s), (line, 0.0)):
            for start_s, stop_s in low_intervals(spec, system, recipe.line_s):
                canvas.pulse(origin_s + start_s, origin_s + stop_s, system.sync_edge_s, -recipe.sync_mv)
    if any(recipe.weights):
        _add_picture(canvas, recipe, before, line, recipe.weights, PICTURE_EDGE_S, recipe.setup_mv)
    canvas.low_pass(recipe.bandwidths_hz, 0.0)
    return canvas.line()


def _chroma(recipe: Recipe, before: LineSpec, line: LineSpec) -> NDArray[np.complex128]:
    """U + jV of one line, so that the modulated signal is the imaginary part of (U + jV) exp(j 2 pi fsc t)."""
    system = SYSTEMS[recipe.system]
    canvas = Canvas(recipe.line_s, complex)
    if recipe.pattern in ("bars-75", "bars-100"):
        _add_picture(canvas, recipe, before, line, _chroma_weights(system, line.v_sign), CHROMA_EDGE_S, 0.0)
    if line.burst:
        stop_s = system.burst_start_s + system.burst_cycles / system.subcarrier_hz
        canvas.pulse(system.burst_start_s, stop_s, system.burst_edge_s, _burst_mv(recipe, line))
    canvas.low_pass(recipe.bandwidths_hz, system.subcarrier_hz)
    return canvas.line()


def _chroma_weights(system: System, v_sign: int) -> tuple[complex, complex, complex]:
    """Shares of red, green and blue in U + jV, from U = u (B - Y) and V = v (R - Y)."""
    red, green, blue = 0.299, 0.587, 0.114
    u, v = system.u_per_b_y, 1j * v_sign * system.v_per_r_y
    return (v * (1 - red) - u * red, -(u + v) * green, u * (1 - blue) - v * blue)


def _burst_mv(recipe: Recipe, line: LineSpec) -> complex:
    """The burst as U + jV: on -(B - Y) in 525 (170M), at 135 degrees to either side in 625 (1700)."""
    amplitude = recipe.burst_mv_pp / 2
    if recipe.system == "525/60":
        return complex(-amplitude)
    return amplitude * (-1 + 1j * line.v_sign) / math.sqrt(2)


def _add_picture(
    canvas: Canvas,
    recipe: Recipe,
    before: LineSpec,
    line: LineSpec,
    weights: tuple[complex, complex, complex],
    edge_s: float,
    setup_mv: float,
) -> None:
    """Adds the picture of the line and, where a low-pass could smear it on, of the line before."""
    system = SYSTEMS[recipe.system]
    specs = [(line, 0.0), (before, -recipe.line_s)] if recipe.bandwidths_hz else [(line, 0.0)]
    for spec, origin_s in specs:
        if spec.active is Active.NONE:
            continue
        start_s = origin_s + system.blanking_end_s
        stop_s = origin_s + recipe.line_s - system.front_porch_s
        middle_s = origin_s + recipe.line_s / 2
        gate, picture = Canvas(recipe.line_s), Canvas(recipe.line_s, type(weights[0]))
        gate.pulse(
            middle_s if spec.active is Active.SECOND_HALF else start_s,
            middle_s if spec.active is Active.FIRST_HALF else stop_s,
            system.blanking_edge_s,
            1.0,
        )
        draw(
            recipe.pattern,
            picture,
            PatternLine(system, start_s, stop_s, weights, edge_s, recipe.white_bar, spec.in_patch),
        )
        canvas.values += gate.values * (setup_mv + recipe.picture_mv * picture.values)


def _droop(rows: NDArray[np.floating], plan: Layout, coupling_s: float) -> tuple[NDArray[np.float64], Floats, Floats]:
    """One high-pass pole in its periodic steady state: what to subtract from the signal.

    The pole's state follows ds/dt = (x - s)/tau. Returns what each row alone builds up along its line, the state at
    the start of every line of the raster, and how that state decays along a line.
    """
    step_s = plan.line_s / POINTS
    decay = np.exp(-step_s * np.arange(POINTS + 1) / coupling_s)
    weighted = rows / decay
    built = np.zeros_like(rows, dtype=np.float64)
    built[:, 1:] = np.cumsum((weighted[:, 1:] + weighted[:, :-1]) / 2, axis=1) * (step_s / coupling_s)
    built *= decay
    gained = built[plan.row_of_line, -1]
    kept = float(decay[-1])
    state = 0.0
    for gain in gained:  # once round the raster from rest ...
        state = state * kept + float(gain)
    state /= 1 - kept**gained.size  # ... and the state that reproduces itself
    states = np.empty(gained.size, dtype=np.float32)
    for line, gain in enumerate(gained):
        states[line] = state
        state = state * kept + float(gain)
    return built, states, decay.astype(np.float32)
