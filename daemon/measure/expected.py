"""How well a level will be known on a channel as it is set now, before any picture is on it."""

from ...drivers.capture import Capture
from .budget import ASSUMED_GAIN, budget
from .calibrated import UNCALIBRATED, calibrations_in_force
from .levels import Levels
from .targets import Conditions
from .uncertainty import combined

USUAL_STATES = 256.0


def expected_u95_mv(
    level_mv: float, capture: Capture, conditions: Conditions, channel: str, *, blanking_mv: float, noise_mv: float
) -> float:
    """Two-sided 95 % half-width of a level on that channel of the capture, noise averaged out.

    The channel has to be in the capture and in the hookup.
    """
    in_force = calibrations_in_force(capture, conditions)
    record, clip = capture.channel(channel), in_force.conditions.hookup.of_channel(channel)
    if record is None or clip is None:
        raise ValueError(f"{channel} is not in capture and hookup")
    state_mv = abs(record.mv_per_code) * record.code_step * clip.probe_ratio
    full_scale_v = record.full_scale_v
    full_scale_mv = USUAL_STATES * state_mv if full_scale_v is None else full_scale_v * 1e3 * clip.probe_ratio
    levels = Levels(
        lsb_mv=state_mv,
        blanking_mv=blanking_mv,
        white_random_mv=0.0,
        noise_mv=noise_mv,
        blanking_noise_mv=noise_mv,
    )
    gain = conditions.gain_spec or capture.gain_spec or ASSUMED_GAIN
    calibrated = in_force.channels.get(channel, UNCALIBRATED)
    return combined(budget(level_mv, levels, clip, gain, full_scale_mv, 100.0, calibrated)).quantile(0.975)
