"""The preamble of ten fields that InfiniiVision instruments send; the origin of volts is in volts.

Source: 2000X programmer's guide (:WAVeform:PREamble?, :WAVeform:TYPE, :WAVeform:UNSigned).
"""

from functools import lru_cache

from .errors import ReplyError
from .records import Scale, record_points, scale_of
from .ten_fields import ten_fields


@lru_cache(maxsize=16)
def read_preamble(text: str, *, where: str) -> Scale:
    """The preamble's scale, with points and bytes per code.

    volts = (code - yreference) yincrement + yorigin, yorigin in volts; seconds = xorigin + (i - xreference) xincrement.
    The reference of an unsigned code is its middle. Raises ReplyError, for signed codes and pairs of extremes too.
    """
    value = ten_fields(text, where=where)
    width = 1 if value["format"] == 0.0 else 2
    if value["yreference"] != 128 << 8 * (width - 1):
        raise ReplyError(f"codes around {value['yreference']:g}, not unsigned", where=where, do="capture again")
    if value["type"] == 1.0:
        raise ReplyError("its record holds pairs of extremes", where=where, do="switch peak detect off")
    volts, seconds = value["yincrement"], value["xincrement"]
    zero_v, first_s = value["yorigin"] - value["yreference"] * volts, value["xorigin"] - value["xreference"] * seconds
    points = record_points(text.split(",")[2], of="points", where=where)
    return scale_of(volts, zero_v, seconds, first_s, where=where, points=points, bytes_per_code=width)
