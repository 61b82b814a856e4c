"""The application: routes, problems, guard, and the page's files."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles

from flatmeasure import __version__
from service import answers, exports, health, job_routes, measurements, pictures, pieces
from service.description import describe
from service.job_kinds import job_kinds
from service.problem_replies import add_handlers
from service.running import Service
from service.security import Guard
from service.settings import JSON_BYTES, Settings

PAGE = Path(__file__).parent / "page"


def create_app(settings: Settings) -> FastAPI:
    """The service as an ASGI application.

    Parameters
    ----------
    settings : Settings

    Raises
    ------
    OptionInvalid
        The folder can't be used.
    """
    service = Service(settings)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        await run_in_threadpool(service.open, job_kinds(service))
        try:
            yield
        finally:
            await run_in_threadpool(service.close)

    app = FastAPI(
        title="flatmeasure",
        version=__version__,
        summary="Areas and edge lengths of cloth from one photo, each with its uncertainty.",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
        max_body_size=JSON_BYTES,
    )
    app.state.service = service
    app.openapi = lambda: describe(app)  # type: ignore[method-assign]
    add_handlers(app)
    for routes in (measurements, pictures, exports, pieces, answers, job_routes, health):
        app.include_router(routes.router)
    if PAGE.is_dir():
        app.router.default = StaticFiles(directory=PAGE, html=True)  # after all routes, whatever the method
    # Outside of everything else: added as a middleware, it would not see requests that are refused for their size.
    app.middleware_stack = Guard(app.build_middleware_stack(), settings, service.metrics, lambda: service.pool.is_full)
    return app
