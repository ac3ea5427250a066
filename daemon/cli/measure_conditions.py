"""What `measure` measures, and under which conditions: the file, the settings and the command line joined."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ...drivers.capture import EXT, Capture
from ...drivers.errors import UsageError
from ..calibrations import with_calibrations
from ..config.settings import load_settings
from ..config.setup import FIRST_GENERATION
from ..config.values import parse_gain_spec, parse_pattern_white
from ..measure.hookup import SYNC_ROLES, Hookup, Role
from ..measure.targets import Conditions, Target, target_named
from ..sources.capture_file import read_capture
from .hookups import hookup_of_file, role_named, roles_given, with_probes
from .options import pairs


@dataclass(frozen=True)
class Given:
    """The options of one command line, as they were written."""

    roles: Sequence[str] = ()
    probes: Sequence[str] = ()
    pattern_white: str | None = None
    targets: Sequence[str] = ()
    gain_spec: str | None = None
    config: Path | None = None
    hold: bool = False


def capture_and_conditions(file: Path, given: Given) -> tuple[Capture, Conditions, str | None]:
    """The capture, its conditions, and what was taken for granted. Raises UsageError, SettingsError, UnreadableInput.

    What is on the command line goes before the settings, and is checked before the file is read.
    """
    base = with_calibrations(load_settings(given.config).setup().conditions)
    roles = roles_given(given.roles)
    probes = pairs("--probe", given.probes)
    if given.hold:
        base = replace(base, hold_since=FIRST_GENERATION)
    if given.gain_spec is not None:
        base = replace(base, gain_spec=parse_gain_spec(given.gain_spec, "--gain-spec"))
    if given.pattern_white is not None:
        base = replace(base, pattern_white_pct=parse_pattern_white(given.pattern_white, "--pattern-white"))
    named = [_target_of_option(text, base.targets) for text in given.targets]

    said = roles or {clip.channel: clip.role for clip in base.hookup.clips}
    capture = read_capture(file, sync_channels={channel for channel, role in said.items() if role in SYNC_ROLES})
    channels = [record.name for record in capture.channels]
    hookup, note = hookup_of_file(channels, roles, base.hookup, file.name, _unseen(capture, channels))
    hookup = with_probes(hookup, channels, probes, file.name)
    return capture, replace(base, hookup=hookup, chosen={**base.chosen, **_chosen(named, hookup)}), note


def _unseen(capture: Capture, channels: Sequence[str]) -> tuple[str, ...]:
    """Inputs that may have triggered the capture without being in it."""
    return tuple({name: None for name in (EXT, capture.triggered_by) if name is not None and name not in channels})


def _target_of_option(text: str, known: Mapping[str, Target]) -> tuple[Role | None, Target]:
    """`rgb-700` or `red=rgb-700`: the role, None for all that the target is for, and the target. Raises UsageError."""
    left, equals, name = text.rpartition("=")
    target = target_named(name.strip(), known)
    role = role_named(left.strip(), "--target") if equals else None
    if role is not None and role not in target.roles:
        do = f"choose one of {', '.join(sorted(other.name for other in known.values() if role in other.roles))}"
        raise UsageError(f"the target '{target.name}' is not for {role}", where="--target", do=do)
    return role, target


def _chosen(named: Sequence[tuple[Role | None, Target]], hookup: Hookup) -> dict[Role, str]:
    """The target of each role in the hookup that the options choose; a role by name goes before all roles."""
    chosen: dict[Role, str] = {}
    for role, target in sorted(named, key=lambda pair: pair[0] is not None):
        fitting = [clip.role for clip in hookup.clips if clip.role in ((role,) if role else target.roles)]
        if not fitting and hookup.clips:
            what = f"no channel carries {role or ' or '.join(target.roles)}, which the target '{target.name}' is for"
            raise UsageError(what, where="--target", do="leave it out, or say --role")
        chosen.update(dict.fromkeys(fitting, target.name))
    return chosen
