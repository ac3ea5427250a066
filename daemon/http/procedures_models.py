"""What the routes of the procedures take and give."""

from pydantic import BaseModel, ConfigDict, Field

from ..config.values import CHANNEL_NAME
from ..measure.terminator_test import Second


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class FirstPressBody(_Body):
    """Begin a terminator test."""

    second: Second = Field(description="what the second press will be into", examples=["open"])


class LevelBody(BaseModel):
    """The mean level of one channel at the first press."""

    channel: str
    role: str
    level_mv: float


class HintBody(BaseModel):
    """A suspicion with its ten-second test."""

    code: str
    text: str
    test: str


class ImpedanceBody(BaseModel):
    """What the terminator test says of one channel."""

    channel: str
    role: str
    level_mv: float = Field(description="into one terminator")
    second_mv: float = Field(description="into none, or two")
    source_ohm: float | None = Field(description="null where none gives these levels")
    u95_ohm: float | None = Field(description="95 % half-width")
    same_range: bool = Field(description="both presses were on one range, so that the scope's gain cancels")
    words: str = Field(examples=["75.2 ± 1.8 ohm: back-terminated as it should be"])
    hints: list[HintBody]


class TerminatorBody(BaseModel):
    """How far a terminator test has come."""

    second: Second | None = Field(description="what the second press is into; null before the first")
    first: list[LevelBody] | None = Field(description="null where the first press is due")
    age_s: float | None = Field(description="of the first press; it counts for 300 s")
    result: list[ImpedanceBody] | None
    captured_at: str | None = Field(description="when the second press was")


class LearnBody(_Body):
    """Learn a tie."""

    reference: str | None = Field(
        None, pattern=f"^{CHANNEL_NAME}$", description="compare with this channel; null: that of the first colour"
    )


class TiedBody(BaseModel):
    """How one channel reads beside the reference."""

    channel: str
    reference: str
    relative_gain: float
    relative_gain_u: float = Field(description="standard uncertainty")
    delay_ns: float
    words: str


class TieBody(BaseModel):
    """How far a tie has come."""

    step: str = Field(description="what to do before learning")
    learnt: list[TiedBody] | None = Field(description="null before the first press")
    match_u95_before_mv: float | None = Field(description="95 % half-width of the colours' match without the tie")
    match_u95_mv: float | None = Field(description="and with it; both null for two colours")
    range_note: str | None = Field(description="where the scope is not on its usual range: compare again once it is")
    age_s: float | None = Field(description="of what waits to be kept, which it may for 300 s")
    file: str | None = Field(description="where it was kept; null before the second press")
    valid_until: str | None
