"""The error tree of Peakwhite, and the one table of what each class means to the outside.

    PeakwhiteError
    ├── UsageError                 a command line or request that cannot be meant
    │   ├── MalformedResource      not a VISA resource string, or of a kind we do not speak
    │   ├── SettingsError          a settings file with a wrong key or value
    │   ├── SettingsChanged        a change of settings that were changed otherwise meanwhile
    │   ├── ControlHeld            a write while somebody else holds control
    │   ├── NotInList              a scope that the list of found ones does not have
    │   ├── NotInBook              a job, unit, stage or mark that the bench book does not have
    │   └── UnitInQuestion         a mark while the unit on the bench may be another than the one that is named
    ├── UnreadableInput            a capture file that cannot be a capture
    ├── SettingsUnwritable         a settings file that cannot be written
    ├── PortTaken                  somebody else listens where we should
    ├── BookError                  trouble with the bench book
    │   ├── BookInUse              another program writes to it
    │   ├── BookNewer              a newer Peakwhite wrote it
    │   ├── BookDamaged            its file is torn or corrupted
    │   ├── BookFull               there is no room for what was to be kept
    │   ├── BookBusy               more waits to be written than is held in memory
    │   └── BookUnreachable        its file or server cannot be opened or does not answer
    └── InstrumentError            trouble with the scope
        ├── NoReading              nothing has been measured, or not lately
        ├── UnknownInstrument      it answers, but no driver knows it
        ├── InstrumentRejected     it answers with an error of its own
        │   └── NoRecord           it holds no record of that channel, or none that can be fetched; the link is in order
        ├── ReplyError             it answers nonsense (bad block, bad preamble, wrong count)
        │   └── SettingsTurned     somebody else changed how it records; the link is in order
        └── LinkError              the way to it is broken
            ├── LinkTimeout        nothing came in time; the link is now dirty
            └── LinkLost           refused, closed or unplugged

Every error says what is wrong, where, and what to do: it prints as `WHERE: WHAT; DO`.
"""

from typing import NamedTuple


class PeakwhiteError(Exception):
    """Root of all errors that Peakwhite raises on purpose.

    Attributes:
        what: what is wrong, a clause without a full stop.
        where: the file, resource or option that it concerns.
        do: what the user can do about it.
    """

    def __init__(self, what: str, *, where: str, do: str) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.do = do

    @property
    def each(self) -> "tuple[PeakwhiteError, ...]":
        """What is wrong one by one, where several things are."""
        return (self,)

    def __str__(self) -> str:
        return " ".join(f"{self.where}: {self.what}; {self.do}".split())


class UsageError(PeakwhiteError):
    """A command line or request that cannot be meant."""


class MalformedResource(UsageError):
    """Not a VISA resource string, or of a kind that Peakwhite does not speak."""


class SettingsError(UsageError):
    """A settings file with a wrong key or value."""


class SettingsChanged(UsageError):
    """A change of settings whose file was changed otherwise since they were read."""


class ControlHeld(UsageError):
    """A write while somebody else holds control."""


class NotInList(UsageError):
    """A scope that the list of those that were found does not have."""


class NotInBook(UsageError):
    """A job, unit, stage or mark that the bench book does not have."""


class UnitInQuestion(UsageError):
    """A mark while the unit on the bench may be another than the one that is named."""


class UnreadableInput(PeakwhiteError):
    """A capture file that cannot be read as a capture."""


class SettingsUnwritable(PeakwhiteError):
    """A settings file that cannot be written."""


class PortTaken(PeakwhiteError):
    """Somebody else listens on the address that the daemon should use."""


class BookError(PeakwhiteError):
    """Trouble with the bench book."""


class BookInUse(BookError):
    """Another program writes to the same file."""


class BookNewer(BookError):
    """A newer Peakwhite wrote the book."""


class BookDamaged(BookError):
    """The file is torn or corrupted, or is no bench book."""


class BookFull(BookError):
    """There is no room for what was to be kept; nothing of it was."""


class BookBusy(BookError):
    """More waits to be written than is held in memory."""


class BookUnreachable(BookError):
    """The file cannot be opened or written, or the server does not answer."""


class InstrumentError(PeakwhiteError):
    """Trouble with the scope."""


class NoReading(InstrumentError):
    """Nothing has been measured yet, or nothing lately."""


class UnknownInstrument(InstrumentError):
    """The instrument answers, but no driver knows it."""


class InstrumentRejected(InstrumentError):
    """The instrument refused a command: its error queue is not empty."""


class NoRecord(InstrumentRejected):
    """The instrument holds no record of that channel, or none that can be fetched. The link is in order."""


class ReplyError(InstrumentError):
    """The instrument answered something that cannot be the answer."""


class SettingsTurned(ReplyError):
    """Somebody else changed how the instrument records since it was set up. The link is in order."""


class LinkError(InstrumentError):
    """The way to the instrument is broken."""


class LinkTimeout(LinkError):
    """Nothing came in time. The link is dirty: clear or reopen it, never simply ask again."""


class LinkLost(LinkError):
    """The link was refused, closed or unplugged."""


class Outcome(NamedTuple):
    """What an error means outside: process exit status, HTTP status, problem code."""

    exit_status: int
    http_status: int
    problem_code: str


OUTCOMES: dict[type[PeakwhiteError], Outcome] = {
    PeakwhiteError: Outcome(3, 500, "internal"),
    UsageError: Outcome(2, 422, "usage"),
    MalformedResource: Outcome(2, 422, "malformed-resource"),
    SettingsError: Outcome(2, 422, "settings"),
    SettingsChanged: Outcome(2, 409, "settings-changed"),
    ControlHeld: Outcome(2, 409, "control-held"),
    NotInList: Outcome(2, 404, "not-in-list"),
    NotInBook: Outcome(2, 404, "not-in-book"),
    UnitInQuestion: Outcome(2, 409, "unit-in-question"),
    UnreadableInput: Outcome(3, 422, "unreadable-input"),
    SettingsUnwritable: Outcome(3, 503, "settings-unwritable"),
    PortTaken: Outcome(3, 503, "port-taken"),
    BookError: Outcome(3, 503, "book"),
    BookInUse: Outcome(3, 409, "book-in-use"),
    BookNewer: Outcome(3, 503, "book-newer"),
    BookDamaged: Outcome(3, 503, "book-damaged"),
    BookFull: Outcome(3, 507, "book-full"),
    BookBusy: Outcome(3, 503, "book-busy"),
    BookUnreachable: Outcome(3, 503, "book-unreachable"),
    InstrumentError: Outcome(3, 503, "instrument"),
    NoReading: Outcome(3, 503, "no-reading"),
    UnknownInstrument: Outcome(3, 503, "unknown-instrument"),
    InstrumentRejected: Outcome(3, 503, "instrument-rejected"),
    ReplyError: Outcome(3, 503, "instrument-reply"),
    LinkError: Outcome(3, 503, "link"),
    LinkTimeout: Outcome(3, 504, "link-timeout"),
    LinkLost: Outcome(3, 503, "link-lost"),
}


def outcome_of(error: PeakwhiteError) -> Outcome:
    """What `error` means outside: the entry of its class, or of the nearest class above it."""
    return next(OUTCOMES[cls] for cls in type(error).__mro__ if cls in OUTCOMES)
