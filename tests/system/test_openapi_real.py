"""The description of REST against a whole demo: requests made from it, right and wrong ones, and what comes back held to it.

`PEAKWHITE_EXAMPLES` is how many requests of each kind a route gets beyond those at the edges of what it takes.
"""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from bench_network import bearer, on_network, state_of

EXAMPLES = int(os.environ.get("PEAKWHITE_EXAMPLES", "3"))
SEED = 7
CONTROL = "/api/v1/control"

HELD_TO = """
seed = {seed}
continue-on-failure = true
warnings = false
suppress-health-check = ["too_slow"]

[generation]
max-examples = {examples}
database = "none"

# Routes are not linked to each other in the description.
[phases.stateful]
enabled = false

# No reading now, a scope that does not answer and a full disk are answers, and described.
[checks.not_a_server_error]
expected-statuses = ["2XX", "3XX", "4XX", "503", "504", "507"]

[checks.ignored_auth]
enabled = {asks_who}

# What these take depends on what is clipped where, on the picture and on the file, which no schema can say: 422 says it.
[[operations]]
include-path = ["/api/v1/hookup", "/api/v1/match/one-probe", "/api/v1/reference", "/api/v1/settings"]
checks.positive_data_acceptance.enabled = false

# Which characters can be shown no pattern of JSON Schema can say.
[[operations]]
include-path = "/api/v1/control"
checks.positive_data_acceptance.enabled = false

[[operations]]
include-path-regex = "^/api/v1/procedures/"
checks.positive_data_acceptance.enabled = false
"""


def held_to_its_description(daemon: Any, folder: Path, *options: str, asks_who: bool) -> str:
    """What the run says. Fails with it where an answer is another than described."""
    config = folder / "held_to.toml"
    config.write_text(HELD_TO.format(seed=SEED, examples=EXAMPLES, asks_who=str(asks_who).lower()))
    command = (
        sys.executable,
        "-m",
        "schemathesis.cli",
        "--config-file",
        str(config),
        "run",
        f"{daemon.url}openapi.json",
    )
    done = subprocess.run(
        (*command, "--no-color", *options), cwd=folder, capture_output=True, text=True, check=False, timeout=1000
    )
    print(done.stdout)
    assert done.returncode == 0, done.stderr
    assert daemon.process.poll() is None
    return done.stdout


@pytest.fixture(scope="module")
def own_demo(lasting_children: Any) -> Any:
    """A demo with a settings file of its own, which may be changed."""
    file = lasting_children.folder / "own.toml"
    file.touch()
    return lasting_children.daemon("demo", "--config", str(file))


@pytest.mark.timeout(1200)
def test_every_route_answers_as_it_says(own_demo: Any, tmp_path: Path) -> None:
    """To this computer itself, which is let in whatever it sends. Control by itself: who holds it shuts others out."""
    for options in (("--exclude-path", CONTROL), ("--include-path", CONTROL)):
        assert "No issues found" in held_to_its_description(own_demo, tmp_path, *options, asks_who=False)


@pytest.mark.timeout(1200)
def test_a_viewer_from_elsewhere_is_answered_as_described_and_nobody_is_without_a_token(
    lasting_children: Any, tmp_path: Path
) -> None:
    secret = state_of(lasting_children.folder).add("shop screen", "viewer")[1]
    daemon = on_network(lasting_children, command="demo")
    sent = [f"--header={name}: {value}" for name, value in bearer(secret).items()]
    # What lies at the edges is tried above: a viewer is refused most of it whatever it is.
    options = (*sent, "--phases=examples,fuzzing")
    assert "No issues found" in held_to_its_description(daemon, tmp_path, *options, asks_who=True)
    assert json.loads(daemon.request("GET", "api/v1/hookup", headers=bearer(secret))[2])["clips"]
