"""Files that are there whole or not at all, also after the power was cut."""

import contextlib
import os
import tempfile
from pathlib import Path


def write_durably(path: Path, content: bytes) -> None:
    """The whole file or none: written beside it, made durable, put in its place, and the folder made durable.

    Mode and owner of a file that was there stay, a new one is its owner's alone. A link stays one. Raises OSError.
    """
    path = Path(os.path.realpath(path))
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".", suffix=".part", delete=False) as file:
        try:
            file.write(content)
            _as_before(path, file.name)
            file.flush()
            os.fsync(file.fileno())
            file.close()
            os.replace(file.name, path)
        except BaseException:
            os.unlink(file.name)
            raise
    make_name_durable(path)


def _as_before(path: Path, part: str) -> None:
    """Give the new file mode and owner of the one that it replaces, as far as one may."""
    with contextlib.suppress(FileNotFoundError):
        before = path.stat()
        os.chmod(part, before.st_mode & 0o777)
        if os.name == "posix":
            with contextlib.suppress(PermissionError):
                os.chown(part, before.st_uid, before.st_gid)


def make_name_durable(path: Path) -> None:
    """A new or renamed file is found again after a power cut only once its folder is on the disk; Windows has no such call."""
    if os.name == "posix":
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
