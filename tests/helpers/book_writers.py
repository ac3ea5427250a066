"""Writers of a book as processes of their own, to be killed: `python book_writers.py` forks one for every line that it is given.

A line is the path of a book, whether to keep captures, and how many marks to keep. The process writes `pid N`, a line
`kept N` for every mark once it is acknowledged, and at last `ended STATUS` when it has ended, however it did. With the
argument `careless` nothing waits for the disk: what a test of durability has to notice.
"""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from kept_marks import a_stage, every_mark, made_capture, new_mark
from peakwhite.daemon.book import BookKeeper, BookPlace, BookReader, BookWriter, place
from peakwhite.daemon.book.check import check_book

LONG_S = 60.0


def say(text: str) -> None:
    """A line in one write, which no kill tears."""
    os.write(1, f"{text}\n".encode())


def write_marks(path: Path, captured: bool, count: int) -> None:
    """Keep marks through the keeper and acknowledge each."""
    keeper = BookKeeper(BookPlace(path), "run")
    keeper.start()
    for second in range(count):
        number = keeper.keep(new_mark(1, float(second), captured=captured)).result(LONG_S)
        say(f"kept {number}")
    keeper.stop()


def main() -> None:
    """Fork a writer for every line."""
    if sys.argv[1:] == ["careless"]:
        place.DURABLE = ("journal_mode = WAL", "synchronous = OFF")
    new_mark(1)  # what it needs is made once, before forking
    say("ready")
    for line in sys.stdin:
        path, captured, count = line.split()
        pid = os.fork()
        if pid == 0:
            say(f"pid {os.getpid()}")
            write_marks(Path(path), captured == "captured", int(count))
            os._exit(0)
        say(f"ended {os.waitpid(pid, 0)[1]}")


@contextmanager
def writers(*before: str, arguments: tuple[str, ...] = ()) -> "Iterator[subprocess.Popen[str]]":
    """The process that forks writers, behind another command where one is given."""
    command = (*before, sys.executable, __file__, *arguments)
    path = os.pathsep.join((str(Path(__file__).parent), *filter(None, [os.environ.get("PYTHONPATH")])))
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": path}
    ) as process:
        try:
            assert process.stdout is not None and process.stdout.readline() == "ready\n"
            yield process
        finally:
            assert process.stdin is not None
            process.stdin.close()


@dataclass
class Killed:
    """What came of killing writers: of the marks that were acknowledged none may be lost, of those there none be torn."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    unsound: int = 0


def kill_writers(folder: Path, times: int, seed: int = 1) -> Killed:
    """Kill a writer so many times, each at a random instant after a random number of marks, in several books in turn."""
    rng = random.Random(seed)
    killed = Killed()
    with writers() as process:
        while killed.kills < times:
            book = BookPlace(folder / f"killed-{killed.kills}.sqlite")
            assert book.path is not None
            with BookWriter(book, "first") as writer:
                a_stage(writer)
            acknowledged: set[int] = set()
            for _ in range(min(10, times - killed.kills)):
                acknowledged |= _kill_one(process, book.path, rng)
                killed.kills += 1
            killed.acknowledged += len(acknowledged)
            killed.lost += len(acknowledged - _whole(book))
            killed.unsound += not check_book(book).sound
            book.path.unlink()
    return killed


def _kill_one(process: "subprocess.Popen[str]", path: Path, rng: random.Random) -> set[int]:
    """Marks that a writer acknowledged before it was killed."""
    assert process.stdin is not None and process.stdout is not None
    print(path, "captured", 1_000, file=process.stdin, flush=True)
    pid = int(process.stdout.readline().removeprefix("pid "))
    acknowledged = set()
    for _ in range(rng.randrange(6)):
        acknowledged.add(int(process.stdout.readline().removeprefix("kept ")))
    time.sleep(rng.uniform(0.0, 0.02))  # a random instant of what the writer is doing
    os.kill(pid, signal.SIGKILL)
    while not (line := process.stdout.readline()).startswith("ended"):
        acknowledged.add(int(line.removeprefix("kept ")))
    assert line == f"ended {signal.SIGKILL.value}\n"
    return acknowledged


def _whole(book: BookPlace) -> set[int]:
    """The marks that are there; one that is not what was kept raises."""
    given = made_capture()
    with BookReader(book) as reader:
        whole = {line.id for line in every_mark(reader)}
        for number in whole:
            capture = reader.capture(number)
            assert capture is not None
            for one, other in zip(capture.channels, given.channels, strict=True):
                np.testing.assert_array_equal(one.codes, other.codes)
            assert not reader.show(number).damaged
        return whole


if __name__ == "__main__":
    main()
