"""A transcript as a link: every question gets the answers that it got, in their order."""

import base64
import json
from collections import defaultdict, deque
from pathlib import Path
from typing import Any

from peakwhite.drivers.transcript import SCHEMA


class ReplayedLink:
    """Answers from a transcript; the last answer to a question is given again and again. Writes go nowhere."""

    dirty = False

    def __init__(self, path: Path) -> None:
        self.resource = path.name
        self.transcript: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        assert self.transcript["schema"] == SCHEMA
        self._answers: dict[tuple[str, str], deque[str]] = defaultdict(deque)
        for exchange in self.transcript["exchanges"]:
            for kind in ("text", "block"):
                if kind in exchange:
                    self._answers[exchange["sent"], kind].append(exchange[kind])

    def write(self, command: str) -> None: ...

    def query(self, command: str) -> str:
        return self._next(command, "text")

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        block = base64.b64decode(self._next(command, "block"))
        assert len(block) <= limit_bytes
        return memoryview(block)

    def clear(self) -> None:
        raise AssertionError("no driver clears its link")

    def close(self) -> None: ...

    def _next(self, command: str, kind: str) -> str:
        answers = self._answers[command, kind]
        assert answers, f"{self.resource} has no {kind} that answers {command!r}"
        return answers.popleft() if len(answers) > 1 else answers[0]
