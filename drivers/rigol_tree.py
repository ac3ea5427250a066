"""The settings that the Rigol families share, and what is asked of a model that does not tell."""

from .channel_counts import told_count
from .identity import Identity
from .present_setup import SettingsTree

THIRD = ":CHAN3:DISP?"
"""Answered where there is a third channel."""


def unsure_of(identity: Identity) -> tuple[str, ...]:
    """Whether there is a third channel, where the model does not tell."""
    return () if told_count(identity) else (THIRD,)


def tree_of(divisions: int) -> SettingsTree:
    """The settings, for a screen of so many divisions across."""
    return SettingsTree(
        channel={"on": ":CHAN{n}:DISP", "probe": ":CHAN{n}:PROB", "scale": ":CHAN{n}:SCAL", "position": ":CHAN{n}:OFFS"}
        | {"coupling": ":CHAN{n}:COUP", "limiter": ":CHAN{n}:BWL", "inverted": ":CHAN{n}:INV"},
        scope={"time_mode": ":TIM:MODE", "time_scale": ":TIM:SCAL", "time_position": ":TIM:OFFS"}
        | {"acquisition": ":ACQ:TYPE", "points": ":ACQ:MDEP"}
        | {"trigger_source": ":TRIG:EDG:SOUR", "slope": ":TRIG:EDG:SLOP", "trigger_level": ":TRIG:EDG:LEV"}
        | {"trigger_coupling": ":TRIG:COUP", "trigger_type": ":TRIG:MODE", "trigger_mode": ":TRIG:SWE"},
        centre_v=lambda volts_per_div, offset_v: -offset_v,
        divisions=divisions,
    )
