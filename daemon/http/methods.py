"""Which methods a path takes: what HTTP has a refusal of a method say, and what tells it from a path that there is not."""

import re
from collections.abc import Callable, Iterable
from itertools import chain

from fastapi import APIRouter
from fastapi.routing import APIRoute

MethodsOf = Callable[[str], tuple[str, ...]]
"""Given a path, its methods in order of the alphabet; none where there is no such path."""


def methods_of(routers: Iterable[APIRouter]) -> MethodsOf:
    """Of what these routers describe; the page's files are not among it, whose route takes every path."""
    routes = chain.from_iterable(router.routes for router in routers)
    table = [
        (_pattern(route.path), route.methods or ())
        for route in routes
        if isinstance(route, APIRoute) and route.include_in_schema
    ]

    def at(path: str) -> tuple[str, ...]:
        return tuple(sorted(set().union(*(methods for pattern, methods in table if pattern.fullmatch(path)))))

    return at


def _pattern(path: str) -> re.Pattern[str]:
    return re.compile("[^/]+".join(map(re.escape, re.split(r"\{[^}]*\}", path))))
