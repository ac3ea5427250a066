"""A bench whose book is asked over REST: the application over a real book, and readings handed over by the test."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from kept_marks import CONDITIONS, made_capture, made_reading
from peakwhite.daemon.book import BookKeeper, BookPlace, Marking, PresentStage
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Services
from peakwhite.daemon.live import ControlLease, Hub, ScopeStatus
from peakwhite.daemon.measure.reading import Reading
from peakwhite.drivers.capture import Capture

HOST = "127.0.0.1:8714"
BOOK = "/api/v1/book"


class Bench:
    """The application over a real book, and readings as the acquisition would hand them over."""

    def __init__(self, folder: Path) -> None:
        self.now_ns = 10**9
        self.setup = SetupInForce(Setup(conditions=CONDITIONS))
        lease = ControlLease(lambda: 0.0)
        self.hub = Hub(lease, lambda: self.setup.current.generation, lambda: 0.0)
        self.place = BookPlace(folder / "book.sqlite")
        self.keeper = BookKeeper(
            self.place, "abcd", bench="left", tell=lambda problems: self.hub.announce_beside("book", problems)
        )
        self.keeper.start()
        self.marking = Marking(self.keeper, PresentStage(self.place), self.setup, monotonic_ns=lambda: self.now_ns)
        services = Services(
            hub=self.hub,
            lease=lease,
            setup=self.setup,
            version="1.2.3",
            run="abcd",
            hosts=frozenset({HOST}),
            page=folder,
            scan=self.scan,
            check_hookup=lambda hookup: None,
            trimmers=None,
            now_s=lambda: 0.0,
            book=self.marking,
        )
        self.client = TestClient(create_app(services), base_url=f"http://{HOST}", raise_server_exceptions=False)

    async def scan(self) -> list[Any]:
        return []

    def show(self, red_mv: float = 750.0, *, held: bool = False, after_ns: int = 50_000_000) -> tuple[Reading, Capture]:
        """A reading is published, some time after the one before."""
        self.now_ns += after_ns
        reading, capture = replace(made_reading(red_mv), setup=self.setup.current.generation), made_capture(red_mv)
        if held:
            channels = tuple(replace(channel, held=True) for channel in reading.measured.channels)
            reading = replace(reading, measured=replace(reading.measured, channels=channels))
        self.hub.announce(ScopeStatus("ready", 1, "capturing"), ())
        self.hub.publish(reading)
        self.marking.on_reading(reading, capture)
        return reading, capture

    def ask(self, method: str, path: str, body: object = None, status: int = 200) -> Any:
        """The body of the answer, which has that status."""
        answer = self.client.request(method, f"{BOOK}{path}", json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def unit(self, serial: str = "TM2-0017") -> Any:
        """A new job with a unit, which is on the bench then."""
        job = self.ask("POST", "/jobs", {"name": "Quayside batch"})
        return self.ask("POST", f"/jobs/{job['id']}/units", {"model": "TM-2", "serial": serial})


@contextmanager
def open_bench(folder: Path) -> Iterator[Bench]:
    """One with a book in that folder, closed afterwards."""
    made = Bench(folder)
    with made.client:
        yield made
    made.marking.close()
    assert made.keeper.stop()


def problem(body: Any, code: str) -> str:
    """What an answer says that has to be a problem of that code."""
    assert body["code"] == code and body["do"]
    return str(body["detail"])
