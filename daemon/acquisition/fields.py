"""When to take a whole field, and what it told until the next one."""

from dataclasses import replace

from ..measure.reading import FieldInfo, Measured
from .source import Task

FIELD_EVERY_S = 10.0
WHITE_NOT_IN_RECORD = "white-not-in-record"


class FieldSchedule:
    """One field after lock and one every ten seconds; fields only, where a few lines do not show the white.

    A field capture tells lines a field, field rate and scan. It also tells whether a record of a few lines will do: when a
    channel's white was in the field but not in the few lines, the few lines cannot be relied on, and fields are taken until
    the set-up changes or sync goes.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew: another set-up, another link."""
        self._locked = False
        self._asked_s: float | None = None
        self._field: FieldInfo | None = None
        self._field_s = 0.0
        self._whites: frozenset[str] = frozenset()
        self._fields_only = False

    def next_task(self, now_s: float) -> Task:
        """What to capture now."""
        if not self._locked:
            return Task.LEVELS
        due = self._asked_s is None or now_s - self._asked_s >= FIELD_EVERY_S
        return Task.FIELD if due or self._fields_only else Task.LEVELS

    def took(self, task: Task, measured: Measured | None, now_s: float) -> None:
        """A capture of that task gave this; None where it gave nothing."""
        if task is Task.FIELD:
            self._asked_s = now_s
        if measured is None:
            return
        self._locked = measured.sync.state == "locked"
        if not self._locked:
            self._fields_only = False
        elif task is Task.FIELD:
            self._learn(measured, now_s)
        elif any(
            channel.channel in self._whites and lacks_white(measured, channel.channel) for channel in measured.channels
        ):
            self._fields_only = True

    def carried(self, measured: Measured, now_s: float) -> Measured:
        """`measured` with what the last field told, and its age."""
        if self._field is None or measured.sync.field is not None:
            return measured
        known = replace(self._field, age_s=now_s - self._field_s)
        return replace(measured, sync=replace(measured.sync, field=known))

    def _learn(self, measured: Measured, now_s: float) -> None:
        self._whites = frozenset(channel.channel for channel in measured.channels if channel.peak_white_mv is not None)
        if measured.sync.field is not None:
            self._field, self._field_s = measured.sync.field, now_s


def lacks_white(measured: Measured, channel: str) -> bool:
    """Whether the record held no white of that channel, though it is one that has a white."""
    return any(
        item.channel == channel
        and item.peak_white_mv is None
        and any(hint.code == WHITE_NOT_IN_RECORD for hint in item.hints)
        for item in measured.channels
    )
