"""A daemon that others can reach, its tokens, and requests as they come from elsewhere.

It listens on an address of this machine beyond loopback. Where there is none it listens on loopback and trusts nobody there.
"""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

from peakwhite.daemon.access import TokenFile


def own_address() -> str | None:
    """An IPv4 address of this machine beyond loopback; None where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        found: str = probe.getsockname()[0]
    return None if found.startswith("127.") else found


def state_of(folder: Path) -> TokenFile:
    """The tokens of the daemons that are started with that folder."""
    return TokenFile(folder / "peakwhite")


def command(folder: Path, *arguments: str, token: str = "") -> subprocess.CompletedProcess[str]:
    """`peakwhite …` in a process of its own, of the user whose daemons are started with that folder."""
    environment = os.environ | {f"XDG_{name}_HOME": str(folder) for name in ("CONFIG", "STATE", "DATA")}
    return subprocess.run(
        (sys.executable, "-m", "peakwhite.daemon", *arguments),
        env=environment | {"PEAKWHITE_TOKEN": token},
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )


def access(folder: Path, *arguments: str) -> Any:
    """What `peakwhite access … --json` prints."""
    told = command(folder, "access", *arguments, "--json")
    assert told.returncode == 0, told.stderr
    return json.loads(told.stdout)


def on_network(children: Any, command: str = "serve", **http: object) -> Any:
    """`peakwhite command` on the network. There must be a token already. `http` are further keys of that table."""
    address = own_address()
    keys: dict[str, object] = {"host": address or "127.0.0.1"} | ({} if address else {"trust_loopback": False}) | http
    config = children.folder / "network.toml"
    config.write_text("[http]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in keys.items()))
    return children.daemon(command, "--config", str(config))


def bearer(secret: str) -> dict[str, str]:
    """The header of a program that has a token."""
    return {"Authorization": f"Bearer {secret}"}


def sign_in(daemon: Any, secret: str, **headers: str) -> dict[str, str]:
    """Sign in as a browser does; the header that it sends from then on."""
    status, answered, body = daemon.request("POST", "api/v1/sign-in", {"secret": secret}, headers)
    assert status == 200, body
    return {"Cookie": answered["set-cookie"].split(";")[0]}


def live(daemon: Any, headers: dict[str, str] | None = None) -> ClientConnection:
    """Its live socket, to be closed by a with statement."""
    return connect(daemon.live_url, additional_headers=headers or {}, max_size=None)
