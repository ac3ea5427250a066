"""The one place that says what every frame of the live socket looks like, as JSON Schema.

The reading's schema is derived from the dataclasses that hold it, so it can name no key that they lack.
"""

from functools import cache
from typing import Annotated, Any, Literal, NotRequired

from pydantic import Field, TypeAdapter
from typing_extensions import TypedDict

from ..measure.evidence import MOST_FLATS, Flat
from ..measure.reading import ChannelReading, Hint, LatencyMs, MatchReading, ScopeTag, SyncReading
from .status import ScopeState

LIVE_SCHEMA = "peakwhite.live/1"
MOST_SINGLES = 8
LONGEST_US = 1e4
"""Windows of a line lie within so many microseconds about its 0H."""

Role = Literal["operator", "viewer"]
SpanUs = Annotated[list[float], Field(min_length=2, max_length=2, description="from and to, us after 0H")]

ReadingObject = TypedDict(
    "ReadingObject",
    {
        "schema": Literal["peakwhite.reading/1"],
        "run": Annotated[str, Field(description="names this run of the daemon")],
        "seq": Annotated[int, Field(ge=1, description="counts the readings of a run; what is skipped was superseded")],
        "setup": Annotated[int, Field(ge=1, description="generation of the set-up that was in force")],
        "captured_at": Annotated[str | None, Field(description="UTC, RFC 3339")],
        "latency_ms": LatencyMs,
        "scope": ScopeTag,
        "sync": SyncReading,
        "channels": list[ChannelReading],
        "match": MatchReading | None,
        "hints": list[Hint],
    },
)


class HelloFrame(TypedDict):
    """First frame of every connection."""

    type: Literal["hello"]
    schema: Literal["peakwhite.live/1"]
    version: str
    run: str
    rate_hz: float
    demo: bool
    role: Annotated[Role, Field(description="a viewer may look on only")]
    signed_in_as: Annotated[str | None, Field(description="name of the token; null for this computer itself")]


class ScopeObject(TypedDict):
    """How the scope is, in words."""

    state: ScopeState
    since: str | None
    text: str
    do: str | None


class ProblemObject(TypedDict):
    """Something that is wrong now."""

    code: str
    text: str
    do: str
    since: str | None


class ControlObject(TypedDict):
    """Who holds control, and whether that is this connection."""

    holder: str | None
    mine: bool


class StatusFrame(TypedDict):
    """After hello, on change and every two seconds: a page that hears nothing for five says that the daemon is lost."""

    type: Literal["status"]
    scope: ScopeObject
    problems: list[ProblemObject]
    control: ControlObject
    viewers: Annotated[int, Field(ge=0)]
    setup: Annotated[int, Field(ge=1)]


class ReadingFrame(TypedDict):
    """The newest reading; whoever is too slow for all of them misses some, never waits."""

    type: Literal["reading"]
    reading: ReadingObject


class FaultsSeen(TypedDict("FaultsByName", {"sync-lost": int, "channel-dead": int})):
    """How often the watch has seen each kind of fault."""

    level: int


class WatchObject(TypedDict):
    """The watch for intermittent faults, and what it has seen since it was last switched on."""

    on: bool
    band_mv: Annotated[float, Field(gt=0, description="how far a level may be from what is normal")]
    seen: FaultsSeen
    kept: Annotated[int, Field(ge=0, description="of these, that many are in the book with their captures")]
    not_kept: Annotated[int, Field(ge=0)]


class DriftObject(TypedDict):
    """How a level drifts, and between which rates that lies with 95 %; neither drifting nor settled: not known."""

    role: Annotated[str, Field(description="or the channel, where it has no role")]
    mv_per_min: float
    low_mv_per_min: float
    high_mv_per_min: float
    drifting: bool
    settled: bool


class WarmthObject(TypedDict):
    """How far unit and scope have warmed up; minutes are null where it was not seen that they came on."""

    unit_on_min: float | None
    scope_on_min: float | None
    why_cold: Annotated[str | None, Field(description="why a mark would be labelled cold, null where it would not")]
    drifting: bool
    settled: bool
    drifts: list[DriftObject]


class QuestionObject(TypedDict):
    """It may be another unit: nothing is kept under the name of the one before until somebody has said."""

    text: str
    since: str | None
    is_back: bool


class JobObject(TypedDict):
    """A job of the book."""

    id: int
    name: str
    note: str
    created_at: str | None


class UnitObject(TypedDict):
    """A unit of the book."""

    id: int
    job: int
    maker: str
    model: str
    serial: str
    revision: str
    note: str
    created_at: str | None


class StageObject(TypedDict):
    """A stage of the book."""

    id: int
    unit: int
    name: str
    created_at: str | None


class PresentObject(TypedDict):
    """The stage that marks go to, with its unit and job: as `GET book/present` gives it."""

    job: JobObject
    unit: UnitObject
    stage: StageObject


class BenchObject(TypedDict):
    """What goes on at the bench beside the levels."""

    present: Annotated[PresentObject | None, Field(description="null where nothing was chosen: marks are loose ones")]
    watch: WatchObject
    warmth: WarmthObject
    question: QuestionObject | None


class BenchFrame(BenchObject):
    """With every status, where there is a book; at once when the watch has counted something, a question is asked, or
    another stage is on the bench or called something else."""

    type: Literal["bench"]


class MarkFrame(TypedDict):
    """A mark is in the book, and durable; `GET book/marks/{id}` has it. Newest only, as every kind."""

    type: Literal["mark"]
    id: Annotated[int, Field(ge=1)]


class LinesChannel(TypedDict):
    """One channel of a lines frame: millivolts against scope zero are count × mv_per_count. What its level stands on is
    null or empty where it has none: where on the line blanking is taken and flats are looked for, and those found."""

    channel: str
    role: str | None
    mv_per_count: Annotated[float, Field(gt=0)]
    blanking_mv: Annotated[float | None, Field(description="against scope zero")]
    level_mv: Annotated[float | None, Field(description="of the flats that made the level, above blanking")]
    level_lines: Annotated[int, Field(ge=0, description="on how many lines the level stands")]
    level_of: Annotated[int, Field(ge=0, description="of how many")]
    clamp_us: SpanUs | None
    active_us: SpanUs | None
    looked_at: Annotated[int, Field(ge=0, description="how many lines flats were looked for on")]
    flats: Annotated[list[Flat], Field(max_length=MOST_FLATS)]


class LinesHeader(TypedDict):
    """The JSON header of a binary frame. After it come, channel by channel, for the averaged line and then for each of the
    `singles`, `columns` pairs of int16 LE: min, max. Times are us after the line's 0H."""

    type: Literal["lines"]
    setup: Annotated[int, Field(ge=1)]
    columns: Annotated[int, Field(ge=1)]
    start_us: Annotated[float, Field(description="where the first column begins")]
    us_per_column: Annotated[float, Field(gt=0)]
    whole_us: Annotated[SpanUs, Field(description="from where to where a window may lie")]
    lines: Annotated[int, Field(ge=1, description="how many lines were averaged")]
    singles: Annotated[
        list[Annotated[int, Field(ge=0)]],
        Field(max_length=MOST_SINGLES, description="which of them come singly, from 0"),
    ]
    channels: list[LinesChannel]


class LinesRequest(TypedDict):
    """Client: send the averaged line, about this many columns wide; 0 to end it. A window is widened to what others may
    share; the daemon computes a few of them at a time, so that with many viewers each comes less often."""

    type: Literal["lines"]
    width: Annotated[int, Field(ge=0, le=4096)]
    from_us: NotRequired[Annotated[float, Field(ge=-LONGEST_US, le=LONGEST_US)]]
    to_us: NotRequired[Annotated[float, Field(ge=-LONGEST_US, le=LONGEST_US)]]
    single: NotRequired[Annotated[int, Field(ge=0, le=MOST_SINGLES, description="so many single lines beside it")]]


class ControlRequest(TypedDict):
    """Client: this connection belongs to who holds control by this token (from POST control)."""

    type: Literal["control"]
    token: Annotated[str, Field(max_length=200)]


FRAMES: dict[str, Any] = {
    "hello": HelloFrame,
    "status": StatusFrame,
    "bench": BenchFrame,
    "reading": ReadingFrame,
    "mark": MarkFrame,
    "lines": LinesHeader,
}
"""What the server sends, by `type`; of `lines` the header of the binary frame."""

REQUESTS: dict[str, Any] = {"lines": LinesRequest, "control": ControlRequest}
"""What a client may send, by `type`."""


@cache
def live_schema() -> dict[str, Any]:
    """`{"server": {type: schema}, "client": {type: schema}}`, each a JSON Schema complete in itself."""
    return {
        "schema": LIVE_SCHEMA,
        "server": {kind: schema_of(frame) for kind, frame in FRAMES.items()},
        "client": {kind: schema_of(frame) for kind, frame in REQUESTS.items()},
    }


def schema_of(kind: Any) -> dict[str, Any]:
    """JSON Schema of a type, with every key required that is not marked otherwise, and no other allowed: what was not
    measured is null, never left out."""
    schema = TypeAdapter(kind).json_schema(mode="serialization")
    optional: frozenset[str] = getattr(kind, "__optional_keys__", frozenset())
    for table in (schema, *schema.get("$defs", {}).values()):
        if "properties" in table:
            table["required"] = [name for name in table["properties"] if table is not schema or name not in optional]
            table["additionalProperties"] = False
            for entry in table["properties"].values():
                entry.pop("default", None)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
