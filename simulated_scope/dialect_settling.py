"""The `settling` dialect: the tree of `words` for a converter of 8 bits that is slow to come to rest.

After the MSO5000 programming guide (25 codes a division) and what its users report: mode and form are to be sent before every
read, and a question for the record right after the state became STOP gets no answer.
"""

from .dialect import State
from .dialect_words import WordsFace
from .scpi import Block

REST_S = 0.05
"""How long after STOP was told no record can be had; nothing by the fast clock."""


class SettlingFace(WordsFace):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-SETTLING,SIM000001,1.0"
    bits = 8
    codes_per_div = 25
    _told: State = "stopped"
    _told_at_s = 0.0

    def lagging_state(self) -> State:
        """The state that is told, and remembered."""
        state = super().lagging_state()
        if state != self._told:
            self._told, self._told_at_s = state, self.instrument.clock.now_s()
        return state

    def data(self) -> Block | None:
        """The block of the window, once; mode and form are then as at first."""
        clock = self.instrument.clock
        if self._told == "stopped" and clock.waits and clock.now_s() < self._told_at_s + REST_S:
            return None
        block = super().data()
        self._mode, self._format = "NORMal", "BYTE"
        return block
