"""README and DEVELOPERS hold: their commands parse, their settings load, and nothing that there is goes unnamed."""

import re
import shlex
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import click
import pytest

from peakwhite.daemon.cli import commands
from peakwhite.daemon.cli.settings_rows import settings_as_text
from peakwhite.daemon.config.keys import BY_ROLE
from peakwhite.daemon.config.model import SettingsTables
from peakwhite.daemon.config.rows import rows_of
from peakwhite.daemon.config.settings import Settings, parse_settings
from peakwhite.drivers.families import FAMILIES
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import parse_resource
from peakwhite.simulated_scope.dialects import DIALECTS
from peakwhite.simulated_scope.faults import Fault

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMAND = re.compile(r"(?:^|[ /`])peakwhite ([a-z][^`\n#&|]*)")


def blocks(kind: str) -> list[str]:
    """The fenced blocks of that kind in README."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def command_lines() -> list[str]:
    """Every `peakwhite …` of README's shell blocks and code spans, without the program's name."""
    spans = re.findall(r"`(peakwhite [^`]+)`", README)
    lines = [line for block in blocks("sh") for line in block.splitlines()]
    return [found[1].strip() for text in (*lines, *spans) if (found := COMMAND.search(text))]


def leaf_commands(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from leaf_commands(command, (*path, name))
        else:
            yield (*path, name)


def parsed(line: str) -> tuple[tuple[str, ...], dict[str, object]]:
    """The command of a command line and its parameters. Raises click.UsageError."""
    command: click.Command = commands
    path: tuple[str, ...] = ()
    rest = shlex.split(line)
    while isinstance(command, click.Group):
        if rest and rest[0] == "--help":
            return path, {}
        _, found, rest = command.resolve_command(click.Context(command), rest)
        assert found is not None and found.name is not None
        command, path = found, (*path, found.name)
    return path, dict(command.make_context(path[-1], rest).params)


def test_readme_shows_command_lines_and_settings() -> None:
    assert len(command_lines()) > 10
    assert blocks("toml")


@pytest.mark.parametrize("line", command_lines())
def test_every_command_line_in_readme_parses(line: str) -> None:
    _, parameters = parsed(line)
    if isinstance(resource := parameters.get("scope"), str):
        parse_resource(resource)


def test_a_command_line_with_an_option_that_there_is_not_would_be_found() -> None:
    with pytest.raises(click.UsageError):
        parsed("measure capture.csv --rolle CH1=red")


@pytest.mark.parametrize("text", blocks("toml"))
def test_every_settings_block_in_readme_loads(text: str) -> None:
    parse_settings(text, Path("README.md")).setup()


def test_every_command_is_in_readme() -> None:
    assert set(leaf_commands(commands)) <= {parsed(line)[0] for line in command_lines()}


def test_every_option_that_readme_names_in_passing_is_one_of_some_command() -> None:
    known = {name for path in leaf_commands(commands) for option in _command(path).params for name in option.opts}
    named = set(re.findall(r"`(--[a-z-]+)[^`]*`", README))
    assert named and named <= known


def _command(path: tuple[str, ...]) -> click.Command:
    command: click.Command = commands
    for name in path:
        assert isinstance(command, click.Group)
        command = command.commands[name]
    return command


def test_every_settings_key_is_shown_by_settings_show() -> None:
    shown = set(re.findall(r"^(?:# )?([a-z_]+) = ", settings_as_text(Settings()), re.MULTILINE))
    assert shown - {"red"} == set(_keys(SettingsTables.model_json_schema()))


def test_the_keys_in_readme_are_those_of_the_model_each_where_it_counts() -> None:
    rows = rows_of(Settings())
    table = ["| table | counts at once | needs a restart |", "|---|---|---|"]
    for name, group in groupby(rows, key=lambda row: ".".join(row.table)):
        keys = [row for row in group if name != BY_ROLE]
        live, later = (", ".join(f"`{row.key}`" for row in keys if row.live is wanted) for wanted in (True, False))
        table.append(
            f"| `[{name}]` | {live or ('a role each' if name == BY_ROLE else '')} | {later} |".replace("|  |", "| |")
        )
    assert "\n".join(table) in README, "README's table of settings is to be:\n" + "\n".join(table)


def _keys(schema: dict[str, object]) -> Iterator[str]:
    """The keys of every table in the settings' own schema."""
    tables = schema["$defs"]
    assert isinstance(tables, dict)
    for table in tables.values():
        yield from table.get("properties", {})


def test_every_family_has_its_row_in_readme_and_no_other_has() -> None:
    table = README.split("| family, as `--family` takes it |")[1].split("\n\n")[0]
    rows = [
        f"| `{family.name}` | {family.series} | {', '.join(family.ways)} | {'yes' if family.tried_on_hardware else 'no'} |"
        for family in FAMILIES
    ]
    assert re.findall(r"^\| `.*", table, re.MULTILINE) == rows


def test_the_families_with_an_external_trigger_input_are_named_in_readme() -> None:
    named = re.search(r"`--role EXT=sync`, with ([^)]+)\)", README)
    assert named is not None
    simulated = [Identity(dialect.default_identity) for dialect in DIALECTS.values()]
    having = {
        family.name
        for family in FAMILIES
        for identity in simulated
        if family.knows(identity.text) and family.abilities(identity).ext_input
    }
    assert set(re.findall(r"`([^`]+)`", named[1])) == having


def test_the_port_in_readme_is_the_default_port() -> None:
    assert set(re.findall(r"127\.0\.0\.1:(\d+)", README)) == {str(SettingsTables().http.port)}


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_file_that_is_linked_to_is_there(text: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert (ROOT / target).is_file(), target


def test_the_tour_names_every_part_of_the_daemon_and_every_module_of_measure() -> None:
    daemon = {
        path.stem for path in (ROOT / "daemon").iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()
    }
    tour = DEVELOPERS.split("```")[1]
    assert daemon - {"__init__"} == set(re.findall(r"^  ([a-z_]+)/?(?:,| {2,})", tour, re.MULTILINE)) | {"__main__"}
    measure = {path.name for path in (ROOT / "daemon" / "measure").glob("*.py")} - {"__init__.py"}
    assert not measure - set(re.findall(r"`([a-z_]+\.py)`", DEVELOPERS)), "name them in DEVELOPERS.md"


def test_every_test_that_developers_names_is_there() -> None:
    written = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)\(", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    named = set(re.findall(r"`(test_\w+)`", DEVELOPERS))
    assert len(named) > 30
    assert not named - written


def test_every_benchmark_stands_beside_the_figure_that_it_prints() -> None:
    written = {
        path.stem
        for path in (ROOT / "tests" / "bench").glob("*.py")
        if re.search(r"^def run\(", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    table = DEVELOPERS.split("| figure | benchmark |\n|---|---|\n")[1].split("\n\n")[0]
    assert written == {
        name for row in table.splitlines() for name in re.findall(r"`([a-z]+)`", row.rsplit(" | ", 1)[1])
    }


def test_every_trap_names_a_test() -> None:
    table = DEVELOPERS.split("| trap | test |\n|---|---|\n")[1].split("\n\n")[0]
    assert all(re.fullmatch(r"\| .+ \| `test_\w+`(, `test_\w+`)* \|", row) for row in table.splitlines())


def test_faults_that_the_documents_name_are_faults() -> None:
    named = re.findall(r"--fault ([a-z][a-z-]+)", README + DEVELOPERS)
    assert set(named) <= set(Fault)
    assert "peakwhite.simulated_scope --help" in DEVELOPERS


def test_every_file_that_developers_names_is_there() -> None:
    folders = [ROOT, ROOT / "drivers", ROOT / "simulated_scope", *(ROOT / "daemon" / name for name in ("", "measure"))]
    named = re.findall(r"`([A-Za-z_/]+\.py)`", DEVELOPERS)
    assert named
    for name in named:
        assert any((folder / name).is_file() for folder in folders) or "NAME" in name, name


def test_every_scrape_of_another_computer_in_readme_sends_a_token() -> None:
    jobs = blocks("yaml")
    assert any("127.0.0.1" in job for job in jobs) and any("127.0.0.1" not in job for job in jobs)
    for job in jobs:
        assert ("127.0.0.1" in job) != bool(
            re.search(r"^    authorization:\n      credentials_file: /", job, re.MULTILINE)
        )


def test_readme_says_of_every_way_to_install_the_service_how_it_is_brought_up_to_date() -> None:
    lines = [line for block in blocks("sh") for line in block.splitlines()]
    installed, updated = ([line for line in lines if f"{verb} " in line] for verb in ("pipx install", "pipx upgrade"))
    ends = [line.split(" && ")[1] for line in installed]
    assert len(ends) == 2 and ends == [line.split(" && ")[1] for line in updated]
    assert {"sudo peakwhite service install", "sudo ~/.local/bin/peakwhite service install"} == set(ends)
    assert any("/opt/peakwhite/bin/pip install --upgrade" in line for line in lines)
