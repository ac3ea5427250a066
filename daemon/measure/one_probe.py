"""Matching by one probe: the same channel, cable and terminator moved from red to green to blue and back to red."""

from collections.abc import Sequence
from dataclasses import replace

from ...drivers.errors import UsageError
from .calibrated import NEAR_STATES
from .hookup import COLOURS
from .level_budget import LevelBudget, scaled
from .match import compared
from .reading import MatchReading
from .uncertainty import Item

ORDER = (*COLOURS, COLOURS[0])
LONGEST_S = 60.0
"""Readings that lie further apart do not make a match."""
NS_PER_S = 1_000_000_000


def one_probe(taken: Sequence[LevelBudget], now_ns: int = 0) -> MatchReading | None:
    """Spread of the colours from four levels in the order red, green, blue and red again; None from fewer.

    None too where the time of one is not known, where the first and the last lie more than 60 s apart, or where the
    last of them is more than 60 s older than `now_ns` (0: whenever).

    Gain, probe and terminator were the same for all four and drop out, up to the scale of the difference. What remains:

    - noise and quantisation of each; those of red from both of its readings;
    - linearity as far as the ADC stood elsewhere: two levels on the same states have the same error, on states apart
      it counts in proportion to the distance, in full from NEAR_STATES apart;
    - drift: d is the last red less the first. Red counts as the mean of both. A drift that went one way all the time was
      anywhere between 0 and d when green and blue were taken, so each of them is uncertain by ±d/2 about the middle, a
      rectangle (JCGM 100:2008 4.3.7). A drift in proportion to time lies well within it.
    """
    if len(taken) < len(ORDER) or not _timely(taken, now_ns):
        return None
    check_one_probe(taken)
    first, green, blue, last = taken
    drift = Item("drift", "per-channel", "rectangular", 0.5 * abs(last.level_mv - first.level_mv))
    colours = [_mean(first, last), *(replace(one, items=(*one.items, drift)) for one in (green, blue))]
    return compared(colours, "one-probe", items=_of_pair, scale=colours[0])


def check_one_probe(taken: Sequence[LevelBudget]) -> None:
    """Raises UsageError where these levels are not one probe's, red, green, blue and red one after the other.

    Other roles, channel, range or probe; or taken in another order, or one reading twice, where their times are known.
    """
    before_ns = 0
    for number, (level, role) in enumerate(zip(taken, ORDER, strict=False), start=1):
        if level.role != role:
            raise _refused(f"reading {number} is {level.role} where {role} is due", f"go by {', '.join(ORDER)}")
        if level.channel != taken[0].channel:
            what = f"{role} was taken on {level.channel}, the first reading on {taken[0].channel}"
            raise _refused(what, "move the same probe")
        if _another_way(taken[0], level):
            raise _refused(f"{role} was taken on another range or through another probe", "keep both and start again")
        if 0 < level.captured_at_ns <= before_ns:
            do = "take red, green, blue and red again, in that order"
            raise _refused(f"{role}, reading {number}, was not taken after the one before", do)
        before_ns = level.captured_at_ns


def with_next(taken: Sequence[LevelBudget], level: LevelBudget, role: str) -> tuple[LevelBudget, ...]:
    """What is taken once `level` is taken as `role`.

    Red after red, green and blue is the way back; any other red begins anew. Green or blue again takes the place of
    the one before and of what came after it. Raises UsageError where another colour is due, and as `check_one_probe`.
    """
    level = replace(level, role=role)
    due = len(taken) % len(ORDER)
    if role == ORDER[0]:
        after = (*taken, level) if due == len(ORDER) - 1 else (level,)
    elif role not in COLOURS:
        raise _refused(f"{role} is no colour", f"go by {', '.join(ORDER)}")
    else:
        place = ORDER.index(role)
        if place > due:
            raise _refused(f"{role} is not due", f"take {what_is_due(taken)} first")
        after = (*taken[:place], level)
    check_one_probe(after)
    return after


def what_is_due(taken: Sequence[LevelBudget]) -> str:
    """The colour to be taken next."""
    return ORDER[len(taken) % len(ORDER)]


def too_far_apart_s(taken: Sequence[LevelBudget]) -> float | None:
    """How many seconds lie between the first and the last where that is too many; None where all is well or unknown."""
    times = [level.captured_at_ns for level in taken]
    if not times or 0 in times:
        return None
    apart_s = (max(times) - min(times)) / NS_PER_S
    return apart_s if apart_s > LONGEST_S else None


def _another_way(one: LevelBudget, other: LevelBudget) -> bool:
    """Whether probe or range are known to be others. A file may not say its range, and then has states of its own."""
    if one.path is None or other.path is None:
        return False
    ranges = {path.full_scale_v for path in (one.path, other.path) if path.full_scale_v is not None}
    probes = {(path.link, path.probe_ratio) for path in (one.path, other.path)}
    return len(ranges) > 1 or len(probes) > 1 or one.calibration != other.calibration


def _timely(taken: Sequence[LevelBudget], now_ns: int) -> bool:
    times = [level.captured_at_ns for level in taken]
    fresh = now_ns == 0 or now_ns - max(times) <= LONGEST_S * NS_PER_S
    return 0 not in times and fresh and too_far_apart_s(taken) is None


def _mean(first: LevelBudget, last: LevelBudget) -> LevelBudget:
    """Red as the mean of its two readings: noise averages, what one state of the ADC is off does not."""
    noise = [item for level in (first, last) for item in scaled(level.items_of("noise"), 0.5)]
    blanking_mv = 0.5 * (first.blanking_mv + last.blanking_mv)
    items = (*noise, *(item for item in first.items if item not in first.items_of("noise")))
    return replace(first, level_mv=0.5 * (first.level_mv + last.level_mv), blanking_mv=blanking_mv, items=items)


def _of_pair(one: LevelBudget, other: LevelBudget) -> list[Item]:
    """What is left in the difference of two levels that went the same way."""
    left = [item for level in (one, other) for item in level.items_of("noise", "quantisation", "other")]
    apart_mv = {
        "blanking": abs(one.blanking_mv - other.blanking_mv),
        "white": abs(one.blanking_mv + one.level_mv - other.blanking_mv - other.level_mv),
    }
    for state, distance_mv in apart_mv.items():
        share = (
            min(1.0, distance_mv / (NEAR_STATES * one.state_mv)) if distance_mv >= 0.0 and one.state_mv > 0.0 else 1.0
        )
        linearity = [
            item for level in (one, other) for item in level.items_of("linearity") if item.name.endswith(state)
        ]
        left += scaled(linearity, share)
    return [item for item in left if item.kind != "common"]


def _refused(what: str, do: str) -> UsageError:
    return UsageError(what, where="one probe", do=do)
