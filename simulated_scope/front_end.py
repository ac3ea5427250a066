"""The scope's input: load, probe, range, position, coupling, bandwidth limit, errors and noise."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from .settings import BadSetting, Check, changed, number, one_of, or_null
from .unit import TTL_SOURCE_OHM, Role, Unit

CHANNELS = (1, 2, 3, 4)
SCOPE_INPUT_OHM = 1e6
NOMINAL_LOAD_OHM = 75.0
BANDWIDTH_LIMIT_HZ = 20e6
AC_COUPLING_S = 16e-3
"""Time constant of the scope's AC coupling: about 10 Hz (practice)."""

NOISE_DIVISIONS = 0.025
"""Noise of the input, rms, where none is set: 5 mV at 0.2 V a division, 0.6 LSB of 8 bits at 25 codes a division."""

Termination = bool | Literal["double", "fifty-ohm"]
Coupling = Literal["DC", "AC", "GND"]


@dataclass(frozen=True)
class InputFault:
    """What is wrong with one input, hidden from SCPI.

    Attributes:
        gain_error_pct, offset_error_mv: at the probe tip.
        probe_ratio: the probe that really is there; the scope is told another by SCPI.
        terminated: null: as the front end.
    """

    gain_error_pct: float = 0.0
    offset_error_mv: float = 0.0
    probe_ratio: float = 1.0
    terminated: Termination | None = None


@dataclass(frozen=True)
class Front:
    """All that the bench adds: loads, errors, noise (mV rms at the scope's input in whatever band is in force)."""

    terminated: Termination = True
    noise_mv_rms: float | None = None
    CH1: InputFault = field(default_factory=InputFault)
    CH2: InputFault = field(default_factory=InputFault)
    CH3: InputFault = field(default_factory=InputFault)
    CH4: InputFault = field(default_factory=InputFault)

    def input(self, channel: int) -> InputFault:
        """What is wrong with a channel's input."""
        return (self.CH1, self.CH2, self.CH3, self.CH4)[channel - 1]

    def load_ohm(self, channel: int) -> float:
        """What the signal sees: terminators in parallel with the scope's megohm."""
        own = self.input(channel).terminated
        terminated = self.terminated if own is None else own
        if terminated is False:
            return SCOPE_INPUT_OHM
        terminator = {True: 75.0, "double": 37.5, "fifty-ohm": 50.0}[terminated]
        return terminator * SCOPE_INPUT_OHM / (terminator + SCOPE_INPUT_OHM)

    def load_factor(self, unit: Unit, role: Role, channel: int) -> float:
        """Level at the connector over the signal's own reckoning: into 75 ohm, for TTL open-circuit."""
        load = self.load_ohm(channel)
        if unit.is_ttl(role):
            return load / (load + TTL_SOURCE_OHM)
        open_circuit = (unit.source_ohm + NOMINAL_LOAD_OHM) / NOMINAL_LOAD_OHM
        return open_circuit * load / (load + unit.source_ohm)


@dataclass(frozen=True)
class ChannelSettings:
    """What SCPI sets on one channel. Volts are at the probe tip.

    Attributes:
        position_div: divisions that 0 V lies above the middle of the screen.
        probe: the ratio the scope is told.
    """

    on: bool = False
    volts_per_div: float = 1.0
    position_div: float = 0.0
    coupling: Coupling = "DC"
    bandwidth_limited: bool = False
    probe: float = 1.0
    inverted: bool = False


_TERMINATION = one_of(True, False, "double", "fifty-ohm")

_INPUT_CHECKS: dict[str, Check] = {
    "gain_error_pct": number(-50, 50),
    "offset_error_mv": number(-1000, 1000),
    "probe_ratio": number(0.1, 1000),
    "terminated": or_null(_TERMINATION),
}
_FRONT_CHECKS: Mapping[str, Check] = {"terminated": _TERMINATION, "noise_mv_rms": or_null(number(0, 1000))}


def changed_front(front: Front, values: object) -> Front:
    """The front end with the values of a "front" object in place.

    Raises:
        BadSetting: an unknown key or a value that is not allowed.
    """
    if not isinstance(values, dict):
        raise BadSetting("front takes an object of settings.")
    names = [f"CH{channel}" for channel in CHANNELS]
    inputs = {
        name: changed(front.input(channel), values[name], _INPUT_CHECKS, f"front.{name}")
        for channel, name in zip(CHANNELS, names, strict=True)
        if name in values
    }
    others = {key: value for key, value in values.items() if key not in inputs}
    unknown = [key for key in others if key not in _FRONT_CHECKS]
    if unknown:
        known = ", ".join([*_FRONT_CHECKS, *names])
        raise BadSetting(f'front has no setting "{unknown[0]}"; there are {known}.')
    return replace(changed(front, others, _FRONT_CHECKS, "front"), **inputs)  # type: ignore[arg-type]
