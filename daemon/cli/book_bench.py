"""`peakwhite book bench`: watch, warmth and the question which unit it is, of the daemon that has the book open."""

import json
from pathlib import Path

import click

from ...drivers.errors import UsageError
from .book import book_options, settings_and_place
from .output import say

minutes = click.FloatRange(0.0, 60.0 * 24 * 365)


@click.command(short_help="Watch, warmth, and whether it is still the same unit.")
@click.option(
    "--watch", type=click.Choice(["on", "off"]), help="Switch the watch for intermittent faults; on counts anew."
)
@click.option(
    "--band-mv",
    type=click.FloatRange(0.0, 1000.0, min_open=True),
    metavar="MV",
    help="With --watch on: a level that leaves what is normal by more is a fault.",
)
@click.option("--same-unit", is_flag=True, help="It is still the same unit; the next one is named by 'book unit'.")
@click.option("--unit-on", type=minutes, metavar="MIN", help="The unit came on so many minutes ago.")
@click.option("--scope-on", type=minutes, metavar="MIN", help="The scope came on so many minutes ago.")
@book_options
def bench(
    watch: str | None,
    band_mv: float | None,
    same_unit: bool,
    unit_on: float | None,
    scope_on: float | None,
    as_json: bool,
    book: str | None,
    config: Path | None,
) -> None:
    """Say how things are at the bench of the daemon that has the book open, after what the options change."""
    from .book_hands import daemon_of
    from .book_text import bench_as_text

    if band_mv is not None and watch != "on":
        raise UsageError("it is for --watch on", where="--band-mv", do="give both")
    settings, place = settings_and_place(book, config)
    daemon = daemon_of(place, settings)
    if watch is not None:
        daemon.set_watch(watch == "on", band_mv)
    if same_unit:
        daemon.same_unit()
    for what, minutes_ago in (("unit", unit_on), ("scope", scope_on)):
        if minutes_ago is not None:
            daemon.came_on(what, minutes_ago)
    found = daemon.bench()
    say(json.dumps(found) if as_json else bench_as_text(found))
