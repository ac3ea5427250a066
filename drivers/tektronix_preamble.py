"""The preamble of the DATa/CURVe dialect. Its fields differ in order between models: they are read by name.

Source: programmer manuals 071-1075 and 077-0444 (WFMPre) and those of the MDO4000B (WFMOutpre).
"""

from functools import lru_cache

from .errors import ReplyError
from .records import Scale, scale_of
from .replies import named_fields, named_number


@lru_cache(maxsize=16)
def read_preamble(text: str, *, where: str) -> Scale:
    """The preamble from a reply with headers on. volts = (code - YOFF) YMULT + YZERO; seconds = XZERO + XINCR (i - PT_OFF).

    Raises ReplyError if a field is missing or no number, or if the record is one of extremes (peak detect).
    """
    named = named_fields(text)

    def value(*names: str) -> float:
        return named_number(named, names, where=where)

    if named.get("PT_FMT", "Y").upper() != "Y":
        raise ReplyError("its record holds pairs of extremes", where=where, do="switch peak detect off")
    volts, seconds = value("YMULT", "YMU"), value("XINCR", "XIN")
    zero_v = value("YZERO", "YZE") - value("YOFF", "YOF") * volts
    first_s = value("XZERO", "XZE") - value("PT_OFF") * seconds
    points, width = int(value("NR_PT")), int(value("BYT_NR"))
    return scale_of(volts, zero_v, seconds, first_s, where=where, points=points, bytes_per_code=width)
