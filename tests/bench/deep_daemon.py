"""The daemon as it is, but that it asks for as many samples a channel as its first argument says.

`python -m tests.bench.deep_daemon 250000 serve --config …`
"""

import sys

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.cli import main
from peakwhite.daemon.sources import scope

if __name__ == "__main__":
    scope.POINTS = scope.POINTS | {Task.LEVELS: int(sys.argv.pop(1))}
    scope.ENOUGH_HZ = 1e9
    main()
