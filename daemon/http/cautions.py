"""What must be said before anybody clips a probe on: one text for the page, for stderr and, in short, for the README."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One danger: a heading and what to do about it."""

    title: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "The scope's earth clip is mains earth",
        "Clipped to a live or hot chassis it is a dead short: it can destroy unit and scope and it can kill. With the unit off, "
        "measure that its ground is earth-free or earthed, then connect the earth clip first, then the probe, then switch on.",
    ),
    Caution(
        "Never lift the scope's earth",
        "A cut earth pin puts the scope's case and every other clip on the voltage you probe. For anything not referred to earth "
        "feed the unit, not the scope, from an isolation transformer, or use a differential probe. Isolation takes away the path "
        "to earth only: two points touched at once still kill, the earth-leakage breaker no longer helps, and the scope's clip "
        "earths the unit again.",
    ),
    Caution(
        "A board in a cabinet may share a live chassis",
        "A monitor inside the same cabinet can have a chassis on mains, and the board's ground may be joined to it. Take the board "
        "out or prove with a meter that its ground is safe before you clip anything to it.",
    ),
    Caution(
        "Mains and picture-tube voltages",
        "Picture tubes carry tens of kilovolts and keep them after switching off; mains capacitors keep hundreds of volts. Stay "
        "out of both unless you are trained for them: wait, discharge through a resistor made for it, and check with a rated meter.",
    ),
    Caution(
        "Change parts with the unit off",
        "Unplug before changing a resistor or terminator, keep one hand away near live parts, wear no jewellery, do not work "
        "alone. An earthed wrist strap belongs on dead boards only.",
    ),
    Caution(
        "This is no safety device",
        "Peakwhite measures low-voltage video outputs. A level on target says nothing of electrical safety. Where the law keeps "
        "such work to licensed people, and where local codes say how it is done, they come first.",
    ),
)


def cautions_in_short() -> str:
    """The cautions as lines for a terminal."""
    return "\n".join(f"caution: {caution.title}. {caution.text}" for caution in CAUTIONS)
