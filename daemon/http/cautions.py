"""What must be said before anybody clips a probe on: one text for the page and for stderr; the README has it in short."""

TITLE = "Before you clip on"

_TEXT = """
The scope's earth clip is mains earth. On a live or hot chassis it is a dead short: it can destroy unit and scope, and
it can kill. With the unit off, measure that its ground may be earthed; then connect the earth clip first, then the
probe, then switch on.

Never lift the scope's own earth: its case and every other clip would then stand at the voltage you probe. For
anything not referred to earth feed the unit, not the scope, from an isolation transformer, or use a differential
probe.

Isolation takes away the path to earth only. Two points touched at once still kill, the earth-leakage breaker no
longer helps, and the scope's clip earths the unit again.

A board inside a cabinet may share a chassis with a monitor that is live. Take the board out, or prove with a meter
that its ground is safe, before you clip anything to it.

Picture tubes carry tens of kilovolts and keep them after switching off; mains capacitors keep hundreds of volts. Stay
out of both unless you are trained for it: wait, discharge through a resistor made for it, check with a rated meter.

Change parts with the unit unplugged. Near live parts keep one hand away, wear no jewellery and no earthed wrist
strap, and do not work alone.
"""

CAUTIONS: tuple[str, ...] = tuple(" ".join(paragraph.split()) for paragraph in _TEXT.strip().split("\n\n"))

NOTE = (
    "Peakwhite measures low-voltage video outputs. It is no safety device: a level on target says nothing of electrical safety. "
    "Where the law keeps such work to licensed people and local codes say how it is done, they come first."
)


def cautions_for_terminal() -> str:
    """The cautions as lines for stderr."""
    return "\n".join(f"caution: {text}" for text in (*CAUTIONS, NOTE))
