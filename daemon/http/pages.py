"""The page's files: always asked again (`no-cache`), answered with 304 while they are the same.

They are sent without comments and indentation (see sent_text.py); their tag is that of what is sent. With index.html goes
a list of the modules that it will need, so that the browser asks for all of them at once, not for one layer after another.
"""

import hashlib
import re
from functools import lru_cache
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
    async def sent_file(request: Request, path: str = "") -> Response:
        file = page_file(folder, path or "index.html")
        if file is None:
            raise HTTPException(404)
        content, tag = _kept(file)
        headers = {"etag": tag, "cache-control": "no-cache"}
        if not path:
            headers["link"] = ", ".join(f"<{name}>; rel=modulepreload" for name in modules(folder, "main.js"))
        if headers["etag"] in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(content, headers=headers, media_type=MEDIA_TYPES[file.suffix])

    return router


def _kept(file: Path) -> tuple[bytes, str]:
    """What is sent of a file, and its tag; worked out anew only when the file has changed."""
    status = file.stat()
    return _sent(file, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=256)
def _sent(file: Path, _changed_ns: int, _size: int) -> tuple[bytes, str]:
    content = sent_content(file)
    return content, f'"{hashlib.sha256(content).hexdigest()[:32]}"'


def modules(folder: Path, *names: str) -> list[str]:
    """These modules of the page and all that they import, not what they import() later. Without those that are not there."""
    found: list[str] = []
    waiting = list(names)
    for name in waiting:
        file = page_file(folder, name)
        if file is None or name in found:
            continue
        found.append(name)
        waiting += _IMPORT.findall(_kept(file)[0].decode())
    return found


_IMPORT = re.compile(r'^(?:import|export)\b[^;"]*"\./([^"]+)"', re.MULTILINE)


def sent_content(file: Path) -> bytes:
    """What is sent of a page's file."""
    content = file.read_bytes()
    return sent_text(content.decode(), file.suffix).encode() if file.suffix in INDENTED else content


def page_file(folder: Path, path: str) -> Path | None:
    """The file of that path, or None: nothing hidden, nothing outside the folder, nothing of an unknown kind."""
    parts = PurePosixPath(path).parts
    if any(part.startswith((".", "/", "~")) or "\\" in part or ":" in part or "\0" in part for part in parts):
        return None
    file = folder.joinpath(*parts)
    return file if file.suffix in MEDIA_TYPES and file.is_file() else None
