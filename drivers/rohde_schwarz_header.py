"""The data header of the DATA:HEADer dialect.

Source: RTB2000 user manual 1333.1611.02 (CHANnel:DATA:HEADer?).
"""

from .errors import ReplyError
from .records import record_points
from .replies import number

HEADER_FIELDS = 4


def read_header(text: str, *, where: str) -> int:
    """How many samples the data header `xstart,xstop,samples,values per sample` announces.

    Raises ReplyError, for pairs of extremes too.
    """
    fields = text.split(",")
    if len(fields) != HEADER_FIELDS:
        do = "check that the right instrument family is in use"
        raise ReplyError(f"a preamble (data header) of {len(fields)} fields, not {HEADER_FIELDS}", where=where, do=do)
    *_, values = (number(field, of="the data header", where=where) for field in fields)
    if values != 1.0:
        what = f"its record holds {values:g} values a sample, not one"
        raise ReplyError(what, where=where, do="switch envelope and peak detect off")
    return record_points(fields[2], of="the data header", where=where)
