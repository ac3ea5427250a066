"""`python -m announced FILE serve …`: the daemon, for which looking for scopes finds the resources in FILE.

A simulated scope announces itself nowhere. All else is as it is: looking runs in a process of its own and asks each scope.
"""

import sys
from pathlib import Path

from peakwhite.daemon import scanning
from peakwhite.daemon.cli import main
from peakwhite.drivers import discovery

if __name__ == "__main__":
    file = sys.argv.pop(1)
    discovery.LISTINGS.clear()
    discovery.LISTINGS["LAN"] = lambda: Path(file).read_text().split()
    scanning.COMMAND = (sys.executable, "-m", "announced", file, "scopes", "--json")
    main()
