"""What every capture file has to keep to, and how the readers say that one does not."""

import math
from pathlib import Path

from ...drivers.capture import Capture, ChannelRecord
from ...drivers.errors import UnreadableInput

MOST_CHANNELS = 64
MOST_VALUES = 200_000_000
MOST_BYTES = 4 << 30
LONGEST_NAME = 64
MOST_VOLTS = 1e6
SMALLEST_STEP_V = 1e-15
SHORTEST_SAMPLE_S, LONGEST_SAMPLE_S = 1e-15, 1e3
MOST_CODE = 65_536
LATEST_NS = (1 << 63) - 1


def unreadable(path: Path, what: str, do: str) -> UnreadableInput:
    """The error of a file that cannot be read as a capture."""
    return UnreadableInput(what, where=str(path), do=do)


def shown(text: str, longest: int = 24) -> str:
    """A piece of a foreign file as an error message may show it: short, printable, on one line."""
    clean = "".join(char if char.isprintable() else "?" for char in text[: longest + 1000].strip())
    return f"'{clean}'" if len(clean) <= longest else f"'{clean[:longest]}…'"


def fault_of_counts(channels: int, samples: int) -> str | None:
    """Why a file cannot hold so much, or None where it can."""
    if channels > MOST_CHANNELS:
        return f"it has {channels:,} channels where {MOST_CHANNELS} are the most"
    if channels * samples > MOST_VALUES:
        return f"it has {channels * samples:,} values where {MOST_VALUES:,} are the most"
    return None


def fault_of_name(name: str) -> str | None:
    """Why `name` cannot be the name of a channel, or None where it can."""
    if not name.strip():
        return "has no name"
    if name != name.strip():
        return "has a name with blanks around it"
    if len(name) > LONGEST_NAME:
        return f"has a name longer than {LONGEST_NAME} characters"
    if not name.isprintable():
        return "has a name that cannot be printed"
    return None


def fault_of_capture(capture: Capture) -> str | None:
    """Why `capture` cannot be kept in a file, or None where it can."""
    if fault := fault_of_counts(len(capture.channels), capture.samples):
        return fault
    if not SHORTEST_SAMPLE_S <= capture.seconds_per_sample <= LONGEST_SAMPLE_S:
        return f"{capture.seconds_per_sample:g} s a sample cannot be"
    if not 0 <= capture.captured_at_ns <= LATEST_NS:
        return "its time of capture cannot be"
    if capture.gain_spec is not None and not 0.0 <= capture.gain_spec.pct <= 100.0:
        return f"a gain specification of {capture.gain_spec.pct:g} % cannot be"
    if capture.bandwidth_mhz is not None and not 0.0 < capture.bandwidth_mhz < math.inf:
        return f"a bandwidth of {capture.bandwidth_mhz:g} MHz cannot be"
    for number, record in enumerate(capture.channels, start=1):
        if fault := fault_of_name(record.name) or _fault_of_scale(record):
            return f"channel {number} {fault}"
    return None


def _fault_of_scale(record: ChannelRecord) -> str | None:
    if not SMALLEST_STEP_V <= abs(record.volts_per_code) <= MOST_VOLTS or abs(record.volts_at_code_zero) > MOST_VOLTS:
        return "has a scale that cannot be"
    if record.full_scale_v is not None and not 0.0 < record.full_scale_v <= MOST_VOLTS:
        return "has a full scale that cannot be"
    rails = [rail for rail in (record.low_rail_code, record.high_rail_code) if rail is not None]
    if any(abs(rail) > MOST_CODE for rail in rails) or not 1 <= record.code_step <= MOST_CODE:
        return "has rail codes or a code step that cannot be"
    return None
