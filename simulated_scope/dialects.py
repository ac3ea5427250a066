"""Every dialect by its name."""

from .dialect import Dialect
from .dialect_curve import CurveFace
from .dialect_descriptor import DescriptorFace
from .dialect_header import HeaderFace
from .dialect_outgoing import OutgoingFace
from .dialect_preamble import PreambleFace
from .dialect_register import RegisterFace
from .dialect_settling import SettlingFace
from .dialect_sparsed import SparsedFace
from .dialect_words import WordsFace

DIALECTS: dict[str, type[Dialect]] = {
    "curve": CurveFace,
    "outgoing": OutgoingFace,
    "preamble": PreambleFace,
    "words": WordsFace,
    "settling": SettlingFace,
    "register": RegisterFace,
    "header": HeaderFace,
    "sparsed": SparsedFace,
    "descriptor": DescriptorFace,
}
