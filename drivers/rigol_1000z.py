"""DS1000Z and MSO1000Z series, and the simulated scope's `preamble`.

Source: MSO1000Z/DS1000Z Programming Guide; what is common with other series stands in `rigol.py`.

8 bits: a WORD holds no more than a BYTE here, so bytes are fetched. Codes 0 and 255 are taken as the rails.
Not verified on an instrument: the rails, and that :ACQuire:MDEPth is accepted only while running (it is set running),
and how long a record can last.
The preamble's count can stay 1200 in RAW mode: a block is checked against what :WAVeform:STARt and :STOP asked for.
While it runs only the 1200 points of its screen can be had.
"""

from .channel_counts import channel_count
from .family import Abilities, Family
from .identity import Identity
from .rigol import GAIN_SPEC, RigolDriver
from .rigol_tree import THIRD, tree_of, unsure_of

SCREEN_CODES = 8 * 25
"""Eight divisions of 25 codes."""
DEPTHS = (12_000, 120_000, 1_200_000, 12_000_000)
"""Memory with one channel on; half of it with two, a quarter with three or four."""


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits and 1 megohm. The guide's edge sources are the channels, digital lines and the mains: no EXT."""
    return Abilities(channel_count(identity, THIRD), 8, DEPTHS, GAIN_SPEC, video_trigger=True)


def _depth(points: int, channels_on: int) -> int:
    """The smallest memory that holds `points`, or the largest there is."""
    share = 1 if channels_on == 1 else 2 if channels_on == 2 else 4
    return next((depth // share for depth in DEPTHS if depth // share >= points), DEPTHS[-1] // share)


class Rigol1000Z(RigolDriver):
    """One instrument of the family."""

    tree = tree_of(divisions=12)
    abilities_of = staticmethod(abilities_of)
    screen_points = 1200
    screen_codes = SCREEN_CODES

    def _depth_for(self, points: int, channels_on: int) -> str:
        return str(_depth(points, channels_on))


RIGOL_1000Z = Family(
    name="rigol-1000z",
    series="DS1000Z and MSO1000Z series",
    identities=(r"RIGOL TECHNOLOGIES,(DS|MSO)1\d{3}Z", r"PEAKWHITE,SIM-PREAMBLE(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=Rigol1000Z,
    unsure_of=unsure_of,
)
