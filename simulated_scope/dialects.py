"""Every dialect by its name."""

from .dialect import Dialect
from .dialect_curve import CurveFace
from .dialect_preamble import PreambleFace

DIALECTS: dict[str, type[Dialect]] = {"curve": CurveFace, "preamble": PreambleFace}
