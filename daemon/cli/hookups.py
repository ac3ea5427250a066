"""Which channel carries what, from what the user said, from the headers of a file, or from the settings."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches

from ...drivers.capture import EXT
from ...drivers.errors import UsageError
from ..measure.hookup import BENCH_DEFAULT, ROLES, Clip, Hookup, Link, Role
from .options import pairs

LINKS_OF_RATIO: Mapping[float, Link] = {1.0: "probe-1x", 10.0: "probe-10x"}


def role_named(name: str, where: str = "--role") -> Role:
    """The role of that name, in any case. Raises UsageError that names the nearest one."""
    for role in ROLES:
        if role == name.lower():
            return role
    near = get_close_matches(name.lower(), ROLES, n=1, cutoff=0.0)[0]
    raise UsageError(
        f"there is no role '{name}'", where=where, do=f"the nearest is '{near}'; known are {', '.join(ROLES)}"
    )


def roles_given(given: Sequence[str]) -> dict[str, Role]:
    """What the --role options say, by channel; EXT in any case. Raises UsageError."""
    roles = pairs("--role", given)
    return {EXT if name.upper() == EXT else name: role_named(role) for name, role in roles.items()}


def role_of_header(name: str) -> Role | None:
    """The role that a column's header is, or None."""
    return next((role for role in ROLES if role == name.lower()), None)


def hookup_of_file(
    channels: Sequence[str], given: Mapping[str, Role], usual: Hookup, where: str, unseen: Sequence[str] = ()
) -> tuple[Hookup, str | None]:
    """The hookup of a file with these channels, and what was taken for granted, to be said to the user.

    `unseen` are inputs that may have triggered the record without being in it.

    Roles that are given go before headers that are roles. Without either, the channels have their usual roles: those of
    the settings, and those of the bench default only where all four channels are there.
    Raises UsageError for a channel that is not in the file, and for a role that two channels would have.
    """
    for channel in given:
        if channel not in unseen:
            _check_channel(channel, channels, where, "--role")
    headers = {channel: role for channel in channels if (role := role_of_header(channel))}
    roles = {**headers, **given}
    if roles:
        kept = {channel: roles[channel] for channel in (*channels, *unseen) if channel in roles}
        return Hookup(tuple(_clip(channel, role, usual) for channel, role in kept.items())), None
    taken = tuple(replace(clip, probe_ratio=1.0) for clip in usual.clips if clip.channel in (*channels, *unseen))
    if not taken or (usual == BENCH_DEFAULT and len(taken) < len(usual.clips)):
        example = f"--role {channels[0]}=red"
        return Hookup(), f"no channel has a role, so no level was measured; say what each carries, such as {example}"
    told = ", ".join(f"{clip.channel} {clip.role}" for clip in taken)
    return Hookup(taken), f"no role is given; taken as {told}; say --role to change that"


def with_probes(hookup: Hookup, channels: Sequence[str], probes: Mapping[str, str], where: str) -> Hookup:
    """The hookup with the probe ratios that are given. Raises UsageError."""
    ratios: dict[str, float] = {}
    for channel, text in probes.items():
        _check_channel(channel, channels, where, "--probe")
        if hookup.of_channel(channel) is None:
            raise UsageError(f"{channel} has no role", where="--probe", do=f"say what it carries: --role {channel}=…")
        ratios[channel] = _ratio(text)
    return Hookup(
        tuple(
            replace(clip, probe_ratio=ratio, link=LINKS_OF_RATIO.get(ratio, clip.link))
            if (ratio := ratios.get(clip.channel)) is not None
            else clip
            for clip in hookup.clips
        )
    )


def _clip(channel: str, role: Role, usual: Hookup) -> Clip:
    """A clip with load and link as the settings have them for that channel or role. Volts in a file are the probe tip's."""
    known = usual.of_channel(channel) or usual.of_role(role)
    return replace(known, channel=channel, role=role, probe_ratio=1.0) if known else Clip(channel, role)


def _check_channel(channel: str, channels: Sequence[str], where: str, option: str) -> None:
    if channel not in channels:
        near = get_close_matches(channel, channels, n=1, cutoff=0.0)
        others = f"; it has {', '.join(channels[:8])}{' …' if len(channels) > 8 else ''}"
        raise UsageError(
            f"there is no channel '{channel}' in {where}", where=option, do=f"the nearest is '{near[0]}'{others}"
        )


def _ratio(text: str) -> float:
    try:
        ratio = float(text.removesuffix("x").removesuffix("X"))
    except ValueError:
        ratio = math.nan
    if not 1e-3 <= ratio <= 1e4:
        raise UsageError(f"'{text}' is no probe ratio", where="--probe", do="write it like --probe CH1=10")
    return ratio
