"""Processes as the system tells them."""

from contextlib import suppress
from pathlib import Path


def children_of(pid: int) -> list[int]:
    """Process ids of the children of a process."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(FileNotFoundError, ProcessLookupError):  # a thread that has ended meanwhile
            found += map(int, task.read_text().split())
    return found


def is_running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
