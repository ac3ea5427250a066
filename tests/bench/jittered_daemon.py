"""The daemon as it is, but for two things: its intervals are drawn anew, 0.6 to 1.4 of nominal, and it asks for as many
samples a channel as its first argument says. With a constant interval readings would lock to one phase of the browser's
frames. `python -m tests.bench.jittered_daemon 10000 serve --scope …`
"""

import random
import sys

from peakwhite.daemon.acquisition import Task, session
from peakwhite.daemon.acquisition.pace import Pace
from peakwhite.daemon.cli import main
from peakwhite.daemon.sources import scope

JITTER = (0.6, 1.4)


class JitteredPace(Pace):
    """Spaces captures by intervals about that of `rate_hz`."""

    def delay_s(self, now_s: float, rate_hz: float, uniform: float) -> float:
        return super().delay_s(now_s, rate_hz / random.uniform(*JITTER), 0.5)


if __name__ == "__main__":
    samples = int(sys.argv.pop(1))
    vars(session)["Pace"] = JitteredPace
    if samples > scope.POINTS[Task.LEVELS]:
        scope.POINTS = scope.POINTS | {Task.LEVELS: samples}
        scope.ENOUGH_HZ = 1e9
    main()
