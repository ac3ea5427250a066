"""The `words` dialect: the tree of `preamble` for a converter of 12 bits, sent left-justified in words.

After the DHO800/DHO900 programming guide of April 2025: ten divisions, a screen of 1000 points, memory from a list and
answered like 1.000E+6, 7500 codes a division in WORD, offsets limited by the range, memory read only while stopped.
Not verified on an instrument: how BYTE is scaled with 12 bits; its upper 8 are sent.
"""

import math

from .dialect_preamble import PreambleFace
from .instrument import MAX_SAMPLES
from .kinds import Arguments
from .scpi import Block, ScpiError, nr3, number, only

DEPTHS = {"1K": 10**3, "10K": 10**4, "100K": 10**5, "1M": 10**6, "5M": 5 * 10**6, "10M": 10**7}
"""Those of the guide's list that are open to four channels."""

OFFSET_LIMITS_V = ((499.9e-6, 0.5), (65e-3, 1.0), (260e-3, 8.0), (2.65, 20.0), (math.inf, 100.0))
"""Up to which volts a division 0 V can be moved by how much."""


class WordsFace(PreambleFace):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-WORDS,SIM000001,1.0"
    divisions = 10
    bits = 12
    codes_per_div = 7500 / 256
    screen_points = 1000
    auto_points = 10_000
    zero = "0.000000E-12"

    def add_commands(self) -> None:
        """Enters the tree."""
        super().add_commands()
        scope = self.instrument

        def set_offset(channel: int, arguments: Arguments) -> None:
            settings = scope.channels[channel]
            volts_per_div = settings.volts_per_div / settings.probe
            limit = next(limit for up_to, limit in OFFSET_LIMITS_V if volts_per_div <= up_to) * settings.probe
            scope.set_channel(channel, position_div=number(arguments, -limit, limit) / settings.volts_per_div)

        self.table.add(
            "CHANnel<n>:OFFSet",
            lambda n, a: nr3(scope.channels[n].position_div * scope.channels[n].volts_per_div + 0.0),
            set_offset,
        )

    def depth(self, arguments: Arguments) -> int:
        """One of the list, as 10k or 1e4."""
        word = only(arguments).upper()
        samples = DEPTHS.get(word) or int(number(arguments, 1, MAX_SAMPLES))
        if samples not in DEPTHS.values():
            raise ScpiError(-222, f"Data out of range; {word}")
        return samples

    def said_depth(self, samples: int) -> str:
        """Like 1.000E+6."""
        mantissa, exponent = f"{samples:.3E}".split("E")
        return f"{mantissa}E+{int(exponent)}"

    def said(self, value: float) -> str:
        """Like -5.000000E-6."""
        if not math.isfinite(value):
            return nr3(value)
        mantissa, exponent = f"{value:.6E}".split("E")
        return f"{mantissa}E{int(exponent)}"

    def data(self) -> Block | None:
        """The block of the window; memory is not read while it is being filled."""
        scope = self.instrument
        if self._mode == "RAW" and (scope.running or scope.armed):
            raise ScpiError(-221, "Settings conflict; memory can be read only while stopped")
        return super().data()
