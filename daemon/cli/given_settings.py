"""The settings with what a command line says instead."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..config.keys import KeyPath
    from ..config.settings import Settings
    from ..measure.hookup import Role


def settings_with_roles(config: Path | None, roles: Sequence[str], data: bytes | None = None) -> "Settings":
    """The settings of that file, else of the user, with the hookup that the --role options make.

    Where `data` is given it is taken for what stands in the file. Raises UsageError, SettingsError.
    """
    from ..config.settings import load_settings
    from .hookups import roles_given

    return with_roles(load_settings(config, data), roles_given(roles))


def with_options(settings: "Settings", table: str, **given: tuple[str, object]) -> "Settings":
    """The settings with these keys of a table as options of the command line have them: option and value, None for none."""
    values = {key: value for key, (_, value) in given.items() if value is not None}
    before = getattr(settings.tables, table)
    tables = settings.tables.model_copy(update={table: before.model_copy(update=values)})
    options: dict[KeyPath, str] = {(table, key): given[key][0] for key in values}
    return replace(settings, tables=tables, options={**settings.options, **options})


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
    options: dict[KeyPath, str] = {("hookup", channel, "role"): "--role" for channel in roles}
    tables = settings.tables.model_copy(update={"hookup": hookup})
    return replace(settings, tables=tables, options={**settings.options, **options})


def with_measure(
    settings: "Settings", *, pattern_white: str | None, gain_spec: str | None, hold: bool = False
) -> "Settings":
    """The settings with the white of the pattern, the gain specification and hold, where given. Raises UsageError."""
    from ..config.values import parse_gain_spec, parse_pattern_white

    if pattern_white is not None:
        parse_pattern_white(pattern_white, "--pattern-white")
    if gain_spec is not None:
        parse_gain_spec(gain_spec, "--gain-spec")
    return with_options(
        settings,
        "measure",
        pattern_white=("--pattern-white", pattern_white),
        gain_spec=("--gain-spec", gain_spec),
        hold=("--hold", hold or None),
    )
