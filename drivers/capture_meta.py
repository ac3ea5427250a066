"""What stands beside the codes of a capture that is kept, as JSON of schema `peakwhite.capture/1`: `sources/npz_capture.py`
documents it."""

from dataclasses import asdict
from typing import Any

from .capture import Capture

SCHEMA = "peakwhite.capture/1"
PLAIN_FIELDS = (
    "identity", "captured_at_ns", "seconds_per_sample", "first_sample_s", "bandwidth_mhz", "triggered_by",
)  # fmt: skip
"""Fields of a capture that are one value each."""
OF_A_CHANNEL = (
    "name", "volts_per_code", "volts_at_code_zero", "low_rail_code", "high_rail_code", "code_step", "full_scale_v",
)  # fmt: skip
"""Fields of a channel but its codes."""


def meta_of(capture: Capture) -> dict[str, Any]:
    """All of a capture but its codes."""
    return {
        "schema": SCHEMA,
        **{name: getattr(capture, name) for name in PLAIN_FIELDS},
        "gain_spec": None if capture.gain_spec is None else asdict(capture.gain_spec),
        "channels": [{name: getattr(record, name) for name in OF_A_CHANNEL} for record in capture.channels],
    }
