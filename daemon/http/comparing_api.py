"""What a level is compared with, under /api/v1: one probe's other colours, a reference unit, the highest seen so far."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from fastapi import APIRouter

from ...drivers.errors import UsageError
from ..live.hub import Latest
from ..measure.calibrated import serial_of
from ..measure.hookup import COLOURS, carrying_a_colour
from ..measure.level_budget import LevelBudget
from ..measure.one_probe import LONGEST_S, one_probe, too_far_apart_s, what_is_due, with_next
from ..measure.reading import iso_utc, plain
from ..measure.reference_unit import ReferenceLevel, reference_levels
from ..measure.targets import Conditions
from . import models
from .api import may_write, newest
from .problems import answers
from .services import Services

LOOKS, LOOK_EVERY_S = 20, 0.05
"""So often, and so far apart, a level is looked for before taking it is refused."""

Found = TypeVar("Found")


def comparing_routes(services: Services) -> APIRouter:
    """Routes of all three. Each change is another set-up: readings that carry its generation are compared so."""
    router = APIRouter(prefix="/api/v1")
    for add in (_one_probe_routes, _reference_routes, _hold_routes):
        add(router, services)
    return router


def _put_in_force(services: Services, conditions: Conditions) -> None:
    services.setup.swap(conditions)
    services.hub.setup_changed()


def _one_probe_routes(router: APIRouter, services: Services) -> None:
    path = "/match/one-probe"

    @router.get(path, summary="What one probe was moved over so far", responses=answers())
    async def taken() -> models.OneProbeBody:
        """The colours taken, which one is due, and the match once all are there."""
        return _taken(services)

    @router.post(
        path,
        summary="Take the present level as a colour's",
        responses=answers(409, 422, 503),
        dependencies=[may_write(services)],
    )
    async def take(body: models.OneProbeRequestBody) -> models.OneProbeBody:
        """Move the same probe, cable and terminator to red, green, blue and back to red, and take each within 60 s.

        Readings then carry the match, its method `one-probe`, for 60 s, or until levels contradict it. Red out of turn
        begins anew.
        """
        level = await _level(services, body.channel)
        conditions = services.setup.current.conditions
        _put_in_force(services, replace(conditions, one_probe=with_next(conditions.one_probe, level, body.role)))
        return _taken(services)

    @router.delete(
        path, summary="Forget what was taken", responses=answers(409, 422), dependencies=[may_write(services)]
    )
    async def forget() -> models.OneProbeBody:
        """The match is by tie or untied again."""
        _put_in_force(services, replace(services.setup.current.conditions, one_probe=()))
        return _taken(services)


async def _soon(look: Callable[[], Found | None]) -> Found | None:
    """What the newest reading shows, or one that comes soon; None where it does not come.

    Some captures fall into the vertical interval, and none is there right after a change.
    """
    for _ in range(LOOKS):
        if found := look():
            return found
        await asyncio.sleep(LOOK_EVERY_S)
    return look()


async def _level(services: Services, channel: str | None) -> LevelBudget:
    """The level of the probe that is moved. Raises UsageError, NoReading."""

    def look() -> LevelBudget | None:
        moved = _moved(services.setup.current.conditions, channel)
        latest = services.hub.latest
        return None if latest is None else _white_on(moved, latest)

    level = await _soon(look)
    if level is None:
        newest(services)
        moved = _moved(services.setup.current.conditions, channel)
        do = "show a full white field, and see that nothing is clipped"
        raise UsageError(f"the newest reading shows no white on {moved}", where="channel", do=do)
    return level


def _white_on(channel: str, latest: Latest) -> LevelBudget | None:
    return next((one for one in latest.reading.measured.budgets if one.channel == channel), None)


def _moved(conditions: Conditions, channel: str | None) -> str:
    """The channel of the probe that is moved. Raises UsageError."""
    colours = [clip.channel for clip in conditions.hookup.clips if clip.role in COLOURS]
    if channel is None and len(colours) == 1:
        channel = colours[0]
    if channel not in colours:
        what = carrying_a_colour(len(colours)) if channel is None else f"{channel} carries no colour"
        raise UsageError(what, where="channel", do=f"name the one that is moved, of {', '.join(colours) or 'none'}")
    return channel


def _taken(services: Services) -> models.OneProbeBody:
    setup = services.setup.current
    taken = setup.conditions.one_probe
    apart_s = too_far_apart_s(taken)
    latest = services.hub.latest
    now_ns = None if latest is None else latest.reading.captured_at_ns
    return models.OneProbeBody(
        taken=[
            models.OneProbeLevelBody(
                role=one.role,
                channel=one.channel,
                level_mv=plain(one.level_mv),
                captured_at=iso_utc(one.captured_at_ns),
                age_s=None if not now_ns or not one.captured_at_ns else plain((now_ns - one.captured_at_ns) / 1e9),
            )
            for one in taken
        ],
        due=what_is_due(taken),
        match=plain(one_probe(taken)),
        problem=None if apart_s is None else f"they lie {apart_s:.0f} s apart, and {LONGEST_S:g} s is the most",
        setup=setup.generation,
    )


def _reference_routes(router: APIRouter, services: Services) -> None:
    path = "/reference"

    @router.get(path, summary="The reference unit", responses=answers())
    async def reference() -> models.ReferenceBody:
        """Its levels; none where there is no reference."""
        return _reference(services)

    @router.put(
        path,
        summary="Take the present levels as the reference",
        responses=answers(409, 422, 503),
        dependencies=[may_write(services)],
    )
    async def take(body: models.ReferenceRequestBody) -> models.ReferenceBody:
        """Readings then carry every level as per cent of it, until it is deleted or the daemon ends."""
        levels = await _reference_levels(services)
        if not levels:
            newest(services)
            do = "show a full white field, and see that nothing is clipped"
            raise UsageError("the newest reading shows no white", where="reference", do=do)
        _put_in_force(services, replace(services.setup.current.conditions, reference=levels))
        return _reference(services)

    @router.delete(
        path, summary="Forget the reference", responses=answers(409, 422), dependencies=[may_write(services)]
    )
    async def forget() -> models.ReferenceBody:
        """Levels are compared with none."""
        _put_in_force(services, replace(services.setup.current.conditions, reference=()))
        return _reference(services)


async def _reference_levels(services: Services) -> tuple[ReferenceLevel, ...]:
    """The levels of a capture that missed none; where each misses some, of the newest that has any."""
    some: tuple[ReferenceLevel, ...] = ()

    def look() -> tuple[ReferenceLevel, ...]:
        nonlocal some
        latest = services.hub.latest
        if latest is None:
            return ()
        reading = latest.reading
        some = reference_levels(reading.measured.channels, serial_of(reading.scope.identity)) or some
        return () if any(one.held for one in reading.measured.channels) else some

    return await _soon(look) or some


def _reference(services: Services) -> models.ReferenceBody:
    setup = services.setup.current
    return models.ReferenceBody(
        levels=[
            models.ReferenceLevelBody(
                role=one.role,
                channel=one.channel,
                level_mv=plain(one.level_mv),
                u95_mv=plain(one.u95_mv),
                path=one.path,
            )
            for one in setup.conditions.reference
        ],
        setup=setup.generation,
    )


def _hold_routes(router: APIRouter, services: Services) -> None:
    path = "/hold"

    @router.get(path, summary="Is the highest level held?", responses=answers())
    async def hold() -> models.HoldBody:
        """For pictures without a pattern, such as attract screens."""
        return _hold(services)

    @router.put(
        path,
        summary="Hold the highest level seen from now on, or no longer",
        responses=answers(409, 422),
        dependencies=[may_write(services)],
    )
    async def put_hold(body: models.HoldRequestBody) -> models.HoldBody:
        """Readings carry `highest` while it is on. Putting it on again forgets what was seen and begins anew."""
        setup = services.setup.current
        since = setup.generation + 1 if body.on else None
        _put_in_force(services, replace(setup.conditions, hold_since=since))
        return _hold(services)


def _hold(services: Services) -> models.HoldBody:
    setup = services.setup.current
    return models.HoldBody(on=setup.conditions.hold_since is not None, setup=setup.generation)
