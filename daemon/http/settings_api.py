"""The settings under /api/v1/settings: every key with what it means, and changes that are written to the file."""

from collections.abc import Collection, Iterator
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    StrictStr,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
)
from pydantic_core import PydanticCustomError
from starlette.responses import JSONResponse, Response

from ...drivers.errors import OUTCOMES, SettingsError, UsageError
from ..config.complaints import Complaint, nearest
from ..config.keys import KeyPath, dotted, is_key, keys_of, why_by_hand
from ..config.rows import Kind, Row
from ..config.settings import SettingsMistakes
from ..settings_in_force import Reloaded, SettingsInForce
from .api import inlined, may_write
from .models import printable
from .problems import MEDIA_TYPE, Problem, answers
from .services import Services

Text = Annotated[StrictStr, Field(max_length=1000), AfterValidator(printable)]
Name = Annotated[StrictStr, Field(min_length=1, max_length=64), AfterValidator(printable)]
Whole = Annotated[StrictInt, Field(ge=-(2**53), le=2**53)]
Figure = Annotated[float, Field(strict=True, allow_inf_nan=False)]


def _in_one_sentence(value: Any, validate: ValidatorFunctionWrapHandler) -> Any:
    """What no form of a value takes, said once and not for each of them."""
    try:
        return validate(value)
    except ValidationError:
        what = "must be true, false, a number, a printable text of at most 1000 characters, a list of at most 20 names, or null"
        raise PydanticCustomError("value", what) from None


Value = Annotated[
    StrictBool | Whole | Figure | Text | Annotated[list[Name], Field(max_length=20)] | None,
    WrapValidator(_in_one_sentence),
]


class SettingBody(BaseModel):
    """One key. Passwords in values are masked."""

    table: list[str] = Field(examples=[["live"]])
    key: str = Field(examples=["rate_hz"])
    value: Any = Field(description="as it was last read, null where there is none", examples=[20.0])
    in_force: Any = Field(description="as the running daemon has it; another than `value` waits for a restart")
    waiting: bool = Field(description="whether it waits for a restart")
    default: Any = Field(examples=[20.0])
    unit: str = Field(examples=["Hz"])
    range: str = Field(examples=["1 to 100"])
    origin: str = Field(description="line of the file, variable, option, `default` or `not given`", examples=["line 3"])
    meaning: str = Field(examples=["readings wanted a second"])
    variable: str = Field(description="goes before the file", examples=["PEAKWHITE_LIVE_RATE_HZ"])
    kind: Kind
    choices: list[str] = Field(description="the names that it may have; empty for any")
    live: bool = Field(description="whether a change comes into force while the daemon runs")
    by_hand: str = Field(description="why it is changed in the file only; empty where it may be changed here")


class SettingsBody(BaseModel):
    """Every key, and the file."""

    file: str = Field(examples=["/home/bench/.config/peakwhite/peakwhite.toml"])
    digest: str = Field(
        description="of the file as it was last read, to be sent with changes; empty where there is none"
    )
    settings: list[SettingBody]


class ChangedSettingsBody(SettingsBody):
    """Likewise, and what a change or reading anew brought."""

    now_in_force: list[str] = Field(description="keys that changed and are in force", examples=[["[live] rate_hz"]])
    need_restart: list[str] = Field(description="keys that wait for a restart", examples=[["[http] port"]])


class ChangeBody(BaseModel):
    """A key and what it is to be; null removes it from the file, so that its default holds."""

    model_config = ConfigDict(extra="forbid")

    table: list[Name] = Field(min_length=1, max_length=2, examples=[["live"]])
    key: Name = Field(examples=["rate_hz"])
    value: Value = Field(examples=[10.0])


class ChangesBody(BaseModel):
    """Changes of the settings file, all or none."""

    model_config = ConfigDict(extra="forbid")

    digest: StrictStr = Field(description="from GET settings", max_length=64)
    changes: list[ChangeBody] = Field(max_length=200)


class MistakeBody(BaseModel):
    """One thing that is wrong with settings."""

    table: list[str]
    key: str | None
    where: str = Field(description="line of the file as it would be, variable or option; empty where not known")
    text: str = Field(examples=["must be at most 100, not 101"])
    nearest: str | None = Field(description="the valid name that is most like the one given")


class SettingsProblem(Problem):
    """What is wrong with settings, all of it."""

    mistakes: list[MistakeBody] = Field(default_factory=list)


def settings_routes(services: Services, settings: SettingsInForce) -> APIRouter:
    """Routes of the settings."""
    router = APIRouter(prefix="/api/v1/settings")
    schema = {"content": {MEDIA_TYPE: {"schema": inlined(SettingsProblem.model_json_schema())}}}
    refused = answers(409, 503) | {422: {"description": "What is wrong, all of it", **schema}}

    @router.get("", summary="Every key of the settings", responses=answers())
    async def all_settings() -> SettingsBody:
        """With value, default, unit, range, origin, meaning, and whether a change needs a restart."""
        return SettingsBody(**_told(settings))

    @router.put(
        "",
        summary="Change keys in the settings file",
        responses=refused,
        dependencies=[may_write(services)],
        response_model=ChangedSettingsBody,
    )
    async def change(body: ChangesBody) -> ChangedSettingsBody | Response:
        """Written whole or not at all, comments kept; then read anew. A file that was changed otherwise since gets 409."""
        changes = {(*one.table, one.key): one.value for one in body.changes}
        if len(changes) < len(body.changes):
            raise UsageError("a key is given twice", where="changes", do="give it once")
        if mistakes := list(_not_to_change(changes)):
            return _refusal(mistakes, "settings", "correct it; GET settings lists every key")
        try:
            return _changed(settings, await settings.change(body.digest, changes))
        except SettingsMistakes as error:
            return _refusal(error.mistakes, error.where, error.do)

    @router.post(
        "/reload",
        summary="Read the settings file anew",
        responses=refused,
        dependencies=[may_write(services)],
        response_model=ChangedSettingsBody,
    )
    async def reload() -> ChangedSettingsBody | Response:
        """As SIGHUP does. What is wrong leaves the old settings in force."""
        try:
            return _changed(settings, await settings.reload())
        except SettingsMistakes as error:
            return _refusal(error.mistakes, error.where, error.do)

    return router


def _not_to_change(changes: dict[KeyPath, Any]) -> Iterator[Complaint]:
    for path in changes:
        if not is_key(path):
            if keys_of(path[:-1]):
                yield Complaint(path, "is no key", nearest(path[-1], keys_of(path[:-1])))
            else:
                yield Complaint(path, "is of no table that there is", nearest(path[0], keys_of(())))
        elif why := why_by_hand(path):
            yield Complaint(path, f"is changed in the file only: {why}")


def _told(settings: SettingsInForce) -> dict[str, Any]:
    waiting = settings.waiting()
    return {
        "file": str(settings.path),
        "digest": settings.digest,
        "settings": [_setting(row, settings, row.path in waiting) for row in settings.rows()],
    }


def _setting(row: Row, settings: SettingsInForce, waiting: bool) -> SettingBody:
    in_force = settings.running(row.path) if waiting else row.value
    return SettingBody(**row._asdict(), in_force=in_force, waiting=waiting)


def _changed(settings: SettingsInForce, reloaded: Reloaded) -> ChangedSettingsBody:
    return ChangedSettingsBody(
        **_told(settings),
        now_in_force=[dotted(path) for path in reloaded.in_force],
        need_restart=[dotted(path) for path in reloaded.waiting],
    )


def _refusal(mistakes: Collection[Complaint], where: str, do: str) -> Response:
    """All that is wrong, as a problem."""
    told = [
        MistakeBody(
            table=list(one.path[:-1]),
            key=one.path[-1] if one.path else None,
            where=one.where,
            text=one.text,
            nearest=one.nearest,
        )
        for one in mistakes
    ]
    outcome = OUTCOMES[SettingsError]
    body = SettingsProblem(
        status=outcome.http_status,
        title=HTTPStatus(outcome.http_status).phrase,
        code=outcome.problem_code,
        detail=f"{where}: {' · '.join(map(str, mistakes))}",
        do=do,
        mistakes=told,
    )
    return JSONResponse(body.model_dump(), outcome.http_status, media_type=MEDIA_TYPE)
