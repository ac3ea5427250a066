"""The marks of the bench book under /api/v1/book: keep, list, search, show, compare, take back; and the watch's events."""

import asyncio
import logging
from typing import Annotated

from fastapi import APIRouter, Query

from ...drivers.errors import BookError, NotInBook
from ..book import MarkFilter, Marking
from ..book.finding import LONGEST_SEARCH, MOST_LISTED
from ..book.objects import (
    comparison_object,
    event_capture_object,
    event_object,
    mark_object,
    marks_object,
    shown_object,
)
from . import book_models as models
from .api import may_write, newest
from .book_api import READ, WRITE, Id, read
from .problems import answers
from .services import Services

Asked = Annotated[int | None, Query(ge=1, le=models.HIGHEST)]
Most = Annotated[int, Query(ge=1, le=MOST_LISTED, description="so many at most")]
Words = Annotated[
    str,
    Query(max_length=LONGEST_SEARCH, description="each occurs in job, unit, stage, note or who, as part of a word too"),
]


READ_BACK_S = 5.0
log = logging.getLogger(__name__)


def mark_routes(services: Services, book: Marking) -> APIRouter:
    """Routes of marks and events."""
    router = APIRouter(prefix="/api/v1/book")
    for add in (_keeping_routes, _listing_routes, _changing_routes, _event_routes):
        add(router, services, book)
    return router


def _keeping_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.post(
        "/marks", summary="Keep the present reading", responses=answers(*WRITE), dependencies=[may_write(services)]
    )
    async def keep(body: models.NewMarkBody) -> models.MarkBody | models.KeptBody:
        """With its capture and set-up, in the stage on the bench; a loose mark of today where none is. Answered once it is
        durable, whatever happens then: with its number alone where it cannot be read back. The live socket says `mark`.
        Levels that are held are kept with the capture that they are of."""
        newest(services)
        number = await book.keep(stage_id=body.stage, note=body.note, who=body.who)
        services.hub.tell_mark(number)
        try:
            return await asyncio.wait_for(_mark(book, number), READ_BACK_S)
        except (BookError, NotInBook, TimeoutError) as error:
            log.warning("mark %d is kept, but cannot be read back: %s", number, error)
            return models.KeptBody(id=number)

    @router.post(
        "/undo", summary="Take back the last mark", responses=answers(*WRITE), dependencies=[may_write(services)]
    )
    async def undo() -> models.UndoneBody:
        """Of this bench. It stays in the book and can be restored."""
        return models.UndoneBody(id=await asyncio.wrap_future(book.keeper.undo()))


def _listing_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.get("/marks", summary="Marks", responses=answers(*READ))
    async def marks(
        job: Asked = None,
        unit: Asked = None,
        stage: Asked = None,
        words: Words = "",
        removed: Annotated[bool, Query(description="those too that were taken back")] = False,
        before: Annotated[int | None, Query(ge=1, le=models.HIGHEST, description="older than this mark")] = None,
        most: Most = 50,
    ) -> models.MarksBody:
        """The newest first: by run, and by the clock that does not jump."""
        wanted = MarkFilter(job, unit, stage, words, removed, before, most)
        return models.MarksBody.model_validate(marks_object(await read(book, lambda reader: reader.marks(wanted))))

    @router.get("/search", summary="Search marks", responses=answers(*READ))
    async def search(words: Words, most: Most = 50) -> models.MarksBody:
        """The same as marks with `words`."""
        return models.MarksBody.model_validate(
            marks_object(await read(book, lambda reader: reader.search(words, most)))
        )

    @router.get("/marks/{mark}", summary="A mark in full", responses=answers(*READ))
    async def show(mark: Id) -> models.MarkInFullBody:
        """With its reading and set-up; taken back or not."""
        return models.MarkInFullBody.model_validate(shown_object(await read(book, lambda reader: reader.show(mark))))

    @router.get("/compare", summary="Two marks against each other", responses=answers(*READ))
    async def compare(
        before: Annotated[int, Query(ge=1, le=models.HIGHEST)], after: Annotated[int, Query(ge=1, le=models.HIGHEST)]
    ) -> models.ComparisonBody:
        """Levels, match, and the ratio with its uncertainty, in which what is common to both has dropped out."""
        compared = await read(book, lambda reader: reader.compare(before, after))
        return models.ComparisonBody.model_validate(comparison_object(before, after, compared))


def _changing_routes(router: APIRouter, services: Services, book: Marking) -> None:
    path = "/marks/{mark}"

    @router.put(
        path, summary="Change a mark's note or stage", responses=answers(*WRITE), dependencies=[may_write(services)]
    )
    async def change(mark: Id, body: models.MarkChangeBody) -> models.MarkBody:
        """What was measured never changes."""
        await asyncio.wrap_future(book.keeper.change_mark(mark, note=body.note, stage_id=body.stage))
        return await _mark(book, mark)

    @router.delete(path, summary="Take a mark back", responses=answers(*WRITE), dependencies=[may_write(services)])
    async def remove(mark: Id) -> models.MarkBody:
        """It stays in the book and can be restored."""
        await asyncio.wrap_future(book.keeper.remove(mark))
        return await _mark(book, mark)

    @router.post(
        f"{path}/restore", summary="Put a mark back", responses=answers(*WRITE), dependencies=[may_write(services)]
    )
    async def restore(mark: Id) -> models.MarkBody:
        """One that was taken back."""
        await asyncio.wrap_future(book.keeper.restore(mark))
        return await _mark(book, mark)


async def _mark(book: Marking, number: int) -> models.MarkBody:
    return models.MarkBody.model_validate(mark_object(await read(book, lambda reader: reader.line(number))))


def _event_routes(router: APIRouter, services: Services, book: Marking) -> None:
    @router.get("/events", summary="What the watch caught", responses=answers(*READ))
    async def events(most: Most = 50) -> models.EventsBody:
        """The newest first."""
        found = await read(book, lambda reader: reader.events(most))
        return models.EventsBody.model_validate({"events": [event_object(event) for event in found]})

    @router.get("/events/{event}", summary="The captures around an event", responses=answers(*READ))
    async def captures(event: Id) -> models.EventCapturesBody:
        """In order, with their readings."""
        found = await read(book, lambda reader: reader.event_captures(event))
        if not found:
            raise NotInBook(f"there is no event {event}", where="book", do="see what there is: GET book/events")
        return models.EventCapturesBody.model_validate({"captures": [event_capture_object(one) for one in found]})
