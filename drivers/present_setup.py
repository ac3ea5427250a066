"""The set-up that an instrument has: read as a whole, understood, and given back.

A dialect says in a `SettingsTree` under which headers its settings stand; where the answer to `HEADER?` is what `HEADER`
takes, that table is all that reading and giving back need.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from .errors import ReplyError
from .links import Link
from .replies import fields_outside_quotes, number, short

Kept = tuple[tuple[str, str], ...]
"""Headers and what they were answered with, in the order in which they can be given back."""

_CHANNEL = re.compile(r"C(?:H(?:AN(?:NEL)?)?)?([1-9]\d?)", re.IGNORECASE)
_OFF = ("0", "OFF", "FULL", "FUL", "NONE")
_SWITCHED = {"1": True, "ON": True, "INV": True, "INVERTED": True}
_SWITCHED |= {"0": False, "OFF": False, "NORM": False, "NORMAL": False}


@dataclass(frozen=True)
class ChannelSetup:
    """How one channel is set; volts at the probe tip, `centre_v` in the middle of the screen, coupling in the dialect's word."""

    name: str
    on: bool
    volts_per_div: float
    centre_v: float
    coupling: str
    limiter: bool
    probe_ratio: float
    inverted: bool


@dataclass(frozen=True)
class ScopeSetup:
    """How the whole instrument is set.

    Attributes:
        channels: all that it has.
        span_s: duration of the screen.
        trigger_source: `CH4`, `EXT`, or the dialect's own word.
        falling, normal_mode: of the edge trigger; `normal_mode` False: it runs on by itself without one.
        running: False: stopped, so that the memory holds one record.
        acquisition, time_mode: in the dialect's words, in capitals; empty where it has none.
        kept: all of it as it was read.
    """

    channels: tuple[ChannelSetup, ...]
    span_s: float
    trigger_source: str
    trigger_level_v: float
    falling: bool
    normal_mode: bool
    running: bool
    kept: Kept
    acquisition: str = ""
    time_mode: str = ""

    def reply(self, header: str) -> str:
        """What that header, one of the dialect's table, was answered with."""
        return dict(self.kept)[header]

    def channel(self, name: str) -> ChannelSetup | None:
        """The channel of that name, or None."""
        return next((channel for channel in self.channels if channel.name == name), None)


@dataclass(frozen=True)
class SettingsTree:
    """Headers by meaning, in the order in which they can be given back; `{n}` stands for the number of a channel.

    Every setting that `configure` changes is named here. These meanings are understood, others only kept:
    of a channel `on probe scale position coupling limiter inverted`; of the scope `time_scale time_mode acquisition
    trigger_source trigger_level slope trigger_mode`.

    Attributes:
        centre_v: volts in the middle of the screen from volts per division and the answer to `position`.
        divisions: of the screen, horizontally.
        read_number: how numbers are read, where answers bear units.
        arguments: by header, what it takes where that is not the bare answer: `{"…:PROB": "VAL,{}"}`.
    """

    channel: Mapping[str, str]
    scope: Mapping[str, str]
    centre_v: Callable[[float, float], float]
    divisions: int
    read_number: Callable[..., float] = number
    arguments: Mapping[str, str] = field(default_factory=dict)

    def headers_of(self, channel: int) -> tuple[str, ...]:
        """The headers of that channel."""
        return tuple(header.format(n=channel) for header in self.channel.values())

    def groups(self, channels: int) -> Iterator[tuple[str, ...]]:
        """The headers channel by channel, then those of the scope."""
        yield from (self.headers_of(channel) for channel in range(1, channels + 1))
        yield tuple(self.scope.values())


def ask_each(link: Link, headers: Sequence[str]) -> list[str]:
    """What every header is answered with, one message each."""
    return [link.query(f"{header}?") for header in headers]


def ask_chained(link: Link, headers: Sequence[str]) -> list[str]:
    """The same in one message, where the dialect takes several queries in one. Raises ReplyError for another count."""
    replies = fields_outside_quotes(link.query(";".join(f"{header}?" for header in headers)))
    if len(replies) != len(headers):
        raise ReplyError(
            f"{len(replies)} answers to {len(headers)} questions", where=link.resource, do="close it and open it again"
        )
    return list(replies)


def read_kept(
    link: Link, tree: SettingsTree, channels: int, ask: Callable[[Link, Sequence[str]], list[str]] = ask_each
) -> Kept:
    """All settings of the tree as they are now, in its order. Raises as `answers_kept` does."""
    return tuple(one for headers in tree.groups(channels) for one in answers_kept(link, headers, ask))


def answers_kept(
    link: Link, headers: Sequence[str], ask: Callable[[Link, Sequence[str]], list[str]] = ask_each
) -> Kept:
    """What these headers are answered with now.

    Raises LinkError, and ReplyError for an answer that could not be given back, as commands are ASCII.
    """
    kept = tuple(zip(headers, (reply.strip() for reply in ask(link, headers)), strict=True))
    for header, reply in kept:
        if not reply.isascii():
            what = f"{header}? is answered with '{short(reply)}', which is no ASCII text"
            raise ReplyError(what, where=link.resource, do="check its settings")
    return kept


def setup_of(kept: Kept, tree: SettingsTree, channels: int, *, running: bool, where: str) -> ScopeSetup:
    """What the settings mean. Raises ReplyError for an answer that cannot be."""
    replies = dict(kept)

    def value(header: str) -> float:
        return tree.read_number(replies[header], of=f"{header}?", where=where)

    def text(meaning: str) -> str:
        return replies.get(tree.scope.get(meaning, ""), "").upper()

    return ScopeSetup(
        channels=tuple(_channel(tree, number, replies, value, where) for number in range(1, channels + 1)),
        span_s=value(tree.scope["time_scale"]) * tree.divisions,
        trigger_source=channel_name(text("trigger_source")),
        trigger_level_v=value(tree.scope["trigger_level"]) if "trigger_level" in tree.scope else 0.0,
        falling=text("slope").startswith(("FALL", "NEG")),
        normal_mode=text("trigger_mode").startswith("NORM"),
        running=running,
        kept=kept,
        acquisition=text("acquisition"),
        time_mode=text("time_mode"),
    )


def _channel(
    tree: SettingsTree, channel: int, replies: Mapping[str, str], value: Callable[[str], float], where: str
) -> ChannelSetup:
    headers = {meaning: header.format(n=channel) for meaning, header in tree.channel.items()}
    scale = value(headers["scale"])
    return ChannelSetup(
        name=f"CH{channel}",
        on=is_on(replies[headers["on"]], where=where),
        volts_per_div=scale,
        centre_v=tree.centre_v(scale, value(headers["position"])),
        coupling=replies[headers["coupling"]].upper(),
        limiter=replies[headers["limiter"]].upper() not in _OFF,
        probe_ratio=value(headers["probe"]) if "probe" in headers else 1.0,
        inverted="inverted" in headers and is_on(replies[headers["inverted"]], where=where),
    )


def is_on(reply: str, *, where: str) -> bool:
    """Whether a switch is on. Raises ReplyError for an answer that is neither."""
    switched = _SWITCHED.get(reply.strip().upper())
    if switched is not None:
        return switched
    raise ReplyError(
        f"a switch that is '{short(reply)}', neither on nor off",
        where=where,
        do="check that the right instrument family is in use",
    )


def channel_name(word: str) -> str:
    """`CH4` for `CHAN4`, `CHANNEL4`, `C4`; any other source as it is."""
    match = _CHANNEL.fullmatch(word.strip())
    return f"CH{match[1]}" if match else word.strip()


def give_back(link: Link, tree: SettingsTree, setup: ScopeSetup) -> None:
    """Set everything as it was, one message a setting. Raises LinkError."""
    forms = {
        header.format(n=channel.name.removeprefix("CH")): form
        for header, form in tree.arguments.items()
        for channel in setup.channels
    }
    for header, reply in setup.kept:
        link.write(f"{header} {forms.get(header, '{}').format(reply)}")
