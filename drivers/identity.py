"""What an instrument says of itself: the four fields of IEEE 488.2 `*IDN?`, and the options of `*OPT?`."""

from dataclasses import dataclass

SIMULATED = "PEAKWHITE"
"""The maker that Peakwhite's own simulated scope names."""


@dataclass(frozen=True)
class Identity:
    """An answer to `*IDN?` as it came. Fields that it lacks are empty.

    Attributes:
        options: that the instrument has, where its family can be asked.
        answered: of the questions that not every model answers those that this one did.
    """

    text: str
    options: tuple[str, ...] = ()
    answered: frozenset[str] = frozenset()

    @property
    def maker(self) -> str:
        """The first field."""
        return self._field(0)

    @property
    def model(self) -> str:
        """The second field, or the whole where there is but one."""
        return self._field(1) if "," in self.text else self.text.strip()

    @property
    def serial(self) -> str:
        """The third field."""
        return self._field(2)

    @property
    def firmware(self) -> str:
        """The fourth field and all that follows."""
        return self._field(3)

    @property
    def is_simulated(self) -> bool:
        """Whether it is Peakwhite's own simulated scope."""
        return self.maker == SIMULATED

    def _field(self, index: int) -> str:
        fields = self.text.split(",", 3)
        return fields[index].strip() if index < len(fields) else ""


def options_in(reply: str) -> tuple[str, ...]:
    """The options in an answer to `*OPT?`: separated by commas, quoted or not; `0` stands for none (488.2 10.20)."""
    named = (part.strip().strip('"').strip() for part in reply.strip().strip('"').split(","))
    return tuple(name for name in named if name not in ("", "0"))
