"""Which line carries which pulses, which picture and which burst."""

from dataclasses import dataclass
from enum import Enum
from typing import Literal

from .systems import System

VerticalSync = Literal["full", "serrated", "block"]


class Pulse(Enum):
    """What the sync does from a half line's start on."""

    NONE = "none"
    SYNC = "sync"
    EQUALISING = "equalising"
    BROAD = "broad"  # low for half a line less a serration
    LONG = "long"  # low for a whole line less a serration
    BLOCK = "block"  # low for a whole line


class Active(Enum):
    """Which part of a line shows picture."""

    NONE = "none"
    FIRST_HALF = "first half"
    SECOND_HALF = "second half"
    FULL = "full"


@dataclass(frozen=True)
class LineSpec:
    """One line. `v_sign` is the sign of the V component and of the burst's V (625 composite), else 1."""

    first: Pulse
    second: Pulse
    active: Active
    in_patch: bool = False
    burst: bool = False
    v_sign: int = 1


BLANK_LINE = LineSpec(Pulse.SYNC, Pulse.NONE, Active.NONE)


def raster(
    system: System, lines_per_field: int | None, vertical_sync: VerticalSync, colour: bool
) -> tuple[LineSpec, ...]:
    """All lines until the signal repeats, line 1 first.

    `lines_per_field` None is interlaced. A 625 colour signal repeats after two frames here: V switch and burst
    blanking go by four fields (the slow drift of the subcarrier is not part of the raster).
    """
    halves = system.lines if lines_per_field is None else 2 * lines_per_field
    total = 2 * system.lines if lines_per_field is None else halves
    pulses = _pulses(system, halves, total, vertical_sync)
    picture = [_has_picture(system, half, halves) for half in range(total)]
    lines = [
        LineSpec(pulses[half], pulses[half + 1], _active(picture[half], picture[half + 1]))
        for half in range(0, total, 2)
    ]
    lines = _with_patch(lines, halves // 2)
    return tuple(_with_burst(lines, system, lines_per_field is None) if colour else lines)


def low_intervals(line: LineSpec, system: System, line_s: float) -> list[tuple[float, float]]:
    """When the sync is low in a line, seconds from its 0H."""
    widths = {
        Pulse.SYNC: system.sync_s,
        Pulse.EQUALISING: system.equalising_s,
        Pulse.BROAD: line_s / 2 - system.serration_s,
        Pulse.LONG: line_s - system.serration_s,
        Pulse.BLOCK: line_s,
    }
    starts = ((0.0, line.first), (line_s / 2, line.second))
    return [(start, start + widths[pulse]) for start, pulse in starts if pulse is not Pulse.NONE]


def _pulses(system: System, halves: int, total: int, vertical_sync: VerticalSync) -> list[Pulse]:
    """The pulse that starts each half line; a field has `halves` of them."""
    pulses = [Pulse.SYNC if half % 2 == 0 else Pulse.NONE for half in range(total)]
    if vertical_sync != "full":
        kind = Pulse.LONG if vertical_sync == "serrated" else Pulse.BLOCK
        for half in range(system.broad_from_half, system.broad_from_half + 6, 2):
            pulses[half] = kind
        return pulses
    before, broad = system.equalising_halves, system.broad_halves
    for field_start in range(0, total, halves):
        first_broad = field_start + system.broad_from_half
        for offset in range(-before, broad + before):
            kind = Pulse.BROAD if 0 <= offset < broad else Pulse.EQUALISING
            pulses[(first_broad + offset) % total] = kind
    return pulses


def _has_picture(system: System, half: int, halves: int) -> bool:
    within = half % halves
    return system.blanked_halves_after <= within < halves - system.blanked_halves_before


def _active(first: bool, second: bool) -> Active:
    return {
        (False, False): Active.NONE,
        (True, False): Active.FIRST_HALF,
        (False, True): Active.SECOND_HALF,
        (True, True): Active.FULL,
    }[first, second]


def _with_patch(lines: list[LineSpec], lines_per_field: int) -> list[LineSpec]:
    """Marks the lines of the small patch: an eighth of the field's height, a little under its middle."""
    first, last = round(lines_per_field * 0.52), round(lines_per_field * 0.645)
    return [
        LineSpec(line.first, line.second, line.active, in_patch=first <= index % lines_per_field < last)
        for index, line in enumerate(lines)
    ]


def _with_burst(lines: list[LineSpec], system: System, interlaced: bool) -> list[LineSpec]:
    """Adds burst and V switch: 525 no burst in the nine lines of the vertical interval (170M), 625 four-field
    burst blanking (1700: lines 623-6, 310-318, 622-5, 311-319)."""
    frames = lines
    if system.name == "625/50" and (interlaced or len(lines) % 2):
        frames = lines * 2
    out = []
    for index, line in enumerate(frames):
        burst = line.first is Pulse.SYNC
        if system.name == "625/50" and interlaced:
            burst = not _burst_blanked_625(index)
        v_sign = -1 if system.name == "625/50" and index % 2 else 1
        out.append(LineSpec(line.first, line.second, line.active, line.in_patch, burst, v_sign))
    return out


def _burst_blanked_625(index: int) -> bool:
    """Whether the line of that index (0 = line 1 of the first frame, 625 = of the second) has its burst blanked."""
    number = index % 625 + 1
    if index < 625:  # the first frame is entered from field 4 of the sequence before
        return number <= 6 or 310 <= number <= 318 or number >= 622
    return number <= 5 or 311 <= number <= 319 or number >= 623
