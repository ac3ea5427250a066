"""The demo's trimmers, under /api/v1; these routes exist in the demo only."""

import asyncio
from typing import Annotated

from fastapi import APIRouter, Path
from starlette.exceptions import HTTPException

from .api import may_write
from .models import DemoBody, TrimmerBody
from .problems import answers
from .services import Services, Trimmers

UNIT = "Tamarisk TM-2"
MIN_PERCENT, MAX_PERCENT = 50.0, 150.0


def demo_routes(services: Services, trimmers: Trimmers) -> APIRouter:
    """Routes that turn the simulated unit's trimmers."""
    router = APIRouter(prefix="/api/v1")

    @router.get("/demo", summary="The simulated unit and its trimmers", responses=answers())
    async def demo() -> DemoBody:
        """How far every trimmer is turned."""
        turned = {role: TrimmerBody(percent=percent) for role, percent in trimmers.percent().items()}
        return DemoBody(unit=UNIT, trimmers=turned, min_percent=MIN_PERCENT, max_percent=MAX_PERCENT)

    @router.put(
        "/demo/trimmers/{role}",
        summary="Turn a trimmer of the simulated unit",
        responses=answers(404, 409, 422, 503, 504),
        dependencies=[may_write(services)],
    )
    async def turn(role: Annotated[str, Path(examples=["red"])], body: TrimmerBody) -> TrimmerBody:
        """The level follows with the next capture, as it would on a board."""
        if role not in trimmers.percent():
            raise HTTPException(404, f"there is no trimmer '{role}'; there are {', '.join(trimmers.percent())}")
        await asyncio.to_thread(trimmers.turn, role, body.percent)
        return body

    return router
