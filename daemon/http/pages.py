"""The page's files: always asked again (`no-cache`), answered with 304 while they are the same.

They are sent without comments and indentation (see sent_text.py); their tag is that of what is sent.
"""

import hashlib
from pathlib import Path, PurePosixPath

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from .sent_text import INDENTED, sent_text

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
    ".woff2": "font/woff2",
}
"""What may be served; a file of any other kind is not."""

PAGE = Path(__file__).resolve().parents[2] / "web" / "static"
"""Where the page's files lie, in a checkout and installed."""


def page_routes(folder: Path) -> APIRouter:
    """Routes that serve the files under `folder`, index.html at the root."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/", methods=["GET", "HEAD"])
    @router.api_route("/{path:path}", methods=["GET", "HEAD"])
    def page_file(request: Request, path: str = "") -> Response:
        file = _file(folder, path or "index.html")
        if file is None:
            raise HTTPException(404)
        content = sent_content(file)
        headers = {"etag": f'"{hashlib.sha256(content).hexdigest()[:32]}"', "cache-control": "no-cache"}
        if headers["etag"] in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(content, headers=headers, media_type=MEDIA_TYPES[file.suffix])

    return router


def sent_content(file: Path) -> bytes:
    """What is sent of a page's file."""
    content = file.read_bytes()
    return sent_text(content.decode(), file.suffix).encode() if file.suffix in INDENTED else content


def _file(folder: Path, path: str) -> Path | None:
    """The file of that path, or None: nothing hidden, nothing outside the folder, nothing of an unknown kind."""
    parts = PurePosixPath(path).parts
    if any(part.startswith((".", "/", "~")) or "\\" in part or ":" in part or "\0" in part for part in parts):
        return None
    file = folder.joinpath(*parts)
    return file if file.suffix in MEDIA_TYPES and file.is_file() else None
