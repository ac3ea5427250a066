"""The udev rules that permit the use of USB scopes on Linux: a file of this package."""

from importlib import resources

RULES_FILE = "60-peakwhite.rules"
SERVICE_RULES_FILE = "61-peakwhite-service.rules"
"""Of the service, which permit it too: see `peakwhite service`."""


def udev_rules() -> str:
    """The text of the rules, for `/etc/udev/rules.d/`."""
    return resources.files(__package__).joinpath(RULES_FILE).read_text("utf-8")
