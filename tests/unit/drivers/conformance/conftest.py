"""Every family in turn, each against the one dialect of the simulated scope whose identity it knows."""

import json
import subprocess
from collections.abc import Iterator

import pytest

from family_rig import MODULE, Rig, SimulatedScope
from peakwhite.drivers.families import FAMILIES
from peakwhite.drivers.family import Family


@pytest.fixture(scope="session")
def dialects() -> dict[str, str]:
    """Every dialect of the simulated scope and what it calls itself."""
    listed = subprocess.run((*MODULE, "--dialects"), capture_output=True, check=True, timeout=30.0)
    known: dict[str, str] = json.loads(listed.stdout)
    return known


@pytest.fixture(scope="session")
def scopes(dialects: dict[str, str]) -> Iterator[dict[str, SimulatedScope]]:
    """Simulated scopes by dialect, started when first wanted."""
    started: dict[str, SimulatedScope] = {}
    yield started
    for scope in started.values():
        scope.end()


@pytest.fixture(params=FAMILIES, ids=lambda family: family.name)
def family(request: pytest.FixtureRequest) -> Family:
    """Every family in turn."""
    chosen: Family = request.param
    return chosen


@pytest.fixture
def rig(family: Family, dialects: dict[str, str], scopes: dict[str, SimulatedScope]) -> Iterator[Rig]:
    """The family at work on its dialect; unit, bench and scope are as at first for every test."""
    spoken = [name for name, identity in dialects.items() if family.knows(identity)]
    if len(spoken) != 1:
        pytest.fail(f"{family.name} needs one dialect of the simulated scope, and has {spoken or 'none'}")
    if spoken[0] not in scopes:
        scopes[spoken[0]] = SimulatedScope(spoken[0])
    made = Rig(family, scopes[spoken[0]])
    yield made
    made.end()
