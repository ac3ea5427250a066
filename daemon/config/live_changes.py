"""What changed settings change in the set-up in force, while the daemon runs."""

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

from ..measure.targets import Conditions
from .keys import KeyPath
from .settings import Settings
from .setup import Setup

CONDITION_OF: Mapping[str, str] = {
    "gain_spec": "gain_spec",
    "time_base_ppm": "time_base_ppm",
    "pattern_white": "pattern_white_pct",
}
"""Which of the conditions a key of [measure] is."""
WATCH: frozenset[KeyPath] = frozenset({("book", "watch"), ("book", "watch_band_mv")})
SCOPE: frozenset[KeyPath] = frozenset({("scope", "resource"), ("scope", "family")})
"""Live keys that are none of the set-up's."""


def changed_setup(setup: Setup, changed: Collection[KeyPath], settings: Settings) -> Setup:
    """The set-up under its next generation, with these keys as the settings have them; as it is where none is of it.

    What was said on the page of anything else stays.
    """
    wanted = settings.setup()
    update = _update(setup, changed, wanted.conditions)
    rate_hz = wanted.rate_hz if ("live", "rate_hz") in changed else setup.rate_hz
    if not update and rate_hz == setup.rate_hz:
        return setup
    conditions = replace(setup.conditions, **update)
    known = {role: name for role, name in conditions.chosen.items() if name in conditions.targets}
    return replace(
        setup, generation=setup.generation + 1, conditions=replace(conditions, chosen=known), rate_hz=rate_hz
    )


def _update(setup: Setup, changed: Collection[KeyPath], wanted: Conditions) -> dict[str, Any]:
    """The conditions that are others than before."""
    tables = {path[0] for path in changed}
    update: dict[str, Any] = {
        name: getattr(wanted, name) for key, name in CONDITION_OF.items() if ("measure", key) in changed
    }
    if "hookup" in tables:
        update |= {"hookup": wanted.hookup, "one_probe": ()}
    if "targets" in tables:
        update["targets"] = wanted.targets
    if "target_of" in tables:
        update["chosen"] = wanted.chosen
    if ("measure", "hold") in changed:
        update["hold_since"] = None if wanted.hold_since is None else setup.generation + 1
    return update
