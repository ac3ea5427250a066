"""REST under /api/v1."""

from dataclasses import asdict, replace
from functools import cache
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header
from starlette.responses import Response

from ...drivers.errors import NoReading, UsageError
from ..live.hub import Latest
from ..live.schema import ReadingObject, live_schema, schema_of
from ..measure.hookup import Clip, Hookup
from ..measure.targets import Conditions, target_named
from . import models
from .cautions import CAUTIONS, NOTE, TITLE
from .problems import answers
from .services import Services

Token = Annotated[str | None, Header(alias="Peakwhite-Control", description="token from POST control", max_length=200)]


def api_routes(services: Services) -> APIRouter:
    """All routes of REST but the demo's."""
    router = APIRouter(prefix="/api/v1")
    for add in (_reading_routes, _hookup_routes, _control_routes, _text_routes):
        add(router, services)
    return router


def may_write(services: Services) -> Any:
    """Dependency of every route that changes something: refused while somebody else holds control."""

    async def check(token: Token = None) -> None:
        services.lease.check(token)

    return Depends(check)


def newest(services: Services) -> Latest:
    """The newest reading. Raises NoReading while there is none."""
    latest = services.hub.latest
    if latest is None:
        scope = services.hub.scope
        raise NoReading(f"no reading, {scope.text}", where="reading", do=scope.do or "wait for the next capture")
    return latest


def _reading_routes(router: APIRouter, services: Services) -> None:
    answer = {"content": {"application/json": {"schema": _reading_schema()}}}

    @router.get(
        "/reading", summary="The newest reading", responses={200: answer, **answers(503)}, response_class=Response
    )
    async def reading() -> Response:
        """All that was computed from the newest capture (schema `peakwhite.reading/1`), as the live socket sends it."""
        return Response(newest(services).json, media_type="application/json")


def _hookup_routes(router: APIRouter, services: Services) -> None:
    @router.get("/hookup", summary="What is clipped where", responses=answers())
    async def hookup() -> models.HookupInForce:
        """The hookup in force, with its generation."""
        return _hookup_in_force(services)

    @router.put(
        "/hookup", summary="Say what is clipped where", responses=answers(409, 422), dependencies=[may_write(services)]
    )
    async def put_hookup(body: models.HookupBody) -> models.HookupInForce:
        """Replaces the hookup from the next capture on. Readings that carry the answered generation as `setup` are of it.

        An empty one is allowed: nothing is measured then. A channel that the open scope lacks is refused.
        """
        conditions = _conditions(body, services.setup.current.conditions)
        services.check_hookup(conditions.hookup)
        services.setup.swap(conditions)
        services.hub.setup_changed()
        return _hookup_in_force(services)

    @router.get("/targets", summary="Targets", responses=answers())
    async def targets() -> models.TargetsBody:
        """Shipped targets and those of the settings file, and which ones the user chose. `PUT hookup` chooses."""
        conditions = services.setup.current.conditions
        return models.TargetsBody(
            targets=[models.TargetBody(**asdict(target)) for target in conditions.targets.values()],
            target_of=dict(conditions.chosen),
        )


def _hookup_in_force(services: Services) -> models.HookupInForce:
    setup = services.setup.current
    return models.HookupInForce(
        clips=[models.ClipBody(**asdict(clip)) for clip in setup.conditions.hookup.clips],
        target_of=dict(setup.conditions.chosen),
        pattern_white_pct=setup.conditions.pattern_white_pct,
        setup=setup.generation,
    )


def _conditions(body: models.HookupBody, now: Conditions) -> Conditions:
    """The conditions that `body` asks for.

    Raises UsageError for a target that there is not or that is for other roles, a channel or role given twice.
    """
    for role, name in body.target_of.items():
        roles = target_named(name, now.targets).roles
        if role not in roles:
            raise UsageError(
                f"names the target '{name}', which is for {', '.join(roles)}",
                where=f"target_of.{role}",
                do=f"choose one that is for {role}, or leave it out",
            )
    return replace(
        now,
        hookup=Hookup(tuple(Clip(**clip.model_dump()) for clip in body.clips)),
        chosen=dict(body.target_of),
        pattern_white_pct=body.pattern_white_pct,
        one_probe=(),
    )


def _control_routes(router: APIRouter, services: Services) -> None:
    lease, hub = services.lease, services.hub

    @router.get("/control", summary="Who holds control", responses=answers())
    async def control() -> models.ControlBody:
        """While nobody holds control, everybody may write."""
        return models.ControlBody(holder=lease.holder)

    @router.post("/control", summary="Ask for control", responses=answers(409, 422))
    async def ask(body: models.ControlRequestBody, token: Token = None) -> models.ControlGrant:
        """Gives a token. It ends 15 s after the holder's live socket closes, or after its last use without one."""
        before = lease.holder
        grant = lease.take(body.name, token, by_force=body.take)
        hub.tell_status()
        return models.ControlGrant(token=grant, holder=body.name, taken_from=before)

    @router.delete("/control", summary="Give control back", responses=answers(409, 422))
    async def release(token: Token = None) -> models.ControlBody:
        """Only its holder can."""
        lease.release(token)
        hub.tell_status()
        return models.ControlBody(holder=None)


def _text_routes(router: APIRouter, services: Services) -> None:
    @router.get("/schema/live.json", summary="JSON Schemas of the live socket", responses=answers())
    async def schema() -> models.LiveSchemaBody:
        """What every frame of `WS /api/v1/live` looks like: `server` by type, `client` by type. Of `lines` it is the
        JSON header of a binary frame: u32 LE length, header, then int16 LE pairs min, max, channel by channel."""
        return models.LiveSchemaBody(**live_schema())

    @router.get("/cautions", summary="Cautions", responses=answers())
    async def cautions() -> models.CautionsBody:
        """What must be read before a probe is clipped on."""
        return models.CautionsBody(title=TITLE, items=list(CAUTIONS), note=NOTE)


@cache
def _reading_schema() -> dict[str, Any]:
    return inlined(schema_of(ReadingObject))


def inlined(schema: dict[str, Any]) -> dict[str, Any]:
    """A JSON Schema with its `$defs` put in place, as OpenAPI wants it inside a document."""
    defs = schema.get("$defs", {})

    def inline(node: Any) -> Any:
        if isinstance(node, dict):
            if "$ref" in node:
                return inline(defs[node["$ref"].rsplit("/", 1)[1]])
            return {key: inline(value) for key, value in node.items() if key not in ("$defs", "$schema")}
        return [inline(item) for item in node] if isinstance(node, list) else node

    return dict(inline(schema))
