"""A link to an instrument that is no more than its answers; what it does not know it refuses, and dirty it has to be cleared."""

from collections.abc import Mapping

from peakwhite.drivers.errors import LinkLost, LinkTimeout, ReplyError


class Spoken:
    """Answers by question; `asked` is all that came in, in order.

    `stalls`: so many blocks stay out before `block` comes. `clears` False: it is gone when the link is cleared.
    """

    def __init__(
        self,
        answers: Mapping[str, str],
        refusal: type[LinkTimeout] | type[ReplyError] = LinkTimeout,
        *,
        block: bytes = b"",
        stalls: int = 0,
        clears: bool = True,
        resource: str = "TCPIP0::192.0.2.10::5555::SOCKET",
    ) -> None:
        self.resource, self.dirty = resource, False
        self.asked: list[str] = []
        self.cleared = 0
        self._answers, self._refusal, self._block = dict(answers), refusal, block
        self._stalls, self._clears = stalls, clears

    def write(self, command: str) -> None:
        self._take(command)

    def query(self, command: str) -> str:
        self._take(command)
        if command not in self._answers:
            self.dirty = True
            raise self._refusal("no answer within 2 s", where=self.resource, do="check the cable")
        return self._answers[command]

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        self._take(command)
        if self._stalls:
            self._stalls, self.dirty = self._stalls - 1, True
            raise LinkTimeout("no answer within 2 s", where=self.resource, do="check the cable")
        assert len(self._block) <= limit_bytes
        return memoryview(self._block)

    def clear(self) -> None:
        if not self._clears:
            raise LinkLost("refused", where=self.resource, do="switch it on")
        self.cleared, self.dirty = self.cleared + 1, False

    def close(self) -> None: ...

    def _take(self, command: str) -> None:
        assert not self.dirty, f"{command} over a link that needs clearing"
        self.asked.append(command)
