"""Test patterns: what a picture line shows, as shapes in red, green and blue from 0 (black) to 1 (white)."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from .canvas import Canvas
from .systems import System

PatternName = Literal[
    "white",
    "black",
    "bars-75",
    "bars-100",
    "staircase-5",
    "staircase-10",
    "ramp",
    "pulse-and-bar",
    "multiburst",
    "patch",
]
Rgb = tuple[float, float, float]

BAR_COLOURS: tuple[Rgb, ...] = (
    (1, 1, 1),
    (1, 1, 0),
    (0, 1, 1),
    (0, 1, 0),
    (1, 0, 1),
    (1, 0, 0),
    (0, 0, 1),
    (0, 0, 0),
)
"""White, yellow, cyan, green, magenta, red, blue, black: falling luma."""

MULTIBURST_525_MHZ = (0.5, 1.0, 2.0, 3.0, 3.58, 4.2)  # J.63
MULTIBURST_625_MHZ = (0.5, 1.0, 2.0, 4.0, 4.8, 5.8)  # J.63
MULTIBURST_COMPUTER_MHZ = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0)  # practice


@dataclass(frozen=True)
class InsertionSignals:
    """What differs from system to system: burst frequencies, their size peak to peak, the flags, the 2T pulse."""

    multiburst_mhz: tuple[float, ...]
    multiburst_pp: float
    flags: tuple[float, float]
    half_duration_s: float


def insertion_signals(system: System) -> InsertionSignals:
    """J.63: 50 IRE p-p in 525; 0.420 V of 0.700 V between 0.56 and 0.14 V in 625; 2T pulses of 250 and 200 ns."""
    if system.name == "525/60":
        return InsertionSignals(MULTIBURST_525_MHZ, 0.5, (1.0, 0.0), 250e-9)
    if system.name == "625/50":
        return InsertionSignals(MULTIBURST_625_MHZ, 0.6, (0.8, 0.2), 200e-9)
    return InsertionSignals(MULTIBURST_COMPUTER_MHZ, 0.5, (1.0, 0.0), 100e-9)


@dataclass(frozen=True)
class PatternLine:
    """Where and how one picture line is drawn.

    Attributes:
        start_s, stop_s: the active line, seconds from 0H.
        weights: share of red, green and blue in the signal drawn; a colour difference has weights of sum 0.
        edge_s: rise time of a step.
        white_bar: the level of a bar pattern's white bar.
        in_patch: whether the line crosses the small patch.
    """

    system: System
    start_s: float
    stop_s: float
    weights: tuple[complex, complex, complex]
    edge_s: float
    white_bar: float
    in_patch: bool

    def at(self, fraction: float) -> float:
        """The instant at that fraction of the active line."""
        return self.start_s + fraction * (self.stop_s - self.start_s)

    def mix(self, colour: Rgb) -> complex:
        """The value of a colour in the signal drawn."""
        return sum(weight * part for weight, part in zip(self.weights, colour, strict=True))

    def of(self, primary: Rgb) -> "PatternLine":
        """The same line of one primary alone, with edges as steep as the canvas has them."""
        return replace(self, weights=primary, edge_s=1e-9)

    @property
    def grey(self) -> complex:
        """The value of white: 0 in a colour difference."""
        return self.mix((1, 1, 1))


def draw(pattern: PatternName, canvas: Canvas, line: PatternLine) -> None:
    """Draws one line of the pattern; what lies outside the active line is gated away by the caller."""
    _DRAWERS[pattern](canvas, line)


def bar_levels(pattern: PatternName, white_bar: float) -> list[Rgb]:
    """Red, green and blue of the eight bars of `bars-75` or `bars-100`."""
    amplitude = 0.75 if pattern == "bars-75" else 1.0
    coloured = [(red * amplitude, green * amplitude, blue * amplitude) for red, green, blue in BAR_COLOURS[1:]]
    return [(white_bar, white_bar, white_bar), *coloured]


def flat_colours(pattern: PatternName, system: System, white_bar: float) -> list[Rgb]:
    """Red, green and blue of every flat of the pattern; of a ramp, which a ladder makes into steps, all of it."""
    if pattern in ("bars-75", "bars-100"):
        return bar_levels(pattern, white_bar)
    levels = {
        "black": [0.0],
        "white": [1.0],
        "staircase-5": [step / 5 for step in range(6)],
        "staircase-10": [step / 10 for step in range(11)],
        "ramp": [step / 4096 for step in range(4097)],
        "multiburst": [*insertion_signals(system).flags, 0.5],
    }.get(pattern, [0.0, 1.0])
    return [(level, level, level) for level in levels]


def _white(canvas: Canvas, line: PatternLine) -> None:
    canvas.edge(line.start_s - 1e-6, line.edge_s, line.grey)


def _black(canvas: Canvas, line: PatternLine) -> None:
    """Black: nothing above the pedestal."""


def _bars(pattern: PatternName) -> Callable[[Canvas, PatternLine], None]:
    def drawer(canvas: Canvas, line: PatternLine) -> None:
        before: complex = 0.0
        for index, colour in enumerate(bar_levels(pattern, line.white_bar)):
            value = line.mix(colour)
            canvas.edge(line.at(index / 8) - (1e-6 if index == 0 else 0.0), line.edge_s, value - before)
            before = value

    return drawer


def _staircase(risers: int) -> Callable[[Canvas, PatternLine], None]:
    """Equal risers from black to white, risers + 1 equal treads."""

    def drawer(canvas: Canvas, line: PatternLine) -> None:
        for riser in range(1, risers + 1):
            canvas.edge(line.at(riser / (risers + 1)), line.edge_s, line.grey / risers)

    return drawer


def _ramp(canvas: Canvas, line: PatternLine) -> None:
    """Black for a tenth, a straight rise, white for a tenth."""
    canvas.ramp(line.at(0.1), line.at(0.9), line.grey)


def _pulse_and_bar(canvas: Canvas, line: PatternLine) -> None:
    """A white bar and a 2T pulse of the same height (1439, J.63)."""
    canvas.pulse(line.at(0.1), line.at(0.5), line.edge_s, line.grey)
    canvas.sine_squared(line.at(0.75), insertion_signals(line.system).half_duration_s, line.grey)


def _multiburst(canvas: Canvas, line: PatternLine) -> None:
    """Two references and six bursts on half grey (J.63)."""
    signals = insertion_signals(line.system)
    high, low = signals.flags
    grey = line.grey
    canvas.edge(line.start_s - 1e-6, line.edge_s, high * grey)
    canvas.edge(line.at(0.10), line.edge_s, (low - high) * grey)
    canvas.edge(line.at(0.17), line.edge_s, (0.5 - low) * grey)
    amplitude = signals.multiburst_pp / 2 * grey
    for index, frequency_mhz in enumerate(signals.multiburst_mhz):
        start = 0.19 + 0.13 * index
        canvas.burst(line.at(start), line.at(start + 0.115), frequency_mhz * 1e6, amplitude)


def _patch(canvas: Canvas, line: PatternLine) -> None:
    """A small white patch on black: a tenth of the width (5 us), an eighth of the height."""
    if line.in_patch:
        canvas.pulse(line.at(0.6), line.at(0.7), line.edge_s, line.grey)


_DRAWERS: dict[PatternName, Callable[[Canvas, PatternLine], None]] = {
    "white": _white,
    "black": _black,
    "bars-75": _bars("bars-75"),
    "bars-100": _bars("bars-100"),
    "staircase-5": _staircase(5),
    "staircase-10": _staircase(10),
    "ramp": _ramp,
    "pulse-and-bar": _pulse_and_bar,
    "multiburst": _multiburst,
    "patch": _patch,
}
