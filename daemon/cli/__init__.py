"""The command line: parse, then import what a command needs only when it runs. One file a command.

Whatever goes wrong on purpose ends in one line on stderr, `peakwhite: WHERE: WHAT; DO`, and the exit status of
`drivers.errors`.
"""

import os
import sys
from collections.abc import Sequence

import click

from ...drivers.errors import PeakwhiteError, UsageError, outcome_of
from .access import access
from .book import book
from .book_bench import bench
from .book_places import job, mark, stage, undo, unit
from .calibrate import calibrate
from .calibrate_tie import tie
from .capture import capture
from .demo import demo
from .doctor import doctor
from .match import match
from .measure import measure
from .record_scope import record_scope
from .scopes import scopes
from .serve import serve
from .service import service
from .settings import settings
from .terminator_test import terminator_test

NO_COMMAND, MISSING_COMMAND = "no command is given", "Missing command."
"""What we say of a group without a command, and what click says."""
INTERRUPTED = 130
"""What shells expect of a command that Ctrl-C ended."""


def _print_version(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted and not context.resilient_parsing:
        from importlib.metadata import PackageNotFoundError, version

        try:
            click.echo(f"peakwhite {version('peakwhite')}")
        except PackageNotFoundError:
            click.echo("peakwhite, not installed")
        context.exit()


@click.group(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_print_version, help="Say which.")
@click.pass_context
def commands(context: click.Context) -> None:
    """Analogue video levels, live, from a bench oscilloscope: how many millivolts is white, and may it be left?"""
    if context.invoked_subcommand is None:
        raise UsageError(
            NO_COMMAND,
            where="command line",
            do="try 'peakwhite demo', or see 'peakwhite --help'",
        )


for command in (
    demo,
    serve,
    scopes,
    doctor,
    record_scope,
    capture,
    measure,
    match,
    terminator_test,
    calibrate,
    book,
    settings,
    service,
    access,
):
    commands.add_command(command)
calibrate.add_command(tie)
for command in (job, unit, stage, mark, undo, bench):
    book.add_command(command)


def main() -> None:
    """The console script: run the command line of this process and end with its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal that cannot show ± still gets its line
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run one command line; gives its exit status. What goes wrong on purpose is told in one line on stderr."""
    try:
        return int(commands.main(list(arguments), prog_name="peakwhite", standalone_mode=False) or 0)
    except PeakwhiteError as error:
        return _told(error)
    except click.ClickException as error:
        return _told(_usage_error(error, arguments))
    except click.Abort:
        return INTERRUPTED
    except MemoryError:
        return _told(PeakwhiteError("memory ran out", where="this machine", do="take a shorter record"))
    except OSError as error:
        _drop_stdout()
        what = (error.strerror or "it failed").lower()
        return _told(
            PeakwhiteError(what, where=str(error.filename or "standard output"), do="make room or fix it there")
        )


def _told(error: PeakwhiteError) -> int:
    for one in error.each:
        click.echo(f"peakwhite: {one}", err=True)
    return outcome_of(error).exit_status


def _usage_error(error: click.ClickException, arguments: Sequence[str]) -> UsageError:
    context = error.ctx if isinstance(error, click.UsageError) else None
    command = context.command_path if context else _command_path(arguments)
    where = command.removeprefix("peakwhite").strip() or "command line"
    alone = isinstance(error, click.UsageError) and error.message == MISSING_COMMAND
    what = NO_COMMAND if alone else _in_words(error)
    return UsageError(what[:1].lower() + what[1:], where=where, do=f"see '{command} --help'")


def _in_words(error: click.ClickException) -> str:
    """As click says it, but where its releases differ."""
    if not isinstance(error, click.NoSuchOption):
        return error.format_message().rstrip(".")
    near = f", the nearest is '{min(error.possibilities)}'" if error.possibilities else ""
    return f"no such option '{error.option_name}'{near}"


def _command_path(arguments: Sequence[str]) -> str:
    """The command that was meant, for an error of the parser that does not say."""
    path, command = ["peakwhite"], commands
    for argument in arguments:
        found = command.commands.get(argument)
        path += [] if found is None else [argument]
        if not isinstance(found, click.Group):
            break
        command = found
    return " ".join(path)


def _drop_stdout() -> None:
    """Send what is still buffered to nowhere, so that the interpreter does not fail on it once more at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
