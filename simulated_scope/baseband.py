"""One line of a signal, drawn: sync, setup and picture, and the subcarrier's envelope."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .patterns import PatternLine, Rgb, draw
from .raster import Active, LineSpec, low_intervals
from .recipe import Recipe
from .systems import CHROMA_EDGE_S, SYSTEMS, System
from .vertical_interval import draw_interval

Weights = tuple[complex, complex, complex]

PRIMARIES: tuple[Rgb, ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def baseband(recipe: Recipe, before: LineSpec, line: LineSpec) -> NDArray[np.float64]:
    """Sync, setup and the baseband picture of one line."""
    system, line_s = SYSTEMS[recipe.raster.system], recipe.raster.line_s
    canvas = Canvas(line_s, system.lead_s)
    if recipe.sync_mv:
        for spec, origin_s in ((before, -line_s), (line, 0.0)):
            for start_s, stop_s in low_intervals(spec, system, line_s, recipe.sync_form):
                canvas.pulse(origin_s + start_s, origin_s + stop_s, system.sync_edge_s, -recipe.sync_mv)
    if any(recipe.weights):
        _add_picture(canvas, recipe, before, line, recipe.weights, system.picture_edge_s, recipe.setup_mv)
        _add_interval(canvas, recipe, line, system)
    canvas.low_pass(recipe.bandwidths_hz, 0.0)
    return canvas.line()


def chroma(recipe: Recipe, before: LineSpec, line: LineSpec) -> NDArray[np.complex128]:
    """U + jV of one line, so that the modulated signal is the imaginary part of (U + jV) exp(j 2 pi fsc t)."""
    system = SYSTEMS[recipe.raster.system]
    canvas = Canvas(recipe.raster.line_s, system.lead_s, complex)
    if recipe.pattern in ("bars-75", "bars-100"):
        _add_picture(canvas, recipe, before, line, _chroma_weights(system, line.v_sign), CHROMA_EDGE_S, 0.0)
    if line.burst:
        stop_s = system.burst_start_s + system.burst_cycles / system.subcarrier_hz
        canvas.pulse(system.burst_start_s, stop_s, system.burst_edge_s, _burst_mv(recipe, line))
    canvas.low_pass(recipe.bandwidths_hz, system.subcarrier_hz)
    return canvas.line()


def _chroma_weights(system: System, v_sign: int) -> Weights:
    """Shares of red, green and blue in U + jV, from U = u (B - Y) and V = v (R - Y)."""
    red, green, blue = 0.299, 0.587, 0.114
    u, v = system.u_per_b_y, 1j * v_sign * system.v_per_r_y
    return (v * (1 - red) - u * red, -(u + v) * green, u * (1 - blue) - v * blue)


def _burst_mv(recipe: Recipe, line: LineSpec) -> complex:
    """The burst as U + jV: on -(B - Y) in 525 (170M), at 135 degrees to either side in 625 (1700)."""
    amplitude = recipe.burst_mv_pp / 2
    if recipe.raster.system == "525/60":
        return complex(-amplitude)
    return amplitude * (-1 + 1j * line.v_sign) / math.sqrt(2)


def _add_interval(canvas: Canvas, recipe: Recipe, line: LineSpec, system: System) -> None:
    """Adds what a line of the vertical interval carries, equally in red, green and blue; it bypasses setup and ladder."""
    if line.interval:
        content = Canvas(recipe.raster.line_s, system.lead_s)
        stop_s = recipe.raster.line_s - system.front_porch_s
        draw_interval(content, line.interval, system, system.blanking_end_s, stop_s)
        canvas.values += (recipe.picture_mv + recipe.setup_mv) * sum(recipe.weights) * content.values


def _add_picture(
    canvas: Canvas,
    recipe: Recipe,
    before: LineSpec,
    line: LineSpec,
    weights: Weights,
    edge_s: float,
    setup_mv: float,
) -> None:
    """Adds the picture of the line and, where a low-pass could smear it on, of the line before."""
    system, line_s = SYSTEMS[recipe.raster.system], recipe.raster.line_s
    specs = [(line, 0.0), (before, -line_s)] if recipe.bandwidths_hz else [(line, 0.0)]
    for spec, origin_s in specs:
        if spec.active is Active.NONE:
            continue
        start_s = origin_s + system.blanking_end_s
        stop_s = origin_s + line_s - system.front_porch_s
        middle_s = origin_s + line_s / 2
        gate = Canvas(line_s, system.lead_s)
        gate.pulse(
            middle_s if spec.active is Active.SECOND_HALF else start_s,
            middle_s if spec.active is Active.FIRST_HALF else stop_s,
            system.blanking_edge_s,
            1.0,
        )
        where = PatternLine(system, start_s, stop_s, weights, edge_s, recipe.white_bar, spec.in_patch)
        canvas.values += gate.values * (setup_mv + recipe.picture_mv * _picture(recipe, where))


def _picture(recipe: Recipe, where: PatternLine) -> NDArray[Any]:
    """The pattern's values; through a ladder every primary by itself, its steps then smoothed."""
    system, line_s, ladder = where.system, recipe.raster.line_s, recipe.ladder
    if ladder is None:
        picture = Canvas(line_s, system.lead_s, type(where.weights[0]))
        draw(recipe.pattern, picture, where)
        return picture.values
    mixed = Canvas(line_s, system.lead_s, type(where.weights[0]))
    for weight, primary in zip(where.weights, PRIMARIES, strict=True):
        if weight:
            own = Canvas(line_s, system.lead_s)
            draw(recipe.pattern, own, where.of(primary))
            mixed.values += weight * ladder.levels(own.values)
    mixed.smooth(where.edge_s)
    return mixed.values
