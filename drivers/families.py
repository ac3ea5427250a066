"""Every family that Peakwhite knows, and which one an instrument belongs to."""

from difflib import get_close_matches

from .errors import UnknownInstrument, UsageError
from .family import Family
from .keysight_infiniivision import KEYSIGHT_INFINIIVISION
from .replies import short
from .rigol_1000z import RIGOL_1000Z
from .rigol_dho import RIGOL_DHO
from .rigol_mso5000 import RIGOL_MSO5000
from .rohde_schwarz_rtb import ROHDE_SCHWARZ_RTB
from .siglent_1000xe import SIGLENT_1000XE
from .siglent_2000xplus import SIGLENT_2000XPLUS
from .tektronix_mso import TEKTRONIX_MSO
from .tektronix_tds import TEKTRONIX_TDS

FAMILIES: tuple[Family, ...] = (
    *(TEKTRONIX_TDS, TEKTRONIX_MSO, RIGOL_1000Z, RIGOL_DHO, RIGOL_MSO5000),
    *(KEYSIGHT_INFINIIVISION, ROHDE_SCHWARZ_RTB),
    *(SIGLENT_1000XE, SIGLENT_2000XPLUS),
)


def family_of(identity: str, *, where: str) -> Family:
    """The family of the instrument that calls itself `identity`. Raises UnknownInstrument, which lists them all."""
    found = next((family for family in FAMILIES if family.knows(identity)), None)
    if found is None:
        raise UnknownInstrument(
            f"no driver knows '{short(identity)}'",
            where=where,
            do=f"supported families are {_names()}; if one of them speaks its dialect, force it "
            f'with --family NAME, or family = "NAME" under [scope] in the settings file',
        )
    return found


def family_named(name: str) -> Family:
    """The family of that name. Raises UsageError that names the nearest one."""
    found = next((family for family in FAMILIES if family.name == name), None)
    if found is None:
        near = get_close_matches(name, [family.name for family in FAMILIES], n=1, cutoff=0.0)[0]
        raise UsageError(
            f"there is no family '{name}'", where="family", do=f"the nearest is '{near}'; known are {_names()}"
        )
    return found


def _names() -> str:
    return ", ".join(family.name for family in FAMILIES)
