"""What openapi.json says of all routes alike, so that none has to say it by itself."""

from collections.abc import Iterator
from functools import cache
from typing import Any

from fastapi import FastAPI

from .gate import OPEN
from .problems import MEDIA_TYPE, PROBLEM, RETRY_AFTER, Problem

SECURITY = {
    "bearer": {"type": "http", "scheme": "bearer", "description": "the secret of an access token"},
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": "peakwhite-PORT",
        "description": "of POST sign-in, with the port on which the daemon listens in its name",
    },
}
"""How to be let in; the computer itself on which the daemon runs needs neither, unless the settings say otherwise."""

_OF_INPUT = {400: "what was sent is no text", 422: "what was sent is not as described"}
_FASTAPIS_OWN = ("HTTPValidationError", "ValidationError")
"""Schemas of the errors that FastAPI would answer with by itself."""


def describe(app: FastAPI) -> None:
    """Have the application's openapi.json say how to be let in, and what every route that takes something may answer."""
    plain = app.openapi

    @cache
    def whole() -> dict[str, Any]:
        document = plain()
        schemas = document.setdefault("components", {}).setdefault("schemas", {})
        for name in _FASTAPIS_OWN:
            schemas.pop(name, None)
        schemas["Problem"] = Problem.model_json_schema()
        document["components"]["securitySchemes"] = SECURITY
        document["security"] = [{name: []} for name in SECURITY]
        for path, method, operation in _operations(document):
            _complete(path, method, operation)
        return document

    app.openapi = whole  # type: ignore[method-assign]


def _operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield path, method.upper(), operation


def _complete(path: str, method: str, operation: dict[str, Any]) -> None:
    if (method, path) in OPEN:
        operation["security"] = []
    answers = operation["responses"]
    is_written = {400: "requestBody" in operation, 422: "requestBody" in operation or "parameters" in operation}
    for status, meaning in _OF_INPUT.items():
        is_said = MEDIA_TYPE in answers.get(str(status), {}).get("content", {})
        if is_written[status] and not is_said:
            answers[str(status)] = {"description": meaning, "content": {MEDIA_TYPE: {"schema": PROBLEM}}}
    for status in RETRY_AFTER & answers.keys():
        answers[status]["headers"] = {
            "Retry-After": {"description": "seconds, where that can be said", "schema": {"type": "integer"}}
        }
