"""The preamble of ten fields that Rigol instruments send.

Source: MSO1000Z/DS1000Z and DHO800/DHO900 Programming Guides (:WAVeform:PREamble?). The first field, the form of the codes,
is not looked at: guides number the forms differently. In what form the preamble's scale is shows in yreference, the code of
the middle of the screen: 127 or 128 for bytes, 32768 for words.
"""

from .errors import ReplyError
from .records import Scale, scale_of
from .replies import number

FIELDS = (
    *("format", "type", "points", "count", "xincrement", "xorigin", "xreference"),
    *("yincrement", "yorigin", "yreference"),
)
LARGEST_BYTE = 255


def read_preamble(text: str, *, where: str, seconds_per_sample: float = 0.0) -> Scale:
    """The preamble's scale.

    volts = (code - yorigin - yreference) yincrement, yorigin in codes; seconds = xorigin + (i - xreference) xincrement.
    `seconds_per_sample` serves where xincrement is printed as 0.000000. Raises ReplyError.
    """
    fields = text.split(",")
    if len(fields) != len(FIELDS):
        do = "check that the right instrument family is in use"
        raise ReplyError(f"a preamble of {len(fields)} fields, not {len(FIELDS)}", where=where, do=do)
    value = {name: number(field, of=name, where=where) for name, field in zip(FIELDS, fields, strict=True)}
    volts, seconds = value["yincrement"], value["xincrement"] or seconds_per_sample
    return scale_of(
        volts,
        -(value["yorigin"] + value["yreference"]) * volts,
        seconds,
        value["xorigin"] - value["xreference"] * seconds,
        where=where,
        bytes_per_code=1 if value["yreference"] <= LARGEST_BYTE else 2,
    )
