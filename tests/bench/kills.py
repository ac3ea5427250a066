"""`python -m tests.bench kills [--count 500]`: writers of the book killed at random instants; none may lose a mark."""

import tempfile
from dataclasses import asdict
from pathlib import Path

from book_writers import kill_writers

KILLS = 500


def run(seed: int = 1, count: int = KILLS) -> dict[str, object]:
    """What came of it: `lost` and `unsound` have to be 0."""
    with tempfile.TemporaryDirectory() as folder:
        return {"kills": asdict(kill_writers(Path(folder), count, seed))}
