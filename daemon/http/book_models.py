"""What REST takes and gives of the bench book; `book/objects.py` makes what is given."""

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool

from ..book.placing import AS_FOUND
from ..book.records import LONGEST_NAME, LONGEST_NOTE

HIGHEST = 2**62

_LINE = r"[^\x00-\x1f\x7f-\x9f]"
_LINES = r"[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]"
_SHOWN = r"[^\s\x00-\x1f\x7f-\x9f]"
"""What a name and a note may hold, and what a name holds at least one of where it is needed; records.py holds to the same."""


def _pattern(pattern: str) -> dict[str, Any]:
    """To be said only: records.py says of a text that is wrong what is wrong with it."""
    return {"pattern": pattern}


def whole(number: object) -> object:
    """JSON does not tell 1.0 from 1."""
    return int(number) if isinstance(number, float) and number.is_integer() else number


Number = Annotated[int, Field(strict=True, ge=1, le=HIGHEST), BeforeValidator(whole)]
Name = Annotated[str, Field(max_length=LONGEST_NAME, json_schema_extra=_pattern(f"^{_LINE}*$"))]
NeededName = Annotated[str, Field(max_length=LONGEST_NAME, json_schema_extra=_pattern(f"^{_LINE}*{_SHOWN}{_LINE}*$"))]
Note = Annotated[str, Field(max_length=LONGEST_NOTE, json_schema_extra=_pattern(f"^{_LINES}*$"))]
Choose = Annotated[StrictBool, Field(description="put it on the bench: marks go to it from now on")]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class JobTextBody(_Asked):
    """What is said of a job."""

    name: NeededName = Field(examples=["Quayside batch"])
    note: Note = ""


class UnitTextBody(_Asked):
    """What is said of a unit; one of maker, model and serial at least."""

    model_config = ConfigDict(
        json_schema_extra={
            "anyOf": [
                {"required": [name], "properties": {name: {"type": "string", "pattern": _SHOWN}}}
                for name in ("maker", "model", "serial")
            ]
        }
    )

    maker: Name = Field(default="", examples=["Tamarisk"])
    model: Name = Field(default="", examples=["TM-2"])
    serial: Name = Field(default="", examples=["TM2-0017"])
    revision: Name = Field(default="", description="of the board", examples=["C"])
    note: Note = ""


class NewUnitBody(UnitTextBody):
    """A unit that arrives, with the first of its stages."""

    stage: NeededName = AS_FOUND
    choose: Choose = True


class StageTextBody(_Asked):
    """What a stage is called."""

    name: NeededName = Field(examples=["after first change"])


class NewStageBody(StageTextBody):
    """Another stage of a unit."""

    choose: Choose = True


class PresentRequestBody(_Asked):
    """Which stage is on the bench; null for none: marks are loose ones then."""

    stage: Number | None


class NewMarkBody(_Asked):
    """Keep the present reading."""

    note: Note = ""
    who: Name = Field(default="", description="who measured")
    stage: Number | None = Field(default=None, description="left out, the stage on the bench")


class MarkChangeBody(_Asked):
    """What is to be different; what is left out stays."""

    note: Note | None = None
    stage: Number | None = Field(default=None, description="the stage that it belongs to from now on")


class KeptBody(BaseModel):
    """The number of a mark that is kept, where the rest could not be read back."""

    id: int


class JobBody(BaseModel):
    """A job."""

    id: int
    name: str
    note: str
    created_at: str | None


class JobsBody(BaseModel):
    """All jobs, the newest first."""

    jobs: list[JobBody]


class UnitBody(BaseModel):
    """A unit."""

    id: int
    job: int
    maker: str
    model: str
    serial: str
    revision: str
    note: str
    created_at: str | None


class UnitsBody(BaseModel):
    """The units of a job, the oldest first."""

    units: list[UnitBody]


class StageBody(BaseModel):
    """A stage."""

    id: int
    unit: int
    name: str
    created_at: str | None


class StagesBody(BaseModel):
    """The stages of a unit, the oldest first."""

    stages: list[StageBody]


class WhereaboutsBody(BaseModel):
    """A stage with the unit and the job that it belongs to."""

    job: JobBody
    unit: UnitBody
    stage: StageBody


class PresentBody(BaseModel):
    """What is on the bench; null where nothing was chosen."""

    present: WhereaboutsBody | None


class BookBody(PresentBody):
    """Where the book is, and what is on the bench."""

    place: str = Field(description="where is written now; a password is not shown")
    bench: str = Field(description="what this bench is called in it")


class LevelBody(BaseModel):
    """What a list says of one channel of a mark."""

    channel: str
    role: str | None
    peak_white_mv: float | None
    u95_mv: float | None
    off_aim_mv: float | None
    target: str | None
    zone: str | None
    verdict: str | None
    held: bool


class MarkBody(BaseModel):
    """A mark as a list shows it."""

    id: int
    at: str | None = Field(description="when it was captured, UTC; order is by run and a clock that never jumps")
    clock_synced: bool | None = Field(description="whether that can be believed; null where not known")
    run: str
    bench: str
    scope: str = Field(description="what the scope called itself")
    job: JobBody
    unit: UnitBody
    stage: StageBody
    note: str
    who: str
    unit_on_min: float | None = Field(description="minutes since the unit came on")
    scope_on_min: float | None
    cold: bool = Field(description="whether that makes the levels doubtful")
    has_capture: bool
    removed_at: str | None = Field(description="when it was taken back; null while it was not")
    levels: list[LevelBody]


class MarksBody(BaseModel):
    """Marks, the newest first. The `id` of the last, as `before`, asks for the next page."""

    marks: list[MarkBody]


class MarkInFullBody(MarkBody):
    """A mark in full, but for its codes."""

    reading: dict[str, Any] | None = Field(description="schema peakwhite.reading/1; null where it is damaged")
    setup: dict[str, Any] | None = Field(description="the user's word under which it was measured")
    inspect: dict[str, Any] | None
    remedy: dict[str, Any] | None
    damaged: list[str] = Field(description="what of it cannot be read")


class UndoneBody(BaseModel):
    """Which mark was taken back; null where there was none."""

    id: int | None


class ComparedBody(BaseModel):
    """One role in two marks."""

    role: str
    before_mv: float | None
    after_mv: float | None
    change_mv: float | None
    percent: float | None = Field(description="after as per cent of before")
    u95_percent: float | None
    same_way: bool = Field(description="whether the gain dropped out: same scope, channel, range and probe")
    held: bool = Field(description="whether one of both was not measured then but held from shortly before")


class ComparisonBody(BaseModel):
    """Two marks against each other; the matches are as the readings have them."""

    before: int
    after: int
    levels: list[ComparedBody]
    match_before: dict[str, Any] | None
    match_after: dict[str, Any] | None


class EventBody(BaseModel):
    """Something that the watch caught."""

    id: int
    at: str | None
    clock_synced: bool | None
    kind: str
    channel: str | None
    text: str
    stage: int | None


class EventsBody(BaseModel):
    """What the watch caught, the newest first."""

    events: list[EventBody]


class EventCaptureBody(BaseModel):
    """One capture around an event; negative positions came before it."""

    position: int
    captured_at: str | None
    reading: dict[str, Any] | None


class EventCapturesBody(BaseModel):
    """The captures around an event, in order."""

    captures: list[EventCaptureBody]
