"""Codes of the converter as blocks bear them."""

import numpy as np

from .adc import RawCodes


def encoded(
    raw: RawCodes, *, width: int, signed: bool = False, big_endian: bool = False, justified: bool = True
) -> bytes:
    """The codes in bytes (width 1) or words (2).

    A byte holds the upper 8 bits. A word is left-justified where more bits than 8 are real, and for 8 bits too if
    `justified`; else their upper byte is 0. Signed codes have the middle of the screen at 0.
    """
    wide = raw.dtype == np.uint16
    if width == 1:
        byte = (raw >> 4).astype(np.uint8) if wide else raw
        return (byte ^ np.uint8(0x80) if signed else byte).tobytes()
    word = raw.astype(np.uint16) << (4 if wide else 8 if justified else 0)
    if signed:
        word ^= np.uint16(0x8000)
    return word.astype(">u2" if big_endian else "<u2").tobytes()
