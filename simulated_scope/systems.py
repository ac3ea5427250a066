"""Constants of the two television systems, each with its source.

Sources: 170M = SMPTE 170M-2004; 1700 = ITU-R BT.1700 (2005) Part B; 470 = ITU-R BT.470-6. Instants are seconds from 0H,
the half-amplitude point of the leading edge of line sync; edges are 10 to 90 %.
"""

from dataclasses import dataclass
from typing import Literal

SystemName = Literal["525/60", "625/50"]

RAISED_COSINE_10_90 = 0.5903344706
"""10-90 % time of a raised-cosine edge over its whole length: (arccos(-0.8) - arccos(0.8)) / pi."""

PICTURE_EDGE_S = 100e-9
"""Rise time inside the picture (practice: a little faster than the sync edges)."""

CHROMA_EDGE_S = 400e-9
"""Rise time of the colour-difference signals before modulation (practice: about 1.3 MHz of chroma bandwidth)."""


@dataclass(frozen=True)
class System:
    """Timing and levels of a system.

    Attributes:
        line_s: line period.
        sync_s, equalising_s, serration_s: widths at half amplitude.
        front_porch_s: from the start of line blanking to 0H.
        blanking_end_s: from 0H to the end of line blanking.
        sync_edge_s, blanking_edge_s, burst_edge_s: rise times.
        equalising_halves, broad_halves: half lines of each run of pulses in the vertical interval.
        broad_from_half: half lines from the start of line 1 to the first broad pulse.
        blanked_halves_before, blanked_halves_after: half lines without picture before and after the start of line 1.
        subcarrier_hz, burst_start_s, burst_cycles: the colour burst (start at half amplitude of its envelope).
        nominal_mv, sync_mv, burst_mv_pp: composite levels.
        u_per_b_y, v_per_r_y: reduction of the colour differences.
    """

    name: SystemName
    line_s: float
    lines: int
    sync_s: float
    equalising_s: float
    serration_s: float
    front_porch_s: float
    blanking_end_s: float
    sync_edge_s: float
    blanking_edge_s: float
    burst_edge_s: float
    equalising_halves: int
    broad_halves: int
    broad_from_half: int
    blanked_halves_before: int
    blanked_halves_after: int
    subcarrier_hz: float
    burst_start_s: float
    burst_cycles: int
    nominal_mv: float
    sync_mv: float
    burst_mv_pp: float
    u_per_b_y: float
    v_per_r_y: float

    @property
    def lines_per_field(self) -> tuple[int, int]:
        """What a progressive source of this system may have."""
        return self.lines // 2, self.lines // 2 + 1


_FSC_525 = 5e6 * 63 / 88  # 170M 11.1

SYSTEM_525 = System(
    name="525/60",
    line_s=227.5 / _FSC_525,  # 170M 11.2
    lines=525,
    sync_s=4.70e-6,  # 170M table 2
    equalising_s=2.30e-6,  # 170M table 2
    serration_s=4.70e-6,  # 170M table 2
    front_porch_s=1.50e-6,  # 170M table 2
    blanking_end_s=9.20e-6,  # 170M table 2
    sync_edge_s=140e-9,  # 170M 13.1, raised cosine preferred
    blanking_edge_s=140e-9,  # 170M table 2
    burst_edge_s=300e-9,  # 170M table 2
    equalising_halves=6,  # 170M figure 7: lines 1-3, 4-6, 7-9
    broad_halves=6,
    broad_from_half=6,
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
    sync_s=4.7e-6,  # 1700
    equalising_s=2.35e-6,  # 1700
    serration_s=4.7e-6,  # 1700
    front_porch_s=1.5e-6,  # 470 table 1-1
    blanking_end_s=10.5e-6,  # 1700
    sync_edge_s=200e-9,  # 1700
    blanking_edge_s=300e-9,  # 1700
    burst_edge_s=300e-9,  # practice; 1700 gives none
    equalising_halves=5,  # 1700: 2.5 H each
    broad_halves=5,
    broad_from_half=0,
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

SYSTEMS: dict[SystemName, System] = {system.name: system for system in (SYSTEM_525, SYSTEM_625)}

LUMA_WEIGHTS = (0.299, 0.587, 0.114)
"""170M 6.1, 601 3.5.1."""
