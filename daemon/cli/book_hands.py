"""Who writes the book for a command: the command itself or, where a daemon holds the book, that daemon over REST."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Protocol
from urllib.error import HTTPError, URLError
from urllib.request import ProxyHandler, Request, build_opener

from ...drivers.errors import OUTCOMES, BookInUse, BookUnreachable, PeakwhiteError, UsageError
from ..access.reach import url_here
from ..access.sent_token import token_header
from ..book import BookPlace, BookWriter, PresentStage, writing
from ..book.clock import moment_now
from ..book.lock import address_of_holder
from ..book.placing import add_unit_and_stage
from ..book.records import JobText, StageText, UnitText
from ..config.settings import Settings
from ..measure.reading import plain
from .output import warn

if TYPE_CHECKING:
    from ..live.schema import BenchObject

ANSWER_S = 30.0
RUN = "command"


class Hand(Protocol):
    """Writes to the book. Every method raises BookError or UsageError where nothing was written."""

    def add_job(self, text: JobText) -> int:
        """Gives its number."""
        ...

    def add_unit(self, job_id: int, text: UnitText, stage: StageText) -> int:
        """Gives the number of its first stage, which is on the bench from now on."""
        ...

    def add_stage(self, unit_id: int, text: StageText) -> int:
        """Gives its number; it is on the bench from now on."""
        ...

    def choose(self, stage_id: int | None) -> None:
        """Put a stage on the bench that is known to be in the book."""
        ...

    def change_mark(self, mark_id: int, note: str | None, stage_id: int | None) -> None:
        """Another note, another stage, where given."""
        ...

    def undo(self) -> int | None:
        """Take back the last mark of this bench; gives its number."""
        ...

    def set_removed(self, mark_id: int, removed: bool) -> None:
        """Take a mark back, or put it back."""
        ...


@contextmanager
def writing_hand(place: BookPlace, settings: Settings) -> Iterator[Hand]:
    """Whoever may write. Raises BookInUse where another holds the book and does not say where it can be asked."""
    try:
        writer = BookWriter(place, RUN, bench=settings.tables.book.bench)
    except BookInUse:
        address = None if place.path is None else address_of_holder(place.path)
        if address is None:
            raise
        yield ByDaemon(address)
        return
    with writer:
        yield Directly(writer, place)
        for damaged in writer.set_aside:
            warn(f"{damaged.where}: {damaged.what}; what is kept now goes to {writer.place}; {damaged.do}")


def daemon_of(place: BookPlace, settings: Settings) -> "ByDaemon":
    """The daemon that has this book open. Raises UsageError where there is none."""
    address = None if place.path is None else _address_of_holder_now(place)
    if place.url is not None:
        http = settings.tables.http
        daemon = ByDaemon(url_here(http.host, http.port))
        if daemon.place() == str(place):
            return daemon
    if address is None:
        do = "start 'peakwhite serve', or keep a capture with 'peakwhite measure FILE --keep'"
        raise UsageError("no daemon has this book open, so that there is no reading", where=str(place), do=do)
    return ByDaemon(address)


def _address_of_holder_now(place: BookPlace) -> str | None:
    """Where the daemon that holds this file now can be asked; None where nobody holds it."""
    assert place.path is not None
    if not place.path.parent.is_dir():
        return None
    try:
        BookWriter(place, RUN).close()
    except BookInUse:
        return address_of_holder(place.path)
    return None


class Directly:
    """A Hand that writes to the file or server itself."""

    def __init__(self, writer: BookWriter, place: BookPlace) -> None:
        self._writer = writer
        self._present = PresentStage(place)

    def add_job(self, text: JobText) -> int:
        """As Hand."""
        return self._writer.write(lambda connection, _: writing.add_job(connection, text, moment_now().utc_ns))

    def add_unit(self, job_id: int, text: UnitText, stage: StageText) -> int:
        """As Hand."""
        now_ns = moment_now().utc_ns
        _, stage_id = self._writer.write(
            lambda connection, _: add_unit_and_stage(connection, job_id, text, stage, now_ns)
        )
        self._present.choose(stage_id)
        return stage_id

    def add_stage(self, unit_id: int, text: StageText) -> int:
        """As Hand."""
        stage_id = self._writer.write(
            lambda connection, _: writing.add_stage(connection, unit_id, text, moment_now().utc_ns)
        )
        self._present.choose(stage_id)
        return stage_id

    def choose(self, stage_id: int | None) -> None:
        """As Hand."""
        self._present.choose(stage_id)

    def change_mark(self, mark_id: int, note: str | None, stage_id: int | None) -> None:
        """As Hand."""
        self._writer.write(lambda connection, _: writing.change_mark(connection, mark_id, note=note, stage_id=stage_id))

    def undo(self) -> int | None:
        """As Hand."""
        bench = self._writer.bench
        return self._writer.write(lambda connection, _: writing.undo(connection, bench, moment_now().utc_ns))

    def set_removed(self, mark_id: int, removed: bool) -> None:
        """As Hand."""
        at_ns = moment_now().utc_ns if removed else None
        self._writer.write(lambda connection, _: writing.set_removed(connection, mark_id, at_ns))


class ByDaemon:
    """A Hand that asks the daemon at that address; it ends with a slash."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._opener = build_opener(ProxyHandler({}))

    def place(self) -> str:
        """Where it writes."""
        return str(self._ask("GET", "")["place"])

    def add_job(self, text: JobText) -> int:
        """As Hand."""
        return int(self._ask("POST", "/jobs", plain(text))["id"])

    def add_unit(self, job_id: int, text: UnitText, stage: StageText) -> int:
        """As Hand."""
        body = {**plain(text), "stage": stage.name}
        return int(self._ask("POST", f"/jobs/{job_id}/units", body)["stage"]["id"])

    def add_stage(self, unit_id: int, text: StageText) -> int:
        """As Hand."""
        return int(self._ask("POST", f"/units/{unit_id}/stages", plain(text))["stage"]["id"])

    def choose(self, stage_id: int | None) -> None:
        """As Hand."""
        self._ask("PUT", "/present", {"stage": stage_id})

    def keep(self, stage_id: int | None, note: str, who: str) -> int:
        """Keep the present reading; gives the number of the mark. Raises NoReading too."""
        return int(self._ask("POST", "/marks", {"stage": stage_id, "note": note, "who": who})["id"])

    def bench(self) -> "BenchObject":
        """How things are at the bench of that daemon."""
        told: BenchObject = self._ask("GET", "", part="bench")
        return told

    def set_watch(self, on: bool, band_mv: float | None) -> None:
        """Switch the watch."""
        self._ask("PUT", "/watch", {"on": on, "band_mv": band_mv}, part="bench")

    def same_unit(self) -> None:
        """It is still the same unit."""
        self._ask("POST", "/same-unit", part="bench")

    def came_on(self, what: str, minutes_ago: float) -> None:
        """The unit, or the scope, came on so long ago."""
        self._ask("PUT", f"/{what}-on", {"minutes_ago": minutes_ago}, part="bench")

    def change_mark(self, mark_id: int, note: str | None, stage_id: int | None) -> None:
        """As Hand."""
        self._ask("PUT", f"/marks/{mark_id}", {"note": note, "stage": stage_id})

    def undo(self) -> int | None:
        """As Hand."""
        number = self._ask("POST", "/undo")["id"]
        return None if number is None else int(number)

    def set_removed(self, mark_id: int, removed: bool) -> None:
        """As Hand."""
        if removed:
            self._ask("DELETE", f"/marks/{mark_id}")
        else:
            self._ask("POST", f"/marks/{mark_id}/restore")

    def _ask(self, method: str, path: str, body: object = None, part: str = "book") -> Any:
        """What the daemon answers. Raises the error that it answers with, BookUnreachable where it does not answer."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json"} | token_header()
        request = Request(f"{self._address}api/v1/{part}{path}", data, headers, method=method)
        try:
            with self._opener.open(request, timeout=ANSWER_S) as answer:
                return json.load(answer)
        except HTTPError as error:
            with error:
                raise _told(error.read(), self._address) from error
        except (URLError, OSError, ValueError) as error:
            what = "the daemon that writes this book does not answer there"
            raise BookUnreachable(what, where=self._address, do="see whether it runs, and try again") from error


def _told(content: bytes, address: str) -> PeakwhiteError:
    """The error that a daemon told as problem+json, of the class that has its code."""
    try:
        problem = json.loads(content)
        where, _, what = str(problem["detail"]).partition(": ")
        kind = next(
            (one for one, outcome in OUTCOMES.items() if outcome.problem_code == problem["code"]), PeakwhiteError
        )
        return kind(what, where=where, do=problem["do"]) if what else kind(where, where=address, do=problem["do"])
    except (ValueError, KeyError, TypeError):
        return PeakwhiteError("answers nonsense", where=address, do="update one of the two")
