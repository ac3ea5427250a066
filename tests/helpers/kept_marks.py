"""Things to be kept: a job with a unit and a stage, and marks that were really measured from made captures."""

from collections.abc import Iterator
from functools import cache

from made_video import Made, rgb_sync, white
from peakwhite.daemon.book import BookReader, MarkFilter
from peakwhite.daemon.book.records import JobText, MarkLine, Moment, NewMark, StageText, UnitText, Warmth
from peakwhite.daemon.book.writer import BookWriter
from peakwhite.daemon.book.writing import add_job, add_stage, add_unit
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

CONDITIONS = Conditions(BENCH_DEFAULT)
TM_2 = UnitText("Tamarisk", "TM-2", "TM2-0017", "C")
STARTED_NS = 1_767_323_045_678_000_000
S = 1_000_000_000


@cache
def made_capture(red_mv: float = 750.0, samples: int = 12_000) -> Capture:
    """Red as high as given, green 714, blue 700, sync; 8 bits."""
    made = Made(samples=samples, noise_mv=6.0, lsb_mv=4.0, bits=8)
    return rgb_sync(made, white(red_mv), white(714.0), white(700.0))


@cache
def made_reading(red_mv: float = 750.0, samples: int = 12_000) -> Reading:
    """What the engine says of that capture."""
    measured = measure_capture(made_capture(red_mv, samples), CONDITIONS)
    return Reading("9f3c", 17, 1, STARTED_NS, LatencyMs(4.0, 1.0), ScopeTag("PEAKWHITE,SIM,1,0", None), measured)


def moment(second: float) -> Moment:
    """So many seconds after the bench was started."""
    return Moment(int(second * S), STARTED_NS + int(second * S), True)


def new_mark(
    stage_id: int, second: float = 1.0, *, red_mv: float = 750.0, captured: bool = True, note: str = "", who: str = ""
) -> NewMark:
    """A mark of that stage, taken at that second."""
    return NewMark(
        stage_id,
        moment(second),
        made_reading(red_mv),
        CONDITIONS,
        made_capture(red_mv) if captured else None,
        Warmth(25.0, 60.0),
        note,
        who,
    )


def a_stage(
    writer: BookWriter,
    job: str = "Quayside batch",
    unit: UnitText = TM_2,
    stage: str = "as found",
) -> int:
    """A new job with one unit and one stage; gives the stage's number."""
    job_id = writer.write(lambda connection, _: add_job(connection, JobText(job), STARTED_NS))
    unit_id = writer.write(lambda connection, _: add_unit(connection, job_id, unit, STARTED_NS))
    return writer.write(lambda connection, _: add_stage(connection, unit_id, StageText(stage), STARTED_NS))


def every_mark(reader: BookReader) -> Iterator[MarkLine]:
    """All marks of a book, however many."""
    before = None
    while lines := reader.marks(MarkFilter(before=before, most=1_000)):
        yield from lines
        before = lines[-1].id
