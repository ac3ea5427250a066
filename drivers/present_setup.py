"""The set-up that an instrument has: read as a whole, understood, and given back.

A dialect says in a `SettingsTree` under which headers its settings stand; where the answer to `HEADER?` is what `HEADER`
takes, that table is all that reading and giving back need.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from .errors import LinkTimeout, ReplyError
from .kept import Kept, answers_kept, ask_each
from .links import Link
from .replies import number, short

_CHANNEL = re.compile(r"C(?:H(?:AN(?:NEL)?)?)?([1-9]\d?)", re.IGNORECASE)
_FIFTY_OHM = re.compile(r"FIF|\+?50(\.0*)?$|\+?5(\.0*)?E\+?0*1$", re.IGNORECASE)
_OFF = ("0", "OFF", "FULL", "FUL", "NONE")
_SWITCHED = {"1": True, "ON": True, "INV": True, "INVERTED": True}
_SWITCHED |= {"0": False, "OFF": False, "NORM": False, "NORMAL": False}


@dataclass(frozen=True)
class ChannelSetup:
    """How one channel is set; volts at the probe tip, `centre_v` in the middle of the screen, coupling in the dialect's word.

    `fifty_ohm`: its input is switched to 50 ohm, which is no load for video; False where the dialect cannot tell.
    """

    name: str
    on: bool
    volts_per_div: float
    centre_v: float
    coupling: str
    limiter: bool
    probe_ratio: float
    inverted: bool
    fifty_ohm: bool = False


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
    of a channel `on probe impedance scale position coupling limiter inverted`; of the scope `time_scale time_mode acquisition
    trigger_source trigger_level slope trigger_mode`.

    Attributes:
        centre_v: volts in the middle of the screen from volts per division and the answer to `position`.
        divisions: of the screen, horizontally.
        read_number: how numbers are read, where answers bear units.
        fifty_ohm_couplings: words of `coupling` that stand for an input of 50 ohm.
        arguments: by header, what it takes where that is not the bare answer: `{"…:PROB": "VAL,{}"}`.
    """

    channel: Mapping[str, str]
    scope: Mapping[str, str]
    centre_v: Callable[[float, float], float]
    divisions: int
    read_number: Callable[..., float] = number
    fifty_ohm_couplings: tuple[str, ...] = ()
    arguments: Mapping[str, str] = field(default_factory=dict)

    def headers_of(self, channel: int) -> tuple[str, ...]:
        """The headers of that channel."""
        return tuple(header.format(n=channel) for header in self.channel.values())

    def groups(self, channels: int) -> Iterator[tuple[str, ...]]:
        """The headers channel by channel, then those of the scope."""
        yield from (self.headers_of(channel) for channel in range(1, channels + 1))
        yield tuple(self.scope.values())


def read_kept(
    link: Link, tree: SettingsTree, channels: int, ask: Callable[[Link, Sequence[str]], list[str]] = ask_each
) -> Kept:
    """All settings of the tree as they are now, in its order. Raises as `answers_kept` does.

    An instrument that answers about its first channel and falls silent at another may well have fewer than was taken.
    """
    kept: Kept = ()
    for channel, headers in enumerate(tree.groups(channels), start=1):
        try:
            kept += answers_kept(link, headers, ask)
        except LinkTimeout as error:
            if not 1 < channel <= channels:
                raise
            what = f"{error.what} about CH{channel}, as if it had fewer than the {channels} channels that its model tells of"
            raise LinkTimeout(
                what, where=error.where, do="check its *IDN? and its family; if it has them all, its link"
            ) from error
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
    scale, coupling = value(headers["scale"]), replies[headers["coupling"]].upper()
    impedance = replies[headers["impedance"]] if "impedance" in headers else ""
    return ChannelSetup(
        name=f"CH{channel}",
        on=is_on(replies[headers["on"]], where=where),
        volts_per_div=scale,
        centre_v=tree.centre_v(scale, value(headers["position"])),
        coupling=coupling,
        limiter=replies[headers["limiter"]].upper() not in _OFF,
        probe_ratio=value(headers["probe"]) if "probe" in headers else 1.0,
        inverted="inverted" in headers and is_on(replies[headers["inverted"]], where=where),
        fifty_ohm=coupling in tree.fifty_ohm_couplings or bool(_FIFTY_OHM.match(impedance)),
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
