"""Files that only their owner may read, written whole or not at all."""

import os
import tempfile
from pathlib import Path

from ..durable import make_name_durable


def write_private(path: Path, content: bytes) -> None:
    """Put `content` there with mode 0600, durable on return. Raises OSError, and then what was there still is.

    Where root writes into a folder of somebody else, such as that of a service, the file is given to the folder's owner.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")  # mkstemp makes it 0600
    try:
        with os.fdopen(handle, "wb") as file:
            _give_to_owner_of(path.parent, file.fileno())
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise
    make_name_durable(path)


def _give_to_owner_of(folder: Path, handle: int) -> None:
    if os.name == "posix" and os.geteuid() == 0:
        owner = folder.stat()
        os.fchown(handle, owner.st_uid, owner.st_gid)
