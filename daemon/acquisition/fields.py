"""When to take a whole field, and what it told until the next one."""

from collections import deque
from dataclasses import replace

from ..measure.reading import FieldInfo, Measured
from .source import Task

FIELD_EVERY_S = 10.0
FIELD_AGAIN_S = 1.0
"""After a field that told nothing; twice as long after each further one, up to FIELD_EVERY_S."""
LOWER = 0.95
"""A level under this part of what the last field had counts as lower."""
STEADY = 0.02
"""Fields that differ by less than this part show a steady level: nobody is turning a trimmer."""
RECORDS = 40
LOWER_SHARE = 0.35
"""A free trigger catches the blank lines of the vertical interval in some 10 % of the records; 14 of 40 are no chance."""
WHITE_NOT_IN_RECORD = "white-not-in-record"


class FieldSchedule:
    """One field after lock and one every ten seconds; fields only, where a few lines do not hold the white.

    A field tells lines a field, field rate and scan. It also tells whether records of a few lines can be relied on: where a
    steady white of the field is missing or lower in many of them (a small patch, a title), their level depends on which
    lines the trigger happened to catch. Fields are then taken until the set-up changes or sync goes.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew: another set-up, another link."""
        self._locked = False
        self._asked_s: float | None = None
        self._pause_s = FIELD_AGAIN_S / 2.0
        self._field: FieldInfo | None = None
        self._field_s = 0.0
        self._whites: dict[str, float] = {}
        self._lower: deque[bool] = deque(maxlen=RECORDS)
        self._fields_only = False

    def next_task(self, now_s: float) -> Task:
        """What to capture now."""
        if not self._locked:
            return Task.LEVELS
        pause_s = FIELD_AGAIN_S if self._often_lower() else self._pause_s
        due = self._asked_s is None or now_s - self._asked_s >= pause_s
        return Task.FIELD if due or self._fields_only else Task.LEVELS

    def took(self, task: Task, measured: Measured | None, now_s: float) -> bool:
        """A capture of that task gave this, None where it gave nothing. Whether it is fit to be shown.

        A field in which no sync was found is not: the scope may have too little memory for it, and the next few lines tell
        whether sync is really gone.
        """
        locked = measured is not None and measured.sync.state in ("locked", "vertical-interval")
        if task is Task.FIELD:
            self._asked_s = now_s
            self._pause_s = min(2.0 * self._pause_s, FIELD_EVERY_S)
            if measured is not None and locked:
                self._learn(measured, now_s)
            else:
                self._fields_only = False
            return locked
        if measured is not None:
            self._locked = locked
            self._lower.append(_lower(_whites(measured), self._whites))
        return measured is not None

    def carried(self, measured: Measured, now_s: float) -> Measured:
        """`measured` with what the last field told, and its age."""
        if self._field is None or measured.sync.field is not None or measured.sync.state == "none":
            return measured
        known = replace(self._field, age_s=now_s - self._field_s)
        return replace(measured, sync=replace(measured.sync, field=known))

    def _learn(self, measured: Measured, now_s: float) -> None:
        whites = {channel: level_mv for channel, level_mv in _whites(measured).items() if level_mv > 0.0}
        if _steady(whites, self._whites):
            self._fields_only = self._fields_only or self._often_lower()
        else:
            self._lower.clear()
        self._whites = whites
        if measured.sync.field is not None:
            self._field, self._field_s, self._pause_s = measured.sync.field, now_s, FIELD_EVERY_S

    def _often_lower(self) -> bool:
        """Whether many of the last records of a few lines were lower than the field."""
        return sum(self._lower) >= LOWER_SHARE * RECORDS


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


def _lower(whites: dict[str, float], in_field: dict[str, float]) -> bool:
    """Whether a channel is lower than it was in the field."""
    return any(whites.get(channel, level_mv) < LOWER * level_mv for channel, level_mv in in_field.items())


def _steady(whites: dict[str, float], before: dict[str, float]) -> bool:
    """Whether two fields show the same channels at the same levels."""
    return whites.keys() == before.keys() and all(
        abs(level_mv - before[channel]) <= STEADY * level_mv for channel, level_mv in whites.items()
    )
