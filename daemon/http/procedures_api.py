"""Terminator test and tie under /api/v1/procedures: what somebody at the bench presses, and what came of it."""

from fastapi import APIRouter

from ..measure.reading import iso_utc, plain
from ..measure.terminator_test import impedance_words
from ..measure.tie_made import TIE_STEP, tie_words
from ..procedures import Procedures, TerminatorTest, TieProcedure
from . import procedures_models as models
from .api import may_write
from .problems import answers
from .services import Services

PRESS = (409, 422, 503)
"""What a press may be answered with beside what the guard refuses."""


def procedure_routes(services: Services, procedures: Procedures) -> APIRouter:
    """Routes of both. A press answers once its levels are steady, or says what they lack."""
    router = APIRouter(prefix="/api/v1/procedures")
    _terminator_routes(router, services, procedures.terminator)
    _tie_routes(router, services, procedures)
    return router


def _terminator_routes(router: APIRouter, services: Services, test: TerminatorTest) -> None:
    path = "/terminator"

    @router.get(path, summary="How far the terminator test has come", responses=answers())
    async def state() -> models.TerminatorBody:
        """Its first press, and what the second one told."""
        return _test(test)

    @router.post(
        f"{path}/first",
        summary="Take the levels into one terminator",
        responses=answers(*PRESS),
        dependencies=[may_write(services)],
    )
    async def first(body: models.FirstPressBody) -> models.TerminatorBody:
        """Then take the terminator off (`open`) or put a second one on (`two-loads`), and press the second within 5 min.

        For `open` the scope's range makes room first, which is another set-up.
        """
        await test.press_first(body.second)
        return _test(test)

    @router.post(
        f"{path}/second",
        summary="Take them again, and tell the source impedance",
        responses=answers(*PRESS),
        dependencies=[may_write(services)],
    )
    async def second() -> models.TerminatorBody:
        """By channel. The first press stays for its 5 min, so that the second may be pressed again."""
        await test.press_second()
        return _test(test)

    @router.delete(path, summary="Start again", responses=answers(409), dependencies=[may_write(services)])
    async def forget() -> models.TerminatorBody:
        """Forgets both presses, and gives the scope its range back: put the terminators on before."""
        test.forget()
        return _test(test)


def _tie_routes(router: APIRouter, services: Services, procedures: Procedures) -> None:
    path, tie = "/tie", procedures.tie

    @router.get(path, summary="How far the tie has come", responses=answers())
    async def state() -> models.TieBody:
        """What was learnt and not kept yet, and what was kept."""
        return _tie(services, tie)

    @router.post(
        f"{path}/learn",
        summary="Compare the channels of the colours, all probes on one output",
        responses=answers(*PRESS),
        dependencies=[may_write(services)],
    )
    async def learn(body: models.LearnBody) -> models.TieBody:
        """With one terminator for all, and a full field of that colour alone. Nothing is kept yet. Ends a terminator test."""
        procedures.terminator.forget()
        await tie.learn(body.reference)
        return _tie(services, tie)

    @router.post(
        f"{path}/keep",
        summary="Keep what was learnt",
        responses=answers(*PRESS, 500),
        dependencies=[may_write(services)],
    )
    async def keep() -> models.TieBody:
        """As a calibration, which is in force for the readings that follow."""
        await tie.keep()
        return _tie(services, tie)

    @router.delete(path, summary="Start again", responses=answers(409), dependencies=[may_write(services)])
    async def forget() -> models.TieBody:
        """Forgets what was learnt; a tie that was kept stays, and `peakwhite calibrate remove` removes it."""
        tie.forget()
        return _tie(services, tie)


def _test(test: TerminatorTest) -> models.TerminatorBody:
    first, result = test.first, test.result
    return models.TerminatorBody(
        second=test.second or (result.second if result else None),
        first=None
        if first is None
        else [
            models.LevelBody(channel=one.channel, role=one.role, level_mv=plain(one.level_mv)) for one in first.levels
        ],
        age_s=plain(test.age_s),
        result=None
        if result is None
        else [models.ImpedanceBody(**plain(one), words=impedance_words(one, result.second)) for one in result.found],
        captured_at=None if result is None else iso_utc(result.captured_at_ns),
    )


def _range_note(services: Services) -> str | None:
    """What to say of a tie while the scope's range is not that of every day."""
    other = any(problem.code.startswith("range-") for problem in services.hub.problems)
    return "the scope is not on its range of every day, and the tie holds on the present one alone" if other else None


def _tie(services: Services, tie: TieProcedure) -> models.TieBody:
    learnt, kept = tie.learnt, tie.kept
    return models.TieBody(
        step=TIE_STEP,
        learnt=None
        if learnt is None
        else [
            models.TiedBody(
                channel=one.channel,
                reference=one.tie.reference,
                relative_gain=plain(one.tie.relative_gain),
                relative_gain_u=plain(one.tie.own_u),
                delay_ns=plain(one.tie.delay_ns),
                words=tie_words(one.tie, one.channel),
            )
            for one in learnt.calibrations
            if one.tie is not None
        ],
        match_u95_before_mv=None if learnt is None else plain(learnt.before_mv),
        match_u95_mv=None if learnt is None else plain(learnt.now_mv),
        range_note=None if learnt is None else _range_note(services),
        age_s=plain(tie.age_s),
        file=None if kept is None else str(kept.path),
        valid_until=None if kept is None else iso_utc(kept.valid_until_ns),
    )
