"""The scopes under /api/v1/scopes: looking for them, and choosing one of those that were found.

No resource is taken from a client: each that can be chosen has an id, drawn here, and only an id is taken back.
"""

import asyncio
import secrets
from collections.abc import Callable, Iterator, Sequence

from fastapi import APIRouter

from ...drivers.errors import NotInList
from .api import may_write
from .models import ChosenScopeBody, ScopeBody, ScopeChoiceBody, ScopesBody
from .problems import answers
from .services import Found, Services

NOT_FOUND = "named before; looking for scopes does not find it"


class ScopeIds:
    """Ids of resources, the same one each time that a resource is listed in a run."""

    def __init__(self, new_id: Callable[[], str] = lambda: secrets.token_hex(8)) -> None:
        self._new_id = new_id
        self._of: dict[str, str] = {}

    def of(self, resource: str) -> str:
        """The id of a resource."""
        return self._of.setdefault(resource, self._new_id())


def listed(found: Sequence[Found], named: Sequence[str]) -> Iterator[tuple[Found, bool]]:
    """What is listed, and whether it may be chosen: what said what it is, and what was in use in this run, found or not."""
    for scope in found:
        yield scope, scope.identity is not None or scope.resource in named
    there = {scope.resource for scope in found}
    for resource in named:
        if resource not in there:
            yield Found(resource, None, NOT_FOUND), True


def scope_routes(services: Services) -> APIRouter:
    """Routes of the scopes."""
    router = APIRouter(prefix="/api/v1/scopes")
    found: list[Sequence[Found]] = []
    scanning, ids, choice = asyncio.Lock(), ScopeIds(), services.scope

    def choosable() -> dict[str, str]:
        """Resources by id."""
        if choice is None or not found:
            return {}
        return {ids.of(scope.resource): scope.resource for scope, may_be in listed(found[-1], choice.named) if may_be}

    def told() -> list[ScopeBody] | None:
        if not found:
            return None
        of = {resource: key for key, resource in choosable().items()}
        in_use = choice and choice.resource
        return [
            ScopeBody(
                id=of.get(one.resource),
                resource=one.resource,
                identity=one.identity,
                problem=one.problem,
                in_use=one.resource == in_use,
            )
            for one, _ in listed(found[-1], choice.named if choice else ())
        ]

    @router.get("", summary="Scopes that the last scan found", responses=answers())
    async def scopes() -> ScopesBody:
        """Gives the last result, and scopes that were in use before; it looks for nothing itself."""
        return ScopesBody(scopes=told())

    @router.post(
        "/scan",
        summary="Look for scopes now",
        responses=answers(409, 422, 503, 504),
        dependencies=[may_write(services)],
    )
    async def scan() -> ScopesBody:
        """Looks on USB and the network; takes some seconds. A second request meanwhile waits for the same scan."""
        before = len(found)
        async with scanning:
            if len(found) == before:
                found.append(await services.scan())
        return ScopesBody(scopes=told())

    @router.put(
        "/in-use",
        summary="Change over to a scope of the list",
        responses=answers(404, 409),
        dependencies=[may_write(services)],
    )
    async def use(body: ScopeChoiceBody) -> ChosenScopeBody:
        """The old scope gets its set-up back, and readings come from this one, as soon as it answers. It is named in the
        settings file, where that can be."""
        if choice is None:
            raise NotInList("this daemon keeps to its scope", where="scope", do="start 'peakwhite serve' for another")
        resource = choosable().get(body.id)
        if resource is None:
            do = "look for scopes (POST scopes/scan), and choose one of the list by its id"
            raise NotInList("the list of found scopes has no such id", where="scope", do=do)
        why = await choice.choose(resource)
        return ChosenScopeBody(scopes=told(), kept=why is None, why_not_kept=why)

    return router
