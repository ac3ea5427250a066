"""By which names a network knows a computer."""

import re
import socket
from pathlib import Path

NAME = r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?"


def host_names(root: Path) -> tuple[str, ...]:
    """That of mDNS and the bare one, of this computer or of the image at `root`; none where it has no name of its own."""
    try:
        told = socket.gethostname() if root == Path("/") else (root / "etc/hostname").read_text("ascii")
    except (OSError, UnicodeDecodeError):
        return ()
    name = told.strip().split(".")[0].lower()
    return (f"{name}.local", name) if re.fullmatch(NAME, name) and name != "localhost" else ()
