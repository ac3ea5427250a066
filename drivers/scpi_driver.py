"""What drivers have in common: their state, and questions whose answers are checked."""

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from .capture import ChannelRecord
from .error_queue import rejected
from .errors import InstrumentRejected, LinkTimeout, ReplyError, SettingsTurned
from .family import Abilities, channel_number
from .identity import Identity
from .kept import Kept, answers_kept, ask_each
from .links import Link
from .present_setup import ScopeSetup, SettingsTree, is_on, read_kept, setup_of
from .records import Record, Scale, one_trigger, record_points
from .replies import number, short, whole_number
from .waiting import Clock

T = TypeVar("T")
TRIGGER_MEANINGS = ("time_position", "trigger_source", "slope", "trigger_level")


class ScpiDriver:
    """A driver's link, clock and abilities. `_points` and `_seconds_per_sample` are those of the record to be fetched;
    0 points: not known.

    A family gives `tree`, its settings; `transfer`, the headers by which `read_setup`, `configure` and `fetch` say what is
    to be sent and how, in the order in which they are given back, and of these in `loose` those whose answers follow other
    things too; `abilities_of`, what a model can do; `ask_headers = staticmethod(ask_chained)`
    where its dialect takes several queries in one message, which makes `watched` see more; `also_watched`, further headers
    that answer after a capture as they did after `configure`; and `is_stopped` where it can tell apart from these.
    """

    tree: SettingsTree
    transfer: tuple[str, ...]
    loose: tuple[str, ...] = ()
    also_watched: tuple[str, ...] = ()
    ask_headers: Callable[[Link, Sequence[str]], list[str]] = staticmethod(ask_each)
    abilities_of: Callable[[Identity], Abilities]

    def __init__(self, link: Link, identity: Identity, clock: Clock) -> None:
        self.abilities = type(self).abilities_of(identity)
        self._identity = identity
        self._link = link
        self._clock = clock
        self._where = link.resource
        self._points = 0
        self._seconds_per_sample = 0.0
        self._screens_v: dict[int, float] = {}
        """How high the screen of a channel is, by its number, where `configure` has set it."""
        self._most_points: int | None = None

    def read_transfer(self) -> Kept:
        """As `Driver.read_transfer` says. Raises ReplyError where its answers slipped behind their questions."""
        kept = answers_kept(self._link, self.transfer, self.ask_headers)
        self._must_be_in_step()
        return kept

    def restore_transfer(self, kept: Kept) -> None:
        """As `Driver.restore_transfer` says: what was given back is asked for again."""
        self._write_all(self._transfer_messages(dict(kept)))
        now = dict(self.read_transfer())
        for header, reply in kept:
            if header not in self.loose and now[header] != reply:
                raise rejected(f"'{header} {reply}', it stays {short(now[header])}", where=self._where)

    def _transfer_messages(self, kept: Mapping[str, str]) -> Sequence[str]:
        """What gives it back."""
        return [f"{header} {reply}" for header, reply in kept.items()]

    def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
        """As `Driver.fetch` says, channel by channel; all have to share one time axis."""
        self._most_points = most_points
        return one_trigger([self._fetch_one(channel) for channel in channels], where=self._where)

    def watched(self, channels: Sequence[str]) -> tuple[str, ...]:
        """As `Driver.watched` says: range, offset and time base; where one message asks for all, coupling and trigger too."""
        chained = self.ask_headers is not ask_each
        of_channel = ("scale", "position", *(("coupling", "inverted") if chained else ()))
        of_scope = ("time_scale", *(TRIGGER_MEANINGS if chained else ()))
        headers = [
            self.tree.channel[meaning].format(n=self._number(channel))
            for channel in channels
            for meaning in of_channel
            if meaning in self.tree.channel
        ]
        headers += [self.tree.scope[meaning] for meaning in of_scope if meaning in self.tree.scope]
        headers += self.also_watched
        return tuple(self.ask_headers(self._link, headers))

    def is_stopped(self) -> bool:
        """As `Driver.is_stopped` says; a dialect that cannot tell takes it for granted."""
        return True

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Scale]:
        """The samples of one channel, and the scale that its preamble gives."""
        raise NotImplementedError

    def _part(self, points: int) -> int:
        """How many of a record's points are to be fetched now."""
        return points if self._most_points is None else min(points, self._most_points)

    @property
    def _record_s(self) -> float:
        """How long the record lasts."""
        return self._points * self._seconds_per_sample

    @property
    def _points_to_fetch(self) -> int:
        """How long the record is. Raises ReplyError where the last set-up failed before it was known."""
        if not self._points:
            raise ReplyError("the length of its record is not known", where=self._where, do="set it up again")
        return self._points

    def _number(self, channel: str) -> int:
        """The channel's number. Raises InstrumentRejected where there is no such channel."""
        return channel_number(channel, self.abilities.channels, where=self._where)

    def _ask(self, query: str) -> float:
        """A number. Raises ReplyError for any other answer."""
        return number(self._link.query(query), of=query, where=self._where)

    def _ask_positive(self, query: str) -> float:
        """A number above 0. Raises ReplyError for any other answer."""
        value = self._ask(query)
        if value <= 0.0:
            raise ReplyError(f"{query} is answered with {value:g}", where=self._where, do="check its settings")
        return value

    def _ask_whole(self, query: str) -> int:
        """A whole number. Raises ReplyError for any other answer."""
        return whole_number(self._link.query(query), of=query, where=self._where)

    def _screen_v(self, channel: int, query: str) -> float:
        """How many volts the screen is high. Raises SettingsTurned where that is not what it was set to."""
        screen_v = self._ask_positive(query)
        set_v = self._screens_v.get(channel, screen_v)
        if screen_v != set_v:
            what = f"CH{channel} has a range of {screen_v:g} V where {set_v:g} V was set: somebody turned it"
            raise SettingsTurned(what, where=self._where, do="leave the range alone, it is set anew")
        return screen_v

    def _once_more(self, ask: Callable[[], T]) -> T:
        """What `ask` gives, which is called once more where no answer came in time, after the link was cleared.

        Not over USB, where instruments lock up that are not left alone after a time-out.
        """
        try:
            return ask()
        except LinkTimeout:
            if self._where.upper().startswith("USB"):
                raise
        self._link.clear()
        return ask()

    def _must_be_on(self, channel: str, query: str) -> None:
        """Ask whether the channel is on, where a question about the data of one that is off stays unanswered.

        Raises InstrumentRejected where it is off.
        """
        if not is_on(self._link.query(query), where=self._where):
            raise InstrumentRejected(f"{channel} is off", where=self._where, do="switch it on, or change the hookup")

    def _ask_points(self, query: str) -> int:
        """A record length. Raises ReplyError for any other answer."""
        return record_points(self._link.query(query), of=query, where=self._where)

    def _must_be_in_step(self) -> None:
        """Ask what is answered like nothing else. Raises ReplyError for another answer: one to an earlier question.

        The maker is left out, which a link that takes headers off an answer may have shortened.
        """
        answer = self._link.query("*IDN?")
        if answer.partition(",")[2] != self._identity.text.partition(",")[2]:
            what = f"its answers have slipped: *IDN? is answered with '{short(answer)}'"
            do = "nothing if it goes on by itself; else use its USB, HiSLIP or VXI-11, where answers cannot slip"
            raise ReplyError(what, where=self._where, do=do)

    def _write_all(self, messages: Sequence[str]) -> None:
        for message in messages:
            self._link.write(message)

    def _present(self, running: bool, ask: Callable[[Link, Sequence[str]], list[str]] = ask_each) -> ScopeSetup:
        """The present set-up by the dialect's table. Raises ReplyError where its answers slipped behind their questions."""
        kept = read_kept(self._link, self.tree, self.abilities.channels, ask)
        self._must_be_in_step()
        return setup_of(kept, self.tree, self.abilities.channels, running=running, where=self._where)
