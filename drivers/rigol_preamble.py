"""The preamble of ten fields that Rigol instruments send.

Source: MSO1000Z/DS1000Z and DHO800/DHO900 Programming Guides (:WAVeform:PREamble?). The first field, the form of the codes,
is not looked at: guides number the forms differently. In what form the preamble's scale is shows in yreference, the code of
the middle of the screen: 127 or 128 for bytes, 32768 for words.
"""

from functools import lru_cache

from .records import Scale, scale_of
from .ten_fields import ten_fields

LARGEST_BYTE = 255


@lru_cache(maxsize=16)
def read_preamble(text: str, *, where: str, seconds_per_sample: float = 0.0) -> Scale:
    """The preamble's scale.

    volts = (code - yorigin - yreference) yincrement, yorigin in codes; seconds = xorigin + (i - xreference) xincrement.
    `seconds_per_sample` serves where xincrement is printed as 0.000000. Raises ReplyError.
    """
    value = ten_fields(text, where=where)
    volts, seconds = value["yincrement"], value["xincrement"] or seconds_per_sample
    return scale_of(
        volts,
        -(value["yorigin"] + value["yreference"]) * volts,
        seconds,
        value["xorigin"] - value["xreference"] * seconds,
        where=where,
        bytes_per_code=1 if value["yreference"] <= LARGEST_BYTE else 2,
    )
