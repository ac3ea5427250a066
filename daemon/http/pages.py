"""The page's files: always asked again (`no-cache`), answered with 304 while they are the same.

They are sent lean (see sent_text.py), and the modules of the first load as one (see joined.py); a file's tag is that of
what is sent.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path, PurePosixPath

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from .joined import joined
from .sent_text import TEXTS, sent_text

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".webmanifest": "application/manifest+json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
    ".woff2": "font/woff2",
}
"""What may be served; a file of any other kind is not."""

PAGE = Path(__file__).resolve().parents[2] / "web" / "static"
"""Where the page's files lie, in a checkout and installed."""


FIRST = "main.js"
"""The module that index.html asks for."""


def page_routes(folder: Path) -> APIRouter:
    """Routes that serve the files under `folder`, index.html at the root."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/", methods=["GET", "HEAD"])
    @router.api_route("/{path:path}", methods=["GET", "HEAD"])
    async def sent_file(request: Request, path: str = "") -> Response:
        file = sent(folder).get(path or "index.html")
        if file is None:
            raise HTTPException(404)
        headers = {"etag": file.tag, "cache-control": "no-cache"}
        if file.tag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(file.content, headers=headers, media_type=file.media_type)

    return router


def is_of_page(folder: Path, path: str) -> bool:
    """Whether something of the page is sent under that path."""
    return (path.removeprefix("/") or "index.html") in sent(folder)


@dataclass(frozen=True)
class Sent:
    """What is sent of a file, its tag, and its kind."""

    content: bytes
    tag: str
    media_type: str


def sent(folder: Path) -> Mapping[str, Sent]:
    """What is sent under each path of the page: nothing hidden, nothing of an unknown kind. Made anew when a file has changed."""
    files = (
        file for file in folder.rglob("*") if file.suffix in MEDIA_TYPES and not _is_hidden(file.relative_to(folder))
    )
    stamps = ((file, file.stat()) for file in sorted(files))
    return _sent(folder, tuple((file, status.st_mtime_ns, status.st_size) for file, status in stamps))


@lru_cache(maxsize=4)
def _sent(folder: Path, stamped: tuple[tuple[Path, int, int], ...]) -> Mapping[str, Sent]:
    contents = {file.relative_to(folder).as_posix(): file.read_bytes() for file, _, _ in stamped}
    scripts = {name: content.decode() for name, content in contents.items() if name.endswith(".js")}
    others = {name: content for name, content in contents.items() if name not in scripts}
    together = others | {name: text.encode() for name, text in joined(scripts, FIRST).items()}
    return {name: _lean(content, PurePosixPath(name).suffix) for name, content in together.items()}


def _lean(content: bytes, kind: str) -> Sent:
    if kind in TEXTS:
        content = sent_text(content.decode(), kind).encode()
    return Sent(content, f'"{hashlib.sha256(content).hexdigest()[:32]}"', MEDIA_TYPES[kind])


def _is_hidden(path: Path) -> bool:
    return any(part.startswith((".", "~")) for part in path.parts)
