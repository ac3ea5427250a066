"""The scope's input: load, probe, range, position, coupling, bandwidth limit, errors and noise."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from .settings import BadSetting, Check, changed, integer, number, one_of, or_null
from .unit import ROLES, Role, Unit

CHANNELS = (1, 2, 3, 4)
SCOPE_INPUT_OHM, FIFTY_OHM = 1e6, 50.0
BANDWIDTH_LIMIT_HZ = 20e6
AC_COUPLING_S = 16e-3
"""Time constant of the scope's AC coupling: about 10 Hz (practice)."""

NOISE_DIVISIONS = 0.025
"""Noise of the input, rms, where none is set: 5 mV at 0.2 V a division, 0.6 LSB of 8 bits at 25 codes a division."""

Termination = bool | Literal["double", "fifty-ohm"]
Coupling = Literal["DC", "AC", "GND"]


@dataclass(frozen=True)
class InputFault:
    """What is wrong with one input, hidden from SCPI. See control.py for every key."""

    gain_error_pct: float = 0.0
    offset_error_mv: float = 0.0
    inl_lsb: float = 0.0
    inl_seed: int = 0
    probe_ratio: float = 1.0
    compensation_pct: float = 0.0
    compensation_tau_us: float = 20.0
    terminated: Termination | None = None
    clipped_to: Role | None = None


@dataclass(frozen=True)
class Front:
    """All that the bench adds: loads, errors, noise. See control.py for every key."""

    terminated: Termination = True
    noise_mv_rms: float | None = None
    noise_band_mhz: float | None = None
    timebase_error_ppm: float = 0.0
    CH1: InputFault = field(default_factory=InputFault)
    CH2: InputFault = field(default_factory=InputFault)
    CH3: InputFault = field(default_factory=InputFault)
    CH4: InputFault = field(default_factory=InputFault)

    def input(self, channel: int) -> InputFault:
        """What is wrong with a channel's input."""
        return (self.CH1, self.CH2, self.CH3, self.CH4)[channel - 1]

    def load_ohm(self, channel: int, input_ohm: float = SCOPE_INPUT_OHM) -> float:
        """What the signal sees: terminators in parallel with the scope's input."""
        own = self.input(channel).terminated
        terminated = self.terminated if own is None else own
        if terminated is False:
            return input_ohm
        terminator = {True: 75.0, "double": 37.5, "fifty-ohm": 50.0}[terminated]
        return terminator * input_ohm / (terminator + input_ohm)

    def load_factor(self, unit: Unit, role: Role, channel: int, input_ohm: float = SCOPE_INPUT_OHM) -> float:
        """Level at the connector over the signal's own reckoning: into 75 ohm, of logic levels open-circuit."""
        load = self.load_ohm(channel, input_ohm)
        return unit.open_circuit(role) * load / (load + unit.source_ohm_of(role))

    @property
    def true_seconds(self) -> float:
        """What really passes while the time base counts a second."""
        return 1 / (1 + self.timebase_error_ppm * 1e-6)


@dataclass(frozen=True)
class ChannelSettings:
    """What SCPI sets on one channel. Volts are at the probe tip.

    Attributes:
        position_div: divisions that 0 V lies above the middle of the screen.
        probe: the ratio the scope is told.
        fifty_ohm: the input is one of 50 ohm, not of 1 megohm.
    """

    on: bool = False
    volts_per_div: float = 1.0
    position_div: float = 0.0
    coupling: Coupling = "DC"
    bandwidth_limited: bool = False
    probe: float = 1.0
    inverted: bool = False
    fifty_ohm: bool = False

    @property
    def input_ohm(self) -> float:
        """The input's own resistance."""
        return FIFTY_OHM if self.fifty_ohm else SCOPE_INPUT_OHM


_TERMINATION = one_of(True, False, "double", "fifty-ohm")

INPUT_CHECKS: dict[str, Check] = {
    "gain_error_pct": number(-50, 50),
    "offset_error_mv": number(-1000, 1000),
    "inl_lsb": number(0, 100),
    "inl_seed": integer(0, 2**31),
    "probe_ratio": number(0.1, 1000),
    "compensation_pct": number(-50, 50),
    "compensation_tau_us": number(0.2, 200),
    "terminated": or_null(_TERMINATION),
    "clipped_to": or_null(one_of(*ROLES)),
}
FRONT_CHECKS: Mapping[str, Check] = {
    "terminated": _TERMINATION,
    "noise_mv_rms": or_null(number(0, 1000)),
    "noise_band_mhz": or_null(number(0.1, 500)),
    "timebase_error_ppm": number(-1000, 1000),
}


def changed_front(front: Front, values: object) -> Front:
    """The front end with the values of a "front" object in place.

    Raises:
        BadSetting: an unknown key or a value that is not allowed.
    """
    if not isinstance(values, dict):
        raise BadSetting("front takes an object of settings.")
    names = [f"CH{channel}" for channel in CHANNELS]
    inputs = {
        name: changed(front.input(channel), values[name], INPUT_CHECKS, f"front.{name}")
        for channel, name in zip(CHANNELS, names, strict=True)
        if name in values
    }
    others = {key: value for key, value in values.items() if key not in inputs}
    unknown = [key for key in others if key not in FRONT_CHECKS]
    if unknown:
        known = ", ".join([*FRONT_CHECKS, *names])
        raise BadSetting(f'front has no setting "{unknown[0]}"; there are {known}.')
    return replace(changed(front, others, FRONT_CHECKS, "front"), **inputs)  # type: ignore[arg-type]
