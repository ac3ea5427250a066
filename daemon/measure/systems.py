"""Line systems: what a line rate alone tells, and where lines, clamps and pictures lie in time."""

from dataclasses import dataclass


@dataclass(frozen=True)
class LineSystem:
    """Nominal timing of one family of line rates. Times count from the leading edge of line sync (0H), at half depth.

    Attributes:
        name: as a reading calls it; None where the rate belongs to no family that Peakwhite knows.
        blanking_end_us: where active video may begin.
        front_porch_us: how long before the next 0H it has ended.
        subcarrier_hz: colour subcarrier, None where there is none.
        burst_us: the middle of the burst, from and to, clear of its rise and fall.
        first_picture_line_h: lines from the start of the broad pulses to the first picture line.
        before_broad_h: lines between the start of vertical blanking and the broad pulses.
    """

    name: str | None
    blanking_end_us: float
    front_porch_us: float
    subcarrier_hz: float | None = None
    burst_us: tuple[float, float] | None = None
    first_picture_line_h: float = 17.0
    before_broad_h: float = 3.0


SYSTEM_525 = LineSystem("525/60", 9.2, 1.5, 315e6 / 88.0, (5.9, 7.4), 17.0, 3.0)
"""SMPTE 170M-2004 table 2 and figure 7: blanking ends 9.2 us after 0H, front porch 1.5 us, burst 5.308 us after 0H for
2.514 us, picture from line 21, broad pulses from line 4. Subcarrier 5 MHz x 63/88."""

SYSTEM_625 = LineSystem("625/50", 10.5, 1.5, 4_433_618.75, (6.1, 7.5), 22.5, 2.5)
"""ITU-R BT.1700 Part B and BT.470-6 tables 1-1 and 1-2: 10.5 us, 1.5 us, burst 5.6 us after 0H for 2.25 us, picture
from line 23, broad pulses from line 1."""


def system_of(line_period_us: float) -> LineSystem:
    """The family of a line period.

    15 700 to 15 746 Hz occur on 525-line units and 15 611 to 15 625 Hz on 625-line ones (standards.md 1.4); the limits
    here add 0.1 % for a scope's time base. Anything else is unknown and takes blanking in the
    proportions of a 31 kHz 640 x 480 line: until 5.720 us after 0H of 31.778, from 0.636 us before (monitor manual).
    """
    rate_hz = 1e6 / line_period_us
    if 15_684.0 <= rate_hz <= 15_762.0:
        return SYSTEM_525
    if 15_595.0 <= rate_hz <= 15_641.0:
        return SYSTEM_625
    return LineSystem(None, 0.18 * line_period_us, 0.02 * line_period_us)
