"""DEVELOPERS says what other programs hold to: routes, frames, errors, faults; and why each dependency is bounded."""

import re
import tomllib
from itertools import groupby
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock

import click
import pytest

from peakwhite.daemon.cli import commands
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.problems import OF_STATUS
from peakwhite.daemon.http.services import Services
from peakwhite.daemon.live.schema import live_schema
from peakwhite.drivers.errors import OUTCOMES
from peakwhite.simulated_scope.faults import Fault

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NOT_DESCRIBED = {"/openapi.json", "/api/v1/live"}
"""The description itself, and the live socket, which OpenAPI has no words for."""


def operations() -> list[tuple[str, str, str]]:
    """Path, method and summary of all that the whole application answers, demo and access with it, in its order."""
    whatever: Any = MagicMock()
    parts = ("hub", "lease", "setup", "scan", "check_hookup", "trimmers", "now_s")
    beside = ("book", "bench", "procedures", "admission", "settings")
    services = Services(
        version="1", run="r", hosts=frozenset(), page=ROOT, **dict.fromkeys((*parts, *beside), whatever)
    )
    paths = create_app(services).openapi()["paths"]
    return [
        (path, method.upper(), one["summary"]) for path, methods in paths.items() for method, one in methods.items()
    ]


def held(table: list[str]) -> None:
    assert "\n".join(table) in DEVELOPERS, "DEVELOPERS' table is to be:\n" + "\n".join(table)


def test_the_routes_in_developers_are_those_that_there_are() -> None:
    table = ["| path | what it is for |", "|---|---|"]
    for path, group in groupby(operations(), key=lambda one: one[0]):
        table.append(f"| `{path}` | {'; '.join(f'{method}: {summary}' for _, method, summary in group)} |")
    held(table)


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_route_that_the_documents_name_is_there(text: str) -> None:
    there = {(method, path) for path, method, _ in operations()}
    paths = {path for _, path in there} | NOT_DESCRIBED
    named = set(re.findall(r"[`/\d ](/(?:api/v1/[a-z0-9/{}._-]+|(?:healthz|readyz|metrics|openapi\.json)\b))", text))
    assert len(named) > 5
    assert {path.rstrip(".") for path in named} <= paths
    assert set(re.findall(r"\b(GET|PUT|POST|DELETE) (/api/v1/[a-z0-9/{}_-]+)", text)) <= there


def test_the_frames_in_developers_are_those_of_the_schema() -> None:
    told = re.search(r"frames of the daemon are ([^;]+);\s+those of a page ([^.]+)\.", DEVELOPERS)
    assert told is not None
    named = [re.findall(r"`([a-z]+)`", side) for side in told.groups()]
    schema = live_schema()
    assert named == [list(schema["server"]), list(schema["client"])]


def test_the_errors_in_developers_are_those_that_there_are() -> None:
    table = ["| error | code | exit status | HTTP |", "|---|---|---|---|"]
    table += [
        f"| {cls.__name__} | `{code}` | {exit_status} | {http_status} |"
        for cls, (exit_status, http_status, code) in OUTCOMES.items()
    ]
    held(table)


def test_the_codes_of_http_itself_are_in_developers() -> None:
    told = re.search(r"HTTP itself refuses with ([^.]+)\.", DEVELOPERS)
    assert told is not None
    named = dict(re.findall(r"`([a-z-]+)` \((\d+)\)", " ".join(told[1].split())))
    ours = {outcome.problem_code for outcome in OUTCOMES.values()}
    assert named == {code: str(status) for status, (code, _) in OF_STATUS.items() if code not in ours} | {
        "viewer": "403"
    }


def test_the_exit_statuses_in_readme_are_those_that_there_are() -> None:
    told = README.split("**Exit status.**")[1].split("\n\n")[0]
    assert {int(status) for status in re.findall(r"(?:^|; | )(\d) ", told)} == {0, 1} | {
        outcome.exit_status for outcome in OUTCOMES.values()
    }


def test_the_faults_in_developers_are_those_of_the_simulated_scope() -> None:
    told = re.search(r"The faults of the simulated scope \(([^)]+)\)", DEVELOPERS)
    assert told is not None
    assert re.findall(r"`([a-z-]+)`", told[1]) == [str(fault) for fault in Fault]


def test_every_command_and_every_option_is_explained_by_help() -> None:
    unexplained = [name for name, text in _helps(commands, "peakwhite") if not text]
    assert not unexplained


def _helps(command: click.Command, path: str) -> list[tuple[str, str | None]]:
    told = [(path, command.help)]
    told += [(f"{path} {one.opts[0]}", one.help) for one in command.params if isinstance(one, click.Option)]
    for name, below in command.commands.items() if isinstance(command, click.Group) else ():
        told += _helps(below, f"{path} {name}")
    return told


def test_every_dependency_and_every_bound_has_its_reason_in_developers() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    at_run_time = [_name_and_bound(one) for one in (*project["dependencies"], *extras["postgresql"])]
    bounds = DEVELOPERS.split("| at least | why not older |\n|---|---|\n")[1].split("\n\n")[0]
    named = re.findall(r"^\| ([a-z\d-]+) ([\d.]+) \| .{10,} \|$", bounds, re.MULTILINE)
    assert named == at_run_time
    reasons = DEVELOPERS.split("| package | why |")[1].split("\n\n")[0]
    for name in [
        *(name for name, _ in at_run_time),
        *(_name_and_bound(one)[0] for one in extras["test"] + extras["dev"]),
    ]:
        assert re.search(rf"^\|[^|]*\b{name}\b", reasons, re.MULTILINE), name


def _name_and_bound(requirement: str) -> tuple[str, str]:
    found = re.match(r"([\w-]+)(?:\[\w+\])?(?:>=([\d.]+))?", requirement)
    assert found is not None
    return found[1], found[2] or ""
