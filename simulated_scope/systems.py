"""Constants of the two television systems and of some computers, each with its source.

Sources: 170M = SMPTE 170M-2004; 1700 = ITU-R BT.1700 (2005) Part B; 470 = ITU-R BT.470-6. Instants are seconds from 0H,
the half-amplitude point of the leading edge of line sync; edges are 10 to 90 %.
"""

from dataclasses import dataclass
from typing import Literal

SystemName = Literal["525/60", "625/50", "24k", "31k", "31k-70", "18k", "22k"]
Polarity = Literal["negative", "positive"]

RAISED_COSINE_10_90 = 0.5903344706
"""10-90 % time of a raised-cosine edge over its whole length: (arccos(-0.8) - arccos(0.8)) / pi."""

CHROMA_EDGE_S = 400e-9
"""Rise time of the colour-difference signals before modulation (practice: about 1.3 MHz of chroma bandwidth)."""


@dataclass(frozen=True)
class System:
    """Timing and levels of a system.

    Attributes:
        line_s: line period.
        lines: of a frame; a computer's are those of its one kind of field.
        lines_per_field: what a progressive source may have, the usual first.
        sync_s, equalising_s, serration_s: widths at half amplitude.
        front_porch_s: from the start of line blanking to 0H.
        blanking_end_s: from 0H to the end of line blanking.
        sync_edge_s, blanking_edge_s, picture_edge_s, burst_edge_s: rise times.
        equalising_halves, broad_halves: half lines of each run of pulses in the vertical interval.
        broad_from_half: half lines from the start of line 1 to the first broad pulse.
        vertical_sync_lines: length of a vertical sync that is not the standard's.
        blanked_halves_before, blanked_halves_after: half lines without picture before and after the start of line 1.
        nominal_mv, sync_mv: composite levels.
        hsync_polarity, vsync_polarity: of separate syncs.
        data_lines, pulse_lines: first and last line of a field that may carry data or pulses in the vertical interval;
            None where the system knows no such thing.
        data_hz: bit rate of the data.
        data_level: their ones, as a share of white.
        subcarrier_hz, burst_start_s, burst_cycles: the colour burst (start at half amplitude of its envelope); no
            colour where it is 0.
        burst_mv_pp: its size.
        u_per_b_y, v_per_r_y: reduction of the colour differences.
    """

    name: SystemName
    line_s: float
    lines: int
    lines_per_field: tuple[int, ...]
    sync_s: float
    front_porch_s: float
    blanking_end_s: float
    sync_edge_s: float
    blanking_edge_s: float
    picture_edge_s: float
    broad_from_half: int
    vertical_sync_lines: int
    blanked_halves_before: int
    blanked_halves_after: int
    nominal_mv: float
    sync_mv: float
    hsync_polarity: Polarity = "negative"
    vsync_polarity: Polarity = "negative"
    equalising_s: float = 0.0
    serration_s: float = 0.0
    equalising_halves: int = 0
    broad_halves: int = 0
    data_lines: tuple[int, int] | None = None
    pulse_lines: tuple[int, int] | None = None
    data_hz: float = 0.0
    data_level: float = 0.0
    subcarrier_hz: float = 0.0
    burst_edge_s: float = 0.0
    burst_start_s: float = 0.0
    burst_cycles: int = 0
    burst_mv_pp: float = 0.0
    u_per_b_y: float = 0.0
    v_per_r_y: float = 0.0

    @property
    def is_television(self) -> bool:
        """Whether it knows interlace, equalising pulses and colour."""
        return self.subcarrier_hz > 0

    @property
    def lead_s(self) -> float:
        """A line is cut this long before its 0H, in the middle of the front porch, where no edge lies."""
        return self.front_porch_s / 2


_FSC_525 = 5e6 * 63 / 88  # 170M 11.1

SUBCARRIER_CYCLES: dict[str, tuple[float, ...]] = {"525/60": (227.5, 228.0, 227 + 1 / 3), "625/50": (284.0,)}
"""Cycles of the subcarrier in a line that sources are known to have; 625/50's own 283.7516 is its line period."""

SYSTEM_525 = System(
    name="525/60",
    line_s=227.5 / _FSC_525,  # 170M 11.2
    lines=525,
    lines_per_field=(262, 263),
    sync_s=4.70e-6,  # 170M table 2
    equalising_s=2.30e-6,  # 170M table 2
    serration_s=4.70e-6,  # 170M table 2
    front_porch_s=1.50e-6,  # 170M table 2
    blanking_end_s=9.20e-6,  # 170M table 2
    sync_edge_s=140e-9,  # 170M 13.1, raised cosine preferred
    blanking_edge_s=140e-9,  # 170M table 2
    picture_edge_s=100e-9,  # practice: a little faster than the sync edges
    burst_edge_s=300e-9,  # 170M table 2
    equalising_halves=6,  # 170M figure 7: lines 1-3, 4-6, 7-9
    broad_halves=6,
    broad_from_half=6,
    vertical_sync_lines=3,
    data_lines=(10, 20),  # practice, as are all figures of the vertical interval's data and pulses
    pulse_lines=(12, 19),
    data_hz=8 / 5 * _FSC_525,
    data_level=0.7,
    blanked_halves_before=0,
    blanked_halves_after=40,  # 170M: 20 lines, picture from line 21
    subcarrier_hz=_FSC_525,
    burst_start_s=19 / _FSC_525,  # 170M table 2
    burst_cycles=9,  # 170M table 2
    nominal_mv=714.3,  # 170M table 1, 100 IRE of 1 V / 140
    sync_mv=285.7,  # 170M table 1, 40 IRE
    burst_mv_pp=285.7,  # 170M table 1, 40 IRE
    u_per_b_y=0.492111,  # 170M clause 10
    v_per_r_y=0.877283,  # 170M clause 10
)

SYSTEM_625 = System(
    name="625/50",
    line_s=64e-6,  # 1700
    lines=625,
    lines_per_field=(312, 313, 314),
    sync_s=4.7e-6,  # 1700
    equalising_s=2.35e-6,  # 1700
    serration_s=4.7e-6,  # 1700
    front_porch_s=1.5e-6,  # 470 table 1-1
    blanking_end_s=10.5e-6,  # 1700
    sync_edge_s=200e-9,  # 1700
    blanking_edge_s=300e-9,  # 1700
    picture_edge_s=100e-9,  # practice
    burst_edge_s=300e-9,  # practice; 1700 gives none
    equalising_halves=5,  # 1700: 2.5 H each
    broad_halves=5,
    broad_from_half=0,
    vertical_sync_lines=3,
    data_lines=(7, 22),  # practice, as in 525/60
    pulse_lines=(9, 18),
    data_hz=444 * 15625.0,
    data_level=0.66,
    blanked_halves_before=5,  # 1700: 25 H of field blanking, the first 2.5 H before line 1
    blanked_halves_after=45,
    subcarrier_hz=4_433_618.75,  # 1700
    burst_start_s=5.6e-6,  # 1700
    burst_cycles=10,  # 1700
    nominal_mv=700.0,  # 1700 table 2
    sync_mv=300.0,  # 1700
    burst_mv_pp=300.0,  # 1700
    u_per_b_y=0.493,  # 1700 item 9
    v_per_r_y=0.877,  # 1700 item 9
)


def _computer(
    name: SystemName,
    clock_hz: float,
    dots: tuple[int, int, int, int],
    lines: tuple[int, int, int, int],
    vsync_polarity: Polarity = "negative",
    hsync_polarity: Polarity = "negative",
) -> System:
    """A progressive raster from its dot clock; `dots` and `lines` are front porch, sync, back porch, picture.

    Logic edges and 700 mV are practice; line 1 is the first of vertical sync.
    """
    dot_s = 1 / clock_hz
    front, sync, back, _ = dots
    before, vertical, after, _ = lines
    return System(
        name=name,
        line_s=sum(dots) * dot_s,
        lines=sum(lines),
        lines_per_field=(sum(lines),),
        sync_s=sync * dot_s,
        front_porch_s=front * dot_s,
        blanking_end_s=(sync + back) * dot_s,
        sync_edge_s=20e-9,
        blanking_edge_s=20e-9,
        picture_edge_s=20e-9,
        broad_from_half=0,
        vertical_sync_lines=vertical,
        blanked_halves_before=2 * before,
        blanked_halves_after=2 * (vertical + after),
        nominal_mv=700.0,
        sync_mv=300.0,
        hsync_polarity=hsync_polarity,
        vsync_polarity=vsync_polarity,
        serration_s=sync * dot_s,
    )


COMPUTERS = (  # clocks and totals of 24k and 31k and the porches of 31k are published; other porches, 18k, 22k: practice
    _computer("24k", 21.0526e6, (64, 64, 80, 640), (7, 8, 25, 400)),
    _computer("31k", 25.175e6, (16, 96, 48, 640), (10, 2, 33, 480)),
    _computer("31k-70", 25.175e6, (16, 96, 48, 640), (12, 2, 35, 400), vsync_polarity="positive"),
    _computer("18k", 16.257e6, (9, 135, 18, 720), (0, 16, 4, 350), hsync_polarity="positive"),
    _computer("22k", 16.257e6, (16, 80, 8, 640), (0, 13, 1, 350), hsync_polarity="positive"),
)

SYSTEMS: dict[SystemName, System] = {system.name: system for system in (SYSTEM_525, SYSTEM_625, *COMPUTERS)}

LUMA_WEIGHTS = (0.299, 0.587, 0.114)
"""170M 6.1, 601 3.5.1."""
