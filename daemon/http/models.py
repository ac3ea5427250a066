"""What REST takes and gives, beside the reading itself."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, StringConstraints

from ..config.values import CHANNEL_NAME
from ..measure.hookup import Link, Load, Point, Role
from ..measure.targets import Basis

Colour = Literal["red", "green", "blue"]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class ClipBody(_Body):
    """One probe: which channel, which signal, and what stands between them."""

    channel: str = Field(pattern=f"^{CHANNEL_NAME}$", description="the scope's name of the channel", examples=["CH1"])
    role: Role = Field(description="the signal on it", examples=["red"])
    point: Point = Field(default="connector", description="where the probe touches the unit")
    load: Load = Field(default="terminator", description="what terminates the signal")
    load_ohm: float = Field(default=75.0, gt=0, le=1e9, description="resistance of the load in ohm")
    load_tolerance_pct: float = Field(default=1.0, ge=0, le=50, description="how far the load may be off, per cent")
    link: Link = Field(default="coax", description="cable or probe")
    probe_ratio: float = Field(
        1.0, gt=0, le=10_000, description="multiplies the scope's volts; 1 where it knows its probe"
    )


class HookupBody(_Body):
    """What is clipped where, and what it is measured against. It replaces all that was in force."""

    clips: list[ClipBody] = Field(max_length=64, description="a channel or a role stands in it once at most")
    target_of: dict[Role, str] = Field(
        default_factory=dict,
        description="name of the target that a role takes, where not its default",
        examples=[{"red": "rgb-700"}],
    )
    pattern_white_pct: float = Field(
        100.0, ge=1, le=100, description="white of the pattern on the screen, per cent of full"
    )


class HookupInForce(HookupBody):
    """The hookup in force, and the generation that readings made under it carry as `setup`."""

    setup: int = Field(description="generation; counts up with every change", examples=[12])


class WindowBody(BaseModel):
    """A published compatibility window; never the verdict of a trim."""

    name: str
    low_mv: float
    high_mv: float


class TargetBody(BaseModel):
    """A target: levels in mV above blanking into the proper load."""

    name: str = Field(examples=["rgb-525"])
    roles: list[Role]
    nominal_mv: float = Field(examples=[714.3])
    over_above_mv: float
    on_from_mv: float
    dim_from_mv: float
    setup_mv: float
    sync_mv: float | None
    burst_mv_pp: float | None
    basis: Basis
    source: str
    windows: list[WindowBody]


class TargetsBody(BaseModel):
    """All targets known, and the choices in force."""

    targets: list[TargetBody]
    target_of: dict[Role, str] = Field(description="where the user chose; every other role takes its default")


class ScopeBody(BaseModel):
    """A scope that discovery found, or that was in use before."""

    id: str | None = Field(description="names it to `PUT scopes/in-use`; null where it cannot be chosen")
    resource: str = Field(examples=["TCPIP0::192.0.2.7::5025::SOCKET"])
    identity: str | None = Field(description="what it calls itself, where it said")
    problem: str | None = Field(
        description="why that is not known; where a way of looking failed, resource is its pattern"
    )
    in_use: bool


class ScopesBody(BaseModel):
    """What the last scan found; null before the first."""

    scopes: list[ScopeBody] | None


class ScopeChoiceBody(_Body):
    """A scope of the list."""

    id: str = Field(max_length=64, description="as the list gives it", examples=["5f0c3a91d27be684"])


class ChosenScopeBody(ScopesBody):
    """The list, and whether the choice outlives the daemon."""

    kept: bool = Field(description="whether it stands in the settings file; else it holds until the daemon ends")
    why_not_kept: str | None = Field(examples=["--scope goes before the settings file"])


def printable(text: str) -> str:
    """The text. Raises ValueError where it holds anything that cannot be shown."""
    if not text.isprintable():
        raise ValueError("only characters that can be printed")
    return text


HolderName = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40), AfterValidator(printable)
]


class ControlRequestBody(_Body):
    """Ask for control."""

    name: HolderName = Field(description="how others see you", examples=["phone"])
    take: StrictBool = Field(default=False, description="take it even where somebody holds it; their page says so")


class ControlGrant(BaseModel):
    """Control is yours: send the token as header `Peakwhite-Control`, and on the live socket as message `control`."""

    token: str
    holder: str
    taken_from: str | None = Field(description="who held it until now")


class ControlBody(BaseModel):
    """Who holds control; null while nobody does and everybody may write."""

    holder: str | None = Field(examples=["phone"])


class CautionsBody(BaseModel):
    """What must be read before a probe is clipped on."""

    title: str
    items: list[str]
    note: str


class HealthBody(BaseModel):
    """The process lives."""

    status: str = Field(examples=["alive"])
    version: str
    run: str


class ReadyBody(BaseModel):
    """Valid readings come in."""

    status: str = Field(examples=["ready"])
    age_s: float = Field(description="of the newest reading")


class TrimmerBody(_Body):
    """How far a trimmer is turned."""

    percent: float = Field(ge=50, le=150, allow_inf_nan=False, description="100 is nominal", examples=[104.5])


class DemoBody(BaseModel):
    """The demo's simulated unit."""

    unit: str = Field(examples=["Tamarisk TM-2"])
    trimmers: dict[str, TrimmerBody] = Field(description="by role")
    min_percent: float
    max_percent: float


class OneProbeRequestBody(_Body):
    """Take the present level of the probe that is moved as this colour's."""

    role: Colour = Field(description="the colour that the probe is on now", examples=["red"])
    channel: str | None = Field(
        default=None,
        pattern=f"^{CHANNEL_NAME}$",
        description="the channel that is moved; left out, the only one of the hookup that carries a colour",
        examples=["CH1"],
    )


class OneProbeLevelBody(BaseModel):
    """One colour as it was taken."""

    role: str
    channel: str
    level_mv: float
    captured_at: str | None
    age_s: float | None = Field(description="against the newest reading; null where there is none")


class OneProbeBody(BaseModel):
    """What one probe was moved over so far."""

    taken: list[OneProbeLevelBody] = Field(description="in the order red, green, blue, red")
    due: str = Field(description="the colour to take next")
    match: dict[str, Any] | None = Field(description="as readings carry it for 60 s; null until all four are taken")
    problem: str | None = Field(description="why there is no match though all are taken")
    setup: int = Field(description="generation of the set-up that has it")


def _true(value: object) -> object:
    if value is not True:  # 1 equals it
        raise ValueError("only true")
    return value


class ReferenceRequestBody(_Body):
    """Take the newest reading as that of the reference unit."""

    take: Annotated[Literal[True], BeforeValidator(_true)]


class ReferenceLevelBody(BaseModel):
    """The reference unit's level on a role, and through what channel, range and probe it came."""

    role: str
    channel: str
    level_mv: float
    u95_mv: float
    path: str | None


class ReferenceBody(BaseModel):
    """The levels of the reference unit; none where there is no reference."""

    levels: list[ReferenceLevelBody]
    setup: int = Field(description="generation of the set-up that has it")


class HoldRequestBody(_Body):
    """Hold the highest sustained level, beginning now; or no longer."""

    on: StrictBool


class HoldBody(BaseModel):
    """Whether the highest sustained level is held."""

    on: bool
    setup: int = Field(description="generation of the set-up that has it")


class LiveSchemaBody(BaseModel):
    """JSON Schema of every frame of the live socket, by direction and type."""

    model_config = ConfigDict(extra="allow")
    server: dict[str, Any]
    client: dict[str, Any]
