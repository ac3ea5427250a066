"""The log: lines on stderr, written by a thread of their own from a bounded queue, so that nobody ever waits for a reader.

Three forms: lines for people, lines for systemd's journal (a priority, no time, which the journal has) where stderr is it,
and one JSON object a line by setting. Passwords and tokens are masked in all of them, and control characters escaped, since
instruments and clients put words into messages.

The library's own listener is not used: its end waits for whoever does not read, as do its handlers at the interpreter's.
"""

import copy
import json
import logging
import os
import queue
import re
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from logging.handlers import QueueHandler
from typing import Literal

Form = Literal["text", "json"]
Level = Literal["debug", "info", "warning", "error"]

MOST_WAITING = 1000
"""So many lines wait for a reader; what comes beyond them is counted and given up."""
END_S = 1.0
"""So long the end of the program waits for what is left to be taken."""
QUIET = ("uvicorn", "alembic", "asyncio")
"""Libraries of which only warnings are wanted."""
OURS = "peakwhite."

_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG_PRIORITY = 7
_WORD = re.compile(r"\S+")
_SECRETS = re.compile(r"((?:password|token|secret|cookie)=)[^&\s]+|(\bbearer )\S+", re.IGNORECASE)
_CONTROL = {number: f"\\x{number:02x}" for number in (*range(0x20), *range(0x7F, 0xA0))} | {
    9: " ",
    10: "\\n",
    13: "\\r",
}


def masked(text: str) -> str:
    """The text without passwords and tokens, in a time that grows with its length and no faster."""
    if "://" in text and "@" in text:
        text = _WORD.sub(lambda word: _without_password(word[0]), text)
    return _SECRETS.sub(lambda found: f"{found[1] or found[2]}***", text)


def _without_password(word: str) -> str:
    """Of an address: what stands between the name and the last `@`, for a password may hold any character."""
    scheme, _, rest = word.partition("://")
    who, _, host = rest.rpartition("@")
    name, colon, _ = who.partition(":")
    return f"{scheme}://{name}:***@{host}" if colon else word


def is_journal(stream_fd: int, environment: Mapping[str, str]) -> bool:
    """Whether that stream is systemd's journal: JOURNAL_STREAM says which one is, and is inherited by others too."""
    device, _, inode = environment.get("JOURNAL_STREAM", "").partition(":")
    try:
        found = os.fstat(stream_fd)
    except OSError:
        return False
    return (device, inode) == (str(found.st_dev), str(found.st_ino))


class LineFormatter(logging.Formatter):
    """Makes the lines of a record in one of the three forms. A record that is `bare` was meant for people as it stands."""

    def __init__(self, form: Form, *, journal: bool = False) -> None:
        super().__init__()
        self._form = form
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        """One line, and those of a traceback, without the last newline."""
        lines = [self._json(record)] if self._form == "json" else self._text(record)
        prefix = f"<{_priority(record.levelno)}>" if self._journal else ""
        return "\n".join(f"{prefix}{line}" for line in lines)

    def _text(self, record: logging.LogRecord) -> list[str]:
        message = _one_line(record.getMessage())
        if not getattr(record, "bare", False):
            message = f"{_place(record.name)}: {message}"
            if not self._journal:
                message = f"{self.formatTime(record)} {record.levelname} {message}"
        return [message, *(_one_line(line) for line in (record.exc_text or "").splitlines())]

    def _json(self, record: logging.LogRecord) -> str:
        told = {
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": masked(record.getMessage().strip()),
        }
        if not self._journal:
            whole = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created))
            told = {"time": f"{whole}.{int(record.msecs):03d}Z"} | told
        if record.exc_text:
            told["error"] = masked(record.exc_text)
        return json.dumps(told)


def _place(logger: str) -> str:
    """Where in the program, in short: `acquisition.watch`."""
    return logger.removeprefix(OURS).removeprefix("daemon.")


def _one_line(text: str) -> str:
    return masked(text.strip("\r\n")).translate(_CONTROL)


def _priority(level: int) -> int:
    """As syslog counts them."""
    return next((priority for least, priority in _PRIORITIES if level >= least), _DEBUG_PRIORITY)


class LogLines(QueueHandler):
    """Takes records from any thread without waiting, and hands lines to `write`, which may wait for ever."""

    def __init__(self, formatter: logging.Formatter, write: Callable[[bytes], None]) -> None:
        self._waiting: queue.Queue[logging.LogRecord | None] = queue.Queue(MOST_WAITING)
        super().__init__(self._waiting)
        self._refused = self._unwritten = 0
        self._lines = formatter
        self._write = write
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    @property
    def dropped(self) -> int:
        """How many records were given up, because too many waited or `write` failed."""
        return self._refused + self._unwritten

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self, within_s: float = END_S) -> bool:
        """Write what waits; False where nobody took it in that time."""
        end_s = time.monotonic() + within_s
        try:
            self._waiting.put(None, timeout=within_s)
        except queue.Full:
            return False
        self._thread.join(max(end_s - time.monotonic(), 0.0))
        return not self._thread.is_alive()

    def say(self, text: str) -> None:
        """Lines for people, whatever level is set."""
        for line in text.splitlines():
            record = logging.LogRecord("peakwhite", logging.INFO, "", 0, line, None, None)
            record.bare = True
            self.handle(record)

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        """A copy that another thread may format later, however what it was made of has changed by then."""
        told = copy.copy(record)
        told.msg, told.args = record.getMessage(), None
        if record.exc_info:
            told.exc_text = self._lines.formatException(record.exc_info)
        told.exc_info = None
        return told

    def enqueue(self, record: logging.LogRecord) -> None:
        """Never waits: this handler's own lock is all that is held."""
        try:
            self._waiting.put_nowait(record)
        except queue.Full:
            self._refused += 1

    def handleError(self, record: logging.LogRecord) -> None:
        """A record that cannot be told: counted, since the library's way would write to stderr and wait."""
        self._refused += 1

    def _run(self) -> None:
        told = 0
        while (record := self._waiting.get()) is not None:
            self._unwritten += not self._put_out(record)
            lost = self.dropped - told
            if lost and self._put_out(logging.LogRecord(__name__, logging.WARNING, "", 0, _lost(lost), None, None)):
                told += lost

    def _put_out(self, record: logging.LogRecord) -> bool:
        try:
            self._write(f"{self._lines.format(record)}\n".encode(errors="backslashreplace"))
        except OSError:  # closed at the other end
            return False
        return True


def _lost(lines: int) -> str:
    return f"{lines} lines of the log were given up, since nobody took them"


def write_all(stream_fd: int, data: bytes) -> None:
    """Write to a descriptor, past the interpreter's buffer: a thread stuck in that would hang the program's end."""
    while data:
        try:
            data = data[os.write(stream_fd, data) :]
        except BlockingIOError:  # somebody made it so
            select.select((), (stream_fd,), ())


def _stderr_fd() -> int:
    """-1, to which nothing can be written, where there is none: number 2 may be anything then, a client's socket too."""
    try:
        return sys.stderr.fileno()
    except (AttributeError, OSError, ValueError):
        return -1


@contextmanager
def logging_to_stderr(form: Form, level: Level) -> Iterator[LogLines]:
    """While this lasts all that is logged goes to stderr; at the end what waits is written, for a moment."""
    stream_fd = _stderr_fd()
    formatter = LineFormatter(form, journal=is_journal(stream_fd, os.environ))
    lines = LogLines(formatter, lambda data: write_all(stream_fd, data))
    root = logging.getLogger()
    before = root.level
    root.setLevel(level.upper())
    for library in QUIET:
        logging.getLogger(library).setLevel(max(logging.WARNING, root.level))
    lines.start()
    root.addHandler(lines)
    try:
        yield lines
    finally:
        root.removeHandler(lines)
        root.setLevel(before)
        lines.stop()
