"""DHO800 and DHO900 series, and the simulated scope's `words`.

Source: DHO800/DHO900 Programming Guide, April 2025; what is common with other series stands in `rigol.py`.

12 bits: codes are fetched as WORD, left-justified in 16 bits, the low byte first. The code of 0 V differs between BYTE and
WORD, so that the preamble is read after the form is set, for every channel. Its numbers can all be printed as floats. The
guide warns to operate nothing while memory is read: between the pieces of a record only its form and window are set.
Not verified on an instrument: the rails; that a volt a division is 7500 codes in RAW mode as in NORMAL (only the full scale
follows from it, volts are the preamble's); which of the deepest memories a model has with how many channels on (what it
refuses is raised with its own words, and what it then has is read back); the most that one read gives.
"""

from .channel_counts import channel_count
from .family import Abilities, Family
from .identity import Identity
from .rigol import GAIN_SPEC, RigolDriver
from .rigol_tree import THIRD, tree_of, unsure_of

DEPTHS = {"1k": 1_000, "10k": 10_000, "100k": 100_000, "1M": 1_000_000, "5M": 5_000_000, "10M": 10_000_000}
"""Those of the guide's list that every model can be expected to have; 25M and 50M are for few channels."""


def abilities_of(identity: Identity) -> Abilities:
    """Of 12 bits and 1 megohm: the guide has no command for the impedance, and no EXT among what was read of it."""
    return Abilities(channel_count(identity, THIRD), 12, tuple(DEPTHS.values()), GAIN_SPEC, video_trigger=True)


class RigolDho(RigolDriver):
    """One instrument of the family."""

    tree = tree_of(divisions=10)
    abilities_of = staticmethod(abilities_of)
    screen_points = 1000
    form = "WORD"
    screen_codes = 8 * 7500
    depths = DEPTHS
    forgets_form = True


RIGOL_DHO = Family(
    name="rigol-dho",
    series="DHO800 and DHO900 series",
    identities=(r"RIGOL TECHNOLOGIES,DHO[89]\d\d", r"PEAKWHITE,SIM-WORDS(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=RigolDho,
    unsure_of=unsure_of,
)
