"""The application: everything it uses is handed in."""

import asyncio
import contextlib
from collections.abc import AsyncIterator

from fastapi import FastAPI

from .api import api_routes
from .bench_api import bench_routes
from .book_api import book_routes
from .book_marks_api import mark_routes
from .comparing_api import comparing_routes
from .demo_api import demo_routes
from .gate import Gate
from .guard import Guard
from .health_api import health_routes
from .live_socket import live_routes
from .pages import page_routes, sent
from .problems import install
from .procedures_api import procedure_routes
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
    install(app)
    app.include_router(live_routes(services))
    app.include_router(api_routes(services), tags=["peakwhite"])
    app.include_router(comparing_routes(services), tags=["peakwhite"])
    app.include_router(health_routes(services), tags=["health"])
    if services.book is not None:
        app.include_router(book_routes(services, services.book), tags=["book"])
        app.include_router(mark_routes(services, services.book), tags=["book"])
    if services.bench is not None:
        app.include_router(bench_routes(services, services.bench), tags=["bench"])
    if services.procedures is not None:
        app.include_router(procedure_routes(services, services.procedures), tags=["peakwhite"])
    if services.settings is not None:
        app.include_router(settings_routes(services, services.settings), tags=["settings"])
    if services.trimmers is not None:
        app.include_router(demo_routes(services, services.trimmers), tags=["demo"])
    if services.admission is not None:
        app.include_router(sign_in_routes(services.admission), tags=["access"])
        app.add_middleware(Gate, admission=services.admission, page=services.page, outside_hosts=services.outside.hosts)
    app.include_router(page_routes(services.page))
    app.add_middleware(Guard, hosts=services.hosts, outside=services.outside)
    return app
