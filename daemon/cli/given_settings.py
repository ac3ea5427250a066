"""The settings with what a command line says instead."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..config.settings import Settings
    from ..measure.hookup import Role


def settings_with_roles(config: Path | None, roles: Sequence[str]) -> "Settings":
    """The settings of that file, else of the user, with the hookup that the --role options make. Raises UsageError, SettingsError."""
    from ..config.settings import load_settings
    from .hookups import roles_given

    return with_roles(load_settings(config), roles_given(roles))


def with_roles(settings: "Settings", roles: "Mapping[str, Role]") -> "Settings":
    """The settings with these channels as the hookup; what they say of a channel's load and link stays."""
    from ..config.model import HookupTable

    if not roles:
        return settings
    known = settings.tables.hookup
    hookup = {
        channel: known[channel].model_copy(update={"role": role})
        if channel in known
        else HookupTable.model_validate({"role": role})
        for channel, role in roles.items()
    }
    return replace(settings, tables=settings.tables.model_copy(update={"hookup": hookup}))


def with_measure(
    settings: "Settings", *, pattern_white: str | None, gain_spec: str | None, hold: bool = False
) -> "Settings":
    """The settings with the white of the pattern, the gain specification and hold, where given. Raises UsageError."""
    from ..config.values import parse_gain_spec, parse_pattern_white

    given: dict[str, str | bool] = {"hold": True} if hold else {}
    if pattern_white is not None:
        parse_pattern_white(pattern_white, "--pattern-white")
        given["pattern_white"] = pattern_white
    if gain_spec is not None:
        parse_gain_spec(gain_spec, "--gain-spec")
        given["gain_spec"] = gain_spec
    measure = settings.tables.measure.model_copy(update=given)
    return replace(settings, tables=settings.tables.model_copy(update={"measure": measure}))
