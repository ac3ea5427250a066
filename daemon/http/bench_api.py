"""The bench under /api/v1/bench: the watch, how warm it all is, and whether it is still the same unit."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, StrictBool

from ..keeping import Bench
from ..live.schema import BenchObject
from .api import may_write
from .problems import answers
from .services import Services

LONGEST_ON_MIN = 60.0 * 24 * 365


class WatchBody(BaseModel):
    """Switch the watch on, which begins to count anew, or off."""

    model_config = ConfigDict(extra="forbid")

    on: StrictBool
    band_mv: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="how far a level may be from what is normal; left out, as before"
    )


class CameOnBody(BaseModel):
    """When something came on."""

    model_config = ConfigDict(extra="forbid")

    minutes_ago: float = Field(default=0.0, ge=0, le=LONGEST_ON_MIN)


def bench_routes(services: Services, bench: Bench) -> APIRouter:
    """Routes of what is kept unasked. Each answers with how things are then, as the live socket's `bench` has it."""
    router = APIRouter(prefix="/api/v1/bench")
    allowed = [may_write(services)]

    def told() -> BenchObject:
        services.hub.tell_status()
        return bench.object()

    @router.get("", summary="Watch, warmth, question", responses=answers())
    async def the_bench() -> BenchObject:
        """What goes on at the bench beside the levels."""
        return bench.object()

    @router.put("/watch", summary="Switch the watch", responses=answers(409, 422), dependencies=allowed)
    async def watch(body: WatchBody) -> BenchObject:
        """What happens around an intermittent fault is counted and kept while it is on."""
        bench.keeping.set_watch(body.on, body.band_mv)
        return told()

    @router.post("/same-unit", summary="It is still the same unit", responses=answers(409), dependencies=allowed)
    async def same_unit() -> BenchObject:
        """The answer to the question; the other answer is to add or choose the next unit in the book."""
        bench.keeping.same_unit()
        return told()

    @router.put("/unit-on", summary="Say when the unit came on", responses=answers(409, 422), dependencies=allowed)
    async def unit_on(body: CameOnBody) -> BenchObject:
        """Without it that is when sync was first seen."""
        bench.keeping.unit_on(body.minutes_ago)
        return told()

    @router.put("/scope-on", summary="Say when the scope came on", responses=answers(409, 422), dependencies=allowed)
    async def scope_on(body: CameOnBody) -> BenchObject:
        """Without it that is when it was first reached."""
        bench.keeping.scope_on(body.minutes_ago)
        return told()

    return router
