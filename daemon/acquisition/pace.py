"""When to begin the next capture, and when to try a lost scope again."""

from ...drivers.errors import InstrumentError, LinkTimeout, UnknownInstrument

RETRY_S = 0.5
"""Between attempts to reach a scope that is not there, ± RETRY_SPREAD, for ever."""
SLOW_RETRY_S = 5.0
"""Between attempts at an instrument that answers but is none that we know."""
RETRY_SPREAD = 0.2
USB_REST_S = 5.0
"""At least so long a USB scope is left alone after a time-out: asked again sooner, some hang until they are switched off."""


PACE_SPREAD = 0.25
"""Part of the interval by which one is longer or shorter. Without it captures run in step with the fields of the picture, at
20 or 30 a second above all, and catch the same lines for seconds: those of the vertical interval too."""


class Pace:
    """Spaces captures by `rate_hz` on average. What comes late is not made up for: there is never a burst."""

    def __init__(self) -> None:
        self._due_s = 0.0

    def delay_s(self, now_s: float, rate_hz: float, uniform: float) -> float:
        """Seconds to wait before the next capture begins, seen from the end of the last; spread by `uniform` (0 to 1)."""
        interval_s = (1.0 + PACE_SPREAD * (2.0 * uniform - 1.0)) / rate_hz
        self._due_s = max(self._due_s + interval_s, now_s)
        return self._due_s - now_s


def rest_s(error: InstrumentError) -> float:
    """So long the scope has to be left alone after that."""
    return USB_REST_S if isinstance(error, LinkTimeout) and error.where.upper().startswith("USB") else 0.0


def retry_delay_s(error: InstrumentError, uniform: float) -> float:
    """Seconds until the next attempt, spread by `uniform` (0 to 1) so that many daemons do not ask in step."""
    if rest_s(error) > 0.0:
        return rest_s(error) * (1.0 + RETRY_SPREAD * uniform)
    base_s = SLOW_RETRY_S if isinstance(error, UnknownInstrument) else RETRY_S
    return base_s * (1.0 + RETRY_SPREAD * (2.0 * uniform - 1.0))
