"""What a supervisor of processes and a collector of metrics ask: outside /api/v1, since they look for fixed places."""

import asyncio

from fastapi import APIRouter
from starlette.responses import Response

from ...drivers.errors import NoReading, PeakwhiteError
from ..counting import STALE_S
from . import models
from .problems import answers
from .services import Services

FRESH_S = 3.0
"""Readings are valid up to this age, or three intervals, whichever is longer."""


def health_routes(services: Services) -> APIRouter:
    """/healthz, /readyz, /metrics."""
    router = APIRouter()
    scraping = asyncio.Lock()

    @router.head("/healthz", include_in_schema=False)
    @router.get("/healthz", summary="Does the process live?", responses=answers(500))
    async def healthz() -> models.HealthBody:
        """Yes: the loop answers, and acquisition has shown within the last 30 s that it goes on, scope or no scope."""
        if not services.tallies.captures.is_alive(services.now_s()):
            raise PeakwhiteError(
                f"acquisition has given no sign of life for more than {STALE_S:g} s",
                where="healthz",
                do="start the daemon again, and report it with its log",
            )
        return models.HealthBody(status="alive", version=services.version, run=services.run)

    @router.head("/readyz", include_in_schema=False)
    @router.get("/readyz", summary="Do valid readings come in?", responses=answers(503))
    async def readyz() -> models.ReadyBody:
        """Whether the scope is there and the newest reading is fresh and has found sync."""
        why_not = why_not_ready(services)
        if why_not is not None:
            raise why_not
        return models.ReadyBody(status="ready", age_s=round(reading_age_s(services) or 0.0, 3))

    @router.head("/metrics", include_in_schema=False)
    @router.get(
        "/metrics",
        summary="What the daemon counts",
        response_class=Response,
        responses={200: {"content": {"text/plain": {"schema": {"type": "string"}}}}, **answers()},
    )
    async def metrics() -> Response:
        """In the text format of Prometheus. Who asks while it is made for another waits for that one."""
        from .metrics import MEDIA_TYPE, scraped  # imported late: who is never scraped pays nothing for it

        async with scraping:
            return Response(await asyncio.to_thread(scraped, services), media_type=MEDIA_TYPE)

    return router


def reading_age_s(services: Services) -> float | None:
    """Of the newest reading; None where there is none."""
    latest = services.hub.latest
    return None if latest is None else services.now_s() - latest.at_s


def why_not_ready(services: Services) -> NoReading | None:
    """Why there is no valid reading now; None where there is one."""
    latest, scope = services.hub.latest, services.hub.scope
    limit_s = max(FRESH_S, 3.0 / services.setup.current.rate_hz)
    if latest is None or services.now_s() - latest.at_s > limit_s or scope.state != "ready":
        do = scope.do or "wait for the next capture"
        return NoReading(f"no fresh reading, {scope.text}", where="readyz", do=do)
    if latest.reading.measured.sync.state == "none":
        do = "check the sync probe and the hookup"
        return NoReading("the newest reading found no sync", where="readyz", do=do)
    return None
