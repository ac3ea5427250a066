"""Child processes run the same files as this process: the checkout, or the installed wheel with `-o pythonpath=`."""

import os
import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).with_name("helpers")))

DEV = str(Path(__file__).resolve().parents[1] / ".dev")
if DEV in sys.path:
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [DEV, os.environ.get("PYTHONPATH")]))
for name in ("XDG_STATE_HOME", "XDG_DATA_HOME"):  # calibrations and book of whoever runs the tests stay out of them
    os.environ[name] = "/nonexistent"
for name in ("STATE_DIRECTORY", "CONFIGURATION_DIRECTORY", "NOTIFY_SOCKET", "WATCHDOG_USEC"):
    os.environ.pop(name, None)  # of a service that runs the tests
settings.register_profile("untimed", deadline=None)  # how long an example takes is no assertion
settings.load_profile("untimed")
