"""Errors as `application/problem+json`: what is wrong, a code for machines, and what to do."""

from http import HTTPStatus
from typing import Annotated, Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from ...drivers.errors import NoReading, PeakwhiteError, outcome_of
from .methods import MethodsOf

MEDIA_TYPE = "application/problem+json"


class Problem(BaseModel):
    """An error (RFC 9457), with what to do about it."""

    status: int = Field(description="HTTP status", examples=[409])
    title: str = Field(description="what the status means", examples=["Conflict"])
    code: str = Field(description="for machines", examples=["control-held"])
    detail: Annotated[str, Field(description="what is wrong", examples=["phone holds control"])]
    do: str = Field(description="what to do", examples=["ask them, or take it: POST control with take true"])


OF_STATUS: dict[int, tuple[str, str]] = {
    400: ("bad-request", "correct the request"),
    401: ("not-signed-in", "open the sign-in link, or send the token: Authorization: Bearer …"),
    403: ("foreign-origin", "open the page at the address that the daemon printed"),
    404: ("not-found", "see openapi.json for what there is"),
    405: ("method-not-allowed", "see openapi.json for what may be done here"),
    413: ("too-large", "send 64 KiB at most"),
    421: (
        "foreign-host",
        "open the page at the address that the daemon printed, or name this one under addresses in [http]",
    ),
    422: ("usage", "see openapi.json for what a request may hold"),
    429: ("too-many", "wait, and try again"),
    500: ("internal", "please report it with the daemon's log"),
}
"""Code and advice of what HTTP itself refuses; the codes of our own errors come from drivers/errors.py."""


RETRY_AFTER_S = "1"
"""A reading may be there again so soon: after every write there is none until the next capture."""

RETRY_AFTER = {"429", "503"}
"""Answers that may say when to try again."""

PROBLEM = {"$ref": "#/components/schemas/Problem"}
"""The schema of Problem, where OpenAPI has it."""

FROM_THE_GUARD = (401, 403, 413, 421)
"""What any route answers to a request from elsewhere, of nobody who may come in, or with too long a body."""


def problem(status: int, detail: str, *, code: str | None = None, do: str | None = None) -> Response:
    """A problem as response."""
    known_code, known_do = OF_STATUS.get(status, ("http", "see openapi.json"))
    body = Problem(
        status=status, title=HTTPStatus(status).phrase, code=code or known_code, detail=detail, do=do or known_do
    )
    return JSONResponse(body.model_dump(), status, media_type=MEDIA_TYPE)


def answers(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The error answers of a route, for OpenAPI; described.py adds those that follow from what the route takes."""
    return {
        status: {"description": HTTPStatus(status).phrase, "content": {MEDIA_TYPE: {"schema": PROBLEM}}}
        for status in (*statuses, *FROM_THE_GUARD)
    }


def install(app: FastAPI, methods_of: MethodsOf) -> None:
    """Have every error of the application answered as a problem. `methods_of` tells the methods of a path."""

    async def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        methods = methods_of(request.scope["path"])
        if methods and request.method not in methods:  # the router looks at one route of a path, or finds the page's
            error = HTTPException(405, headers={"Allow": ", ".join(methods)})
        response = problem(error.status_code, f"{request.method} {request.url.path}: {error.detail}")
        response.headers.update(error.headers or {})
        return response

    app.add_exception_handler(PeakwhiteError, _ours)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(500, _unexpected)


async def _ours(request: Request, error: Exception) -> Response:
    assert isinstance(error, PeakwhiteError)
    outcome = outcome_of(error)
    response = problem(outcome.http_status, f"{error.where}: {error.what}", code=outcome.problem_code, do=error.do)
    if isinstance(error, NoReading):
        response.headers["Retry-After"] = RETRY_AFTER_S
    return response


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    told = [
        f"{'.'.join(str(part) for part in item['loc'])}: {item['msg'].removeprefix('Value error, ')}"
        for item in error.errors()
    ]
    return problem(422, " · ".join(told))


async def _unexpected(request: Request, error: Exception) -> Response:
    return problem(500, f"{request.method} {request.url.path} failed")
