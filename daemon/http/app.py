"""The application: everything it uses is handed in."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator

from fastapi import APIRouter, FastAPI

from .api import api_routes
from .bench_api import bench_routes
from .body import WholeBody
from .book_api import book_routes
from .book_marks_api import mark_routes
from .comparing_api import comparing_routes
from .demo_api import demo_routes
from .described import describe
from .gate import Gate
from .guard import Guard
from .health_api import health_routes
from .live_socket import live_routes
from .methods import methods_of
from .pages import page_routes, sent
from .problems import install
from .procedures_api import procedure_routes
from .scopes_api import scope_routes
from .services import Services
from .settings_api import settings_routes
from .sign_in_api import sign_in_routes


def create_app(services: Services) -> FastAPI:
    """The FastAPI application. Its pages come last, so that they shadow nothing."""

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        services.hub.attach()
        beat = asyncio.create_task(services.hub.beat())
        ready = asyncio.create_task(asyncio.to_thread(sent, services.page))
        yield
        await ready
        beat.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await beat

    app = FastAPI(
        title="Peakwhite",
        version=services.version,
        summary="Analogue video levels, live, from a bench oscilloscope",
        description="Readings live on `WS /api/v1/live`; everything else here. Errors are `application/problem+json`.",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.include_router(live_routes(services))
    described = list(_described(services))
    for router, tag in described:
        app.include_router(router, tags=[tag])
    methods = methods_of(router for router, _ in described)
    install(app, methods)
    describe(app)
    app.add_middleware(WholeBody)
    if services.admission is not None:
        app.add_middleware(
            Gate,
            admission=services.admission,
            page=services.page,
            outside_hosts=services.outside.hosts,
            methods_of=methods,
        )
    app.include_router(page_routes(services.page))
    app.add_middleware(Guard, hosts=services.hosts, outside=services.outside)
    return app


def _described(services: Services) -> Iterator[tuple[APIRouter, str]]:
    """The routes that openapi.json has, as far as there is what they need; with what they are filed under there."""
    yield api_routes(services), "peakwhite"
    yield scope_routes(services), "peakwhite"
    yield comparing_routes(services), "peakwhite"
    yield health_routes(services), "health"
    if services.book is not None:
        yield book_routes(services, services.book), "book"
        yield mark_routes(services, services.book), "book"
    if services.bench is not None:
        yield bench_routes(services, services.bench), "bench"
    if services.procedures is not None:
        yield procedure_routes(services, services.procedures), "peakwhite"
    if services.settings is not None:
        yield settings_routes(services, services.settings), "settings"
    if services.trimmers is not None:
        yield demo_routes(services, services.trimmers), "demo"
    if services.admission is not None:
        yield sign_in_routes(services.admission), "access"
