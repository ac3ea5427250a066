"""Which line carries which pulses, which picture and which burst."""

from dataclasses import dataclass, replace
from enum import Enum
from typing import Literal

from .disturbances import Kind
from .systems import System

VerticalSync = Literal["full", "serrated", "block"]
Interval = Literal["off", "data", "pulses"]
SyncForm = Literal["composite", "horizontal", "vertical"]

DATA_VARIANTS = 3
"""So many different lines of data follow each other."""

EXTRA_PULSES: dict[Kind, tuple[float, float | None]] = {
    "doubled-early": (0.2, None),
    "doubled-late": (0.62, None),
    "glitch-200": (0.33, 0.2e-6),
    "glitch-500": (0.71, 0.5e-6),
    "glitch-900": (0.48, 0.9e-6),
}
"""Where a pulse too many starts, as a share of the line, and how wide it is: as wide as the sync, or seconds."""


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
    """One line.

    Attributes:
        first, second: what the sync does from the start and from the middle of the line on.
        active: which part shows picture.
        in_patch: whether the line crosses the small patch.
        burst: whether there is one.
        v_sign: the sign of the V component and of the burst's V (625 composite), else 1.
        interval: 0; 1 to DATA_VARIANTS: a line of data; -1: a line of pulses above white.
        extra: a pulse too many, one of EXTRA_PULSES.
    """

    first: Pulse
    second: Pulse
    active: Active
    in_patch: bool = False
    burst: bool = False
    v_sign: int = 1
    interval: int = 0
    extra: Kind | None = None


def raster(
    system: System,
    lines_per_field: int | None,
    vertical_sync: VerticalSync,
    colour: bool,
    interval: Interval = "off",
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
    lines = _with_interval(_with_patch(lines, halves // 2), system, halves, interval)
    return tuple(_with_burst(lines, system, lines_per_field is None) if colour else lines)


def low_intervals(
    line: LineSpec, system: System, line_s: float, form: SyncForm = "composite"
) -> list[tuple[float, float]]:
    """When the sync is there in a line, seconds from its 0H; of separate syncs the horizontal or the vertical one."""
    if form == "vertical":
        first, second = _in_vertical_sync(line)
        low = [(0.0, line_s / 2)] if first else []
        return [*low, (line_s / 2, line_s)] if second else low
    extra = []
    if line.extra is not None:
        start, width_s = EXTRA_PULSES[line.extra]
        extra = [(start * line_s, start * line_s + (system.sync_s if width_s is None else width_s))]
    if form == "horizontal":
        return extra if line.first is Pulse.NONE else [(0.0, system.sync_s), *extra]
    widths = {
        Pulse.SYNC: system.sync_s,
        Pulse.EQUALISING: system.equalising_s,
        Pulse.BROAD: line_s / 2 - system.serration_s,
        Pulse.LONG: line_s - system.serration_s,
        Pulse.BLOCK: line_s,
    }
    starts = ((0.0, line.first), (line_s / 2, line.second))
    return [*((start, start + widths[pulse]) for start, pulse in starts if pulse is not Pulse.NONE), *extra]


def disturbed(line: LineSpec, kind: Kind) -> LineSpec:
    """The line as a disturbance leaves it; a pulse too many is added to ordinary lines only."""
    if kind in EXTRA_PULSES:
        ordinary = line.first is Pulse.SYNC and line.second is Pulse.NONE
        return replace(line, extra=kind) if ordinary else line
    if kind in ("picture-out", "all-out"):
        line = replace(line, active=Active.NONE, burst=False, interval=0)
    return line if kind == "picture-out" else replace(line, first=Pulse.NONE, second=Pulse.NONE)


def first_line_after_vertical_sync(system: System, vertical_sync: VerticalSync) -> int:
    """The index in a progressive field (0 for line 1) of the first that starts with an edge of its own: a block runs
    into the sync of the line after it."""
    hidden = 1 if vertical_sync == "block" else 0
    return system.broad_from_half // 2 + system.vertical_sync_lines + hidden


def _in_vertical_sync(line: LineSpec) -> tuple[bool, bool]:
    """Whether the first and the second half of a line belong to vertical sync."""
    whole = line.first in (Pulse.LONG, Pulse.BLOCK)
    return whole or line.first is Pulse.BROAD, whole or line.second is Pulse.BROAD


def _pulses(system: System, halves: int, total: int, vertical_sync: VerticalSync) -> list[Pulse]:
    """The pulse that starts each half line; a field has `halves` of them."""
    pulses = [Pulse.SYNC if half % 2 == 0 else Pulse.NONE for half in range(total)]
    if vertical_sync != "full":
        kind = Pulse.LONG if vertical_sync == "serrated" else Pulse.BLOCK
        first, count = system.broad_from_half, 2 * system.vertical_sync_lines
        for half in range(first, first + count, 2):
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
    return [replace(line, in_patch=first <= index % lines_per_field < last) for index, line in enumerate(lines)]


def _with_interval(lines: list[LineSpec], system: System, halves: int, interval: Interval) -> list[LineSpec]:
    """Adds data or pulses to their lines of every field; field two counts from its own first whole line."""
    span = {"off": None, "data": system.data_lines, "pulses": system.pulse_lines}[interval]
    if span is None:
        return lines
    out = list(lines)
    for start in range(0, 2 * len(lines), halves):
        first = (start + 1) // 2 + span[0] - 1
        for count in range(span[1] - span[0] + 1):
            content = -1 if interval == "pulses" else 1 + count % DATA_VARIANTS
            out[first + count] = replace(out[first + count], interval=content)
    return out


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
        out.append(replace(line, burst=burst, v_sign=v_sign))
    return out


def _burst_blanked_625(index: int) -> bool:
    """Whether the line of that index (0 = line 1 of the first frame, 625 = of the second) has its burst blanked."""
    number = index % 625 + 1
    if index < 625:  # the first frame is entered from field 4 of the sequence before
        return number <= 6 or 310 <= number <= 318 or number >= 622
    return number <= 5 or 311 <= number <= 319 or number >= 623
