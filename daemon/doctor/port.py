"""The port: whether it is free, and if not, who holds it."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import ProxyHandler, Request, build_opener

from ...drivers.errors import PortTaken, UsageError
from ..access.sent_token import token_header
from ..serving import listen
from .finding import Finding, in_the_way, note, well

ANSWER_S = 2.0
LONGEST = 1_000_000
PROC = Path("/proc")
LISTENING = "0A"
"""State of a listening socket in /proc/net/tcp (proc(5))."""


@dataclass(frozen=True)
class Running:
    """A daemon of ours that answers: its address, which ends with a slash, its version, and what is wrong with it, if anything."""

    url: str
    version: str
    problem: str | None = None
    do: str = ""


def url_of(host: str, port: int) -> str:
    """Where a daemon with these settings answers; one that listens everywhere answers on loopback."""
    reached = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    return f"http://[{reached}]:{port}/" if ":" in reached else f"http://{reached}:{port}/"


def running_at(url: str) -> Running | None:
    """The daemon of ours at that address; None where nobody, or somebody else, answers."""
    status, told = _asked(url)
    version = told.get("version")
    if status == 200 and told.get("status") == "alive" and isinstance(version, str):
        return Running(url, version)
    if status >= 400 and str(told.get("detail", "")).startswith("healthz:"):
        return Running(url, "", str(told["detail"]), str(told.get("do", "")))
    return None


def text_from(url: str) -> str:
    """The text that is answered there. Raises HTTPError of a status that is none of success, OSError, ValueError."""
    with build_opener(ProxyHandler({})).open(Request(url, headers=token_header()), timeout=ANSWER_S) as answer:
        return str(answer.read(LONGEST).decode())


def _asked(url: str) -> tuple[int, dict[str, object]]:
    """Status and body of an answer to /healthz; 0 where there is none that is an object."""
    try:
        status, text = 200, text_from(f"{url}healthz")
    except HTTPError as error:
        with error:
            status, text = error.code, error.read(LONGEST).decode(errors="replace")
    except (OSError, ValueError):
        return 0, {}
    try:
        told = json.loads(text)
    except ValueError:
        return 0, {}
    return status, told if isinstance(told, dict) else {}


def port(host: str, number: int, own_version: str) -> Finding:
    """Whether the daemon could listen there, or does already."""
    where = f"{host}:{number}"
    try:
        listen(host, number).close()
        return well("port", f"{where} is free")
    except UsageError as error:
        return in_the_way("port", f"{where}: {error.what}", error.do)
    except PortTaken as error:
        why = error.what
    running = running_at(url_of(host, number))
    if running is None:
        holder = next(holders(number), None)
        by = f" by {holder}" if holder else " by another program"
        return in_the_way("port", f"{where} is taken{by} ({why})", "end that program, or choose another with --port")
    if running.problem:
        return in_the_way("port", f"the daemon at {running.url} is not well: {running.problem}", running.do)
    told = f"the daemon runs at {running.url}"
    if running.version != own_version:
        do = "start it again, so that it runs what is installed"
        return note("port", f"{told}, as version {running.version}, while {own_version} is installed", do)
    return well("port", told)


def holders(number: int, proc: Path = PROC) -> Iterator[str]:
    """Programs that listen on that port, as far as Linux tells us: name and process."""
    inodes = {f"socket:[{inode}]" for file in ("tcp", "tcp6") for inode in _listening(proc / "net" / file, number)}
    for process in sorted(proc.glob("[0-9]*"), key=lambda path: int(path.name)) if inodes else ():
        try:
            if any(str(link.readlink()) in inodes for link in (process / "fd").iterdir()):
                yield f"{(process / 'comm').read_text(errors='replace').strip()} (process {process.name})"
        except OSError:
            continue  # of another user, or just ended


def _listening(table: Path, number: int) -> Iterator[str]:
    """Inodes of the sockets that listen on that port."""
    try:
        lines = table.read_text("ascii").splitlines()[1:]
    except OSError:
        return
    for line in lines:
        fields = line.split()
        if fields[3] == LISTENING and int(fields[1].rsplit(":", 1)[1], 16) == number:
            yield fields[9]
