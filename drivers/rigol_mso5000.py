"""MSO5000 series, and the simulated scope's `settling`.

Source: MSO5000 Programming Guide (:WAVeform), its maker's advice that :WAVeform:MODE and :FORMat go before every read, and a
public report that a :WAVeform:DATA? right after the state became STOP can hang the instrument: 0.1 s pass between them.
What is common with other series stands in `rigol.py`. :SINGle itself can take several 100 ms.

8 bits, 25 codes a division. Not verified on an instrument: the rails, the list of memories (from memory, without the deepest:
what is refused is raised, and what it then has is read back), the most that one read gives.
"""

from .channel_counts import channel_count
from .family import Abilities, Family
from .identity import Identity
from .rigol import GAIN_SPEC, RigolDriver
from .rigol_tree import THIRD, tree_of, unsure_of

DEPTHS = {"1k": 1_000, "10k": 10_000, "100k": 100_000, "1M": 1_000_000, "10M": 10_000_000}


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits and 1 megohm. EXT is not taken to be there, as nothing was read of it."""
    return Abilities(channel_count(identity, THIRD), 8, tuple(DEPTHS.values()), GAIN_SPEC, video_trigger=True)


class RigolMso5000(RigolDriver):
    """One instrument of the family."""

    tree = tree_of(divisions=10)
    abilities_of = staticmethod(abilities_of)
    screen_points = 1000
    screen_codes = 8 * 25
    depths = DEPTHS
    settling_s = 0.1
    forgets_form = True


RIGOL_MSO5000 = Family(
    name="rigol-mso5000",
    series="MSO5000 series",
    identities=(r"RIGOL TECHNOLOGIES,MSO5\d{3}", r"PEAKWHITE,SIM-SETTLING(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=RigolMso5000,
    unsure_of=unsure_of,
)
