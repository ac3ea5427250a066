"""The bench book under /api/v1/book: jobs, units, stages, and which of them is on the bench."""

import asyncio
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import APIRouter, Path

from ...drivers.errors import BookError, NotInBook
from ..book import BookReader, Marking
from ..book.objects import job_object, stage_object, unit_object, whereabouts_object
from ..book.placing import add_unit_and_stage
from ..book.records import JobText, StageText, UnitText
from . import book_models as models
from .api import may_write
from .problems import answers
from .services import Services

T = TypeVar("T")

Id = Annotated[int, Path(ge=1, le=models.HIGHEST)]
READ = (404, 422, 503)
WRITE = (404, 409, 422, 503, 507)
"""What goes wrong with a book beside what the guard refuses."""


def book_routes(services: Services, book: Marking) -> APIRouter:
    """Routes of what marks belong to. Whatever is written is durable before it is answered."""
    router = APIRouter(prefix="/api/v1/book")
    for add in (_present_routes, _job_routes, _unit_routes, _stage_routes):
        add(router, services, book)
    return router


async def read(book: Marking, ask: Callable[[BookReader], T]) -> T:
    """Ask the book, off the loop's thread. Raises BookError, NotInBook."""
    return await asyncio.to_thread(lambda: ask(book.reader))


def _present_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.get("", summary="Where the book is", responses=answers(*READ))
    async def the_book() -> models.BookBody:
        """And which stage is on the bench."""
        return models.BookBody(
            place=str(book.keeper.place), bench=book.keeper.bench, present=(await _present(book)).present
        )

    @router.get("/present", summary="What is on the bench", responses=answers(*READ))
    async def present() -> models.PresentBody:
        """The stage that marks go to; null where none was chosen, and they are loose marks of the day."""
        return await _present(book)

    @router.put(
        "/present",
        summary="Choose the stage that marks go to",
        responses=answers(*WRITE),
        dependencies=[may_write(services)],
    )
    async def choose(body: models.PresentRequestBody) -> models.PresentBody:
        """It stays chosen when the daemon is started again."""
        stage_id = body.stage
        if stage_id is not None:
            await read(book, lambda reader: reader.whereabouts(stage_id))
        await _choose(services, book, stage_id)
        return await _present(book)


async def _choose(services: Services, book: Marking, stage_id: int | None) -> None:
    """Put that stage on the bench. Another unit's answers the question whether it is still the same."""
    book.present.choose(stage_id)
    if services.bench is not None:
        await services.bench.look()


async def _reword(services: Services, book: Marking, number: int, text: JobText | UnitText | StageText) -> None:
    """Say something else of a job, unit or stage; where it is the one on the bench, all viewers are told."""
    await asyncio.wrap_future(book.keeper.change_text(number, text))
    if services.bench is not None:
        await services.bench.look(is_reworded=True)


async def _present(book: Marking) -> models.PresentBody:
    stage_id = book.present.stage_id
    try:
        found = None if stage_id is None else await read(book, lambda reader: reader.whereabouts(stage_id))
    except (NotInBook, BookError):  # of another book, or one that cannot be read now
        found = None
    return models.PresentBody.model_validate({"present": whereabouts_object(found)})


def _job_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.get("/jobs", summary="Jobs", responses=answers(*READ))
    async def jobs() -> models.JobsBody:
        """All of them, the newest first."""
        found = await read(book, BookReader.jobs)
        return models.JobsBody.model_validate({"jobs": [job_object(job) for job in found]})

    @router.post("/jobs", summary="Add a job", responses=answers(*WRITE), dependencies=[may_write(services)])
    async def add(body: models.JobTextBody) -> models.JobBody:
        """A customer's order, or a batch."""
        number = await asyncio.wrap_future(book.keeper.add_job(JobText(**body.model_dump())))
        return await _job(book, number)

    @router.put(
        "/jobs/{job}",
        summary="Say something else of a job",
        responses=answers(*WRITE),
        dependencies=[may_write(services)],
    )
    async def change(job: Id, body: models.JobTextBody) -> models.JobBody:
        """All that is said of it is replaced."""
        await _reword(services, book, job, JobText(**body.model_dump()))
        return await _job(book, job)


async def _job(book: Marking, number: int) -> models.JobBody:
    found = await read(book, lambda reader: reader.job(number))
    return models.JobBody.model_validate(job_object(found))


def _unit_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.get("/jobs/{job}/units", summary="Units of a job", responses=answers(*READ))
    async def units(job: Id) -> models.UnitsBody:
        """The oldest first."""
        found = await read(book, lambda reader: (reader.job(job), reader.units(job))[1])
        return models.UnitsBody.model_validate({"units": [unit_object(unit) for unit in found]})

    @router.post(
        "/jobs/{job}/units",
        summary="Add a unit to a job",
        responses=answers(*WRITE),
        dependencies=[may_write(services)],
    )
    async def add(job: Id, body: models.NewUnitBody) -> models.WhereaboutsBody:
        """With the stage that it is in, which is on the bench from now on unless `choose` is false."""
        text = UnitText(**body.model_dump(exclude={"stage", "choose"}))
        stage = StageText(body.stage)
        now_ns = book.now_ns()
        added = book.keeper.submit(lambda connection, _: add_unit_and_stage(connection, job, text, stage, now_ns))
        _, stage_id = await asyncio.wrap_future(added)
        if body.choose:
            await _choose(services, book, stage_id)
        return await _whereabouts(book, stage_id)

    @router.put(
        "/units/{unit}",
        summary="Say something else of a unit",
        responses=answers(*WRITE),
        dependencies=[may_write(services)],
    )
    async def change(unit: Id, body: models.UnitTextBody) -> models.UnitBody:
        """All that is said of it is replaced."""
        await _reword(services, book, unit, UnitText(**body.model_dump()))
        found = await read(book, lambda reader: reader.unit(unit))
        return models.UnitBody.model_validate(unit_object(found))


def _stage_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.get("/units/{unit}/stages", summary="Stages of a unit", responses=answers(*READ))
    async def stages(unit: Id) -> models.StagesBody:
        """The oldest first."""
        found = await read(book, lambda reader: (reader.unit(unit), reader.stages(unit))[1])
        return models.StagesBody.model_validate({"stages": [stage_object(stage) for stage in found]})

    @router.post(
        "/units/{unit}/stages",
        summary="Add a stage to a unit",
        responses=answers(*WRITE),
        dependencies=[may_write(services)],
    )
    async def add(unit: Id, body: models.NewStageBody) -> models.WhereaboutsBody:
        """It is on the bench from now on unless `choose` is false."""
        stage_id = await asyncio.wrap_future(book.keeper.add_stage(unit, StageText(body.name)))
        if body.choose:
            await _choose(services, book, stage_id)
        return await _whereabouts(book, stage_id)

    @router.put(
        "/stages/{stage}",
        summary="Call a stage something else",
        responses=answers(*WRITE),
        dependencies=[may_write(services)],
    )
    async def change(stage: Id, body: models.StageTextBody) -> models.WhereaboutsBody:
        """Its marks stay with it."""
        await _reword(services, book, stage, StageText(body.name))
        return await _whereabouts(book, stage)


async def _whereabouts(book: Marking, stage_id: int) -> models.WhereaboutsBody:
    found = await read(book, lambda reader: reader.whereabouts(stage_id))
    return models.WhereaboutsBody.model_validate(whereabouts_object(found))
