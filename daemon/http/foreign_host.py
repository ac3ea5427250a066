"""What a person is told who opened the page by a name that the daemon does not know: a sentence, and what to do."""

import re
from html import escape

from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, Response

HOST = r"[a-z0-9.-]{1,60}(:[0-9]{1,5})?"
"""A Host that may stand among the addresses of the settings."""

_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Peakwhite: not known by this name</title>
<p>Peakwhite runs here, but does not know itself by the name {host}, and so shows nothing under it.</p>
<p>{do}</p>
"""
_ADD = (
    "To reach it by this name, put <b>addresses = [&quot;http://{host}&quot;]</b> under [http] into its settings file, "
    "or add it to those that are there, and start it again. Of a service the file is /etc/peakwhite/peakwhite.toml. "
    "Until then open the page by the computer's address."
)
_OTHER = "Open the page by the computer's address."


def wants_page(method: str, headers: Headers) -> bool:
    """Whether it is a person's browser that asks for a page."""
    return method == "GET" and "text/html" in headers.get("accept", "")


def page(host: str) -> Response:
    """The page, for that Host header. Whatever it holds is shown as text."""
    do = _ADD if re.fullmatch(HOST, host, re.IGNORECASE) else _OTHER
    shown = escape(host[:80])
    return HTMLResponse(_PAGE.format(host=shown, do=do.format(host=shown)), 421)
