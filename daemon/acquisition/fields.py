"""When to take a whole field, and what it told until the next one."""

from dataclasses import replace

from ..measure.reading import FieldInfo, Measured
from .source import Task

FIELD_EVERY_S = 10.0
LOOK_AGAIN_S = 1.0
"""A level that dropped may have left the few lines only: a field looks, this often at most."""
DROPPED = 0.95
"""A level under this part of what the field had counts as dropped."""
WHITE_NOT_IN_RECORD = "white-not-in-record"


class FieldSchedule:
    """One field after lock and one every ten seconds; fields only, where a few lines do not hold the white.

    A field tells lines a field, field rate and scan. It also tells whether a record of a few lines can be relied on: where
    the field shows a channel's white higher than the few lines just did (a small patch, a title), the level of the few lines
    depends on which ones the trigger happened to catch. Fields are then taken until the set-up changes or sync goes.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew: another set-up, another link."""
        self._locked = False
        self._asked_s: float | None = None
        self._field: FieldInfo | None = None
        self._field_s = 0.0
        self._in_field: dict[str, float] = {}
        self._in_lines: dict[str, float] = {}
        self._fields_only = False

    def next_task(self, now_s: float) -> Task:
        """What to capture now."""
        if not self._locked:
            return Task.LEVELS
        since_s = FIELD_EVERY_S if self._asked_s is None else now_s - self._asked_s
        due = since_s >= (LOOK_AGAIN_S if _dropped(self._in_lines, self._in_field) else FIELD_EVERY_S)
        return Task.FIELD if due or self._fields_only else Task.LEVELS

    def took(self, task: Task, measured: Measured | None, now_s: float) -> bool:
        """A capture of that task gave this, None where it gave nothing. Whether it is fit to be shown.

        A field in which no sync was found is not: the scope may have too little memory for it, and the next few lines tell
        whether sync is really gone.
        """
        if task is Task.FIELD:
            self._asked_s = now_s
        if measured is None:
            return False
        locked = measured.sync.state in ("locked", "vertical-interval")
        if task is Task.FIELD:
            if locked:
                self._learn(measured, now_s)
            else:
                self._fields_only = False
            return locked
        self._locked = locked
        self._in_lines = _whites(measured)
        return True

    def carried(self, measured: Measured, now_s: float) -> Measured:
        """`measured` with what the last field told, and its age."""
        if self._field is None or measured.sync.field is not None or measured.sync.state == "none":
            return measured
        known = replace(self._field, age_s=now_s - self._field_s)
        return replace(measured, sync=replace(measured.sync, field=known))

    def _learn(self, measured: Measured, now_s: float) -> None:
        self._in_field = {channel: level_mv for channel, level_mv in _whites(measured).items() if level_mv > 0.0}
        self._fields_only = self._fields_only or _dropped(self._in_lines, self._in_field)
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


def _whites(measured: Measured) -> dict[str, float]:
    """Level of every channel, 0 where the record held no white."""
    return {
        item.channel: item.peak_white_mv or 0.0
        for item in measured.channels
        if item.peak_white_mv is not None or lacks_white(measured, item.channel)
    }


def _dropped(in_lines: dict[str, float], in_field: dict[str, float]) -> bool:
    """Whether a channel is lower in the few lines than it was in the field."""
    return any(in_lines.get(channel, level_mv) < DROPPED * level_mv for channel, level_mv in in_field.items())
