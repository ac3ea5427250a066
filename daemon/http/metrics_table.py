"""Every metric that `/metrics` gives, by the naming rules of Prometheus: base units, so levels are in volts, and `_total` for
what only rises. DEVELOPERS.md has this table, and a test holds it to it.

Labels are of bounded number whatever clients do: no address, no name that somebody gave. Viewers are told apart by their
place, of which there are sixteen (the lowest free one when they come); all beyond them are `more`.
"""

from typing import Literal, NamedTuple

Kind = Literal["counter", "gauge", "histogram"]


class Metric(NamedTuple):
    """One metric: its labels, and what it tells."""

    name: str
    kind: Kind
    labels: tuple[str, ...]
    meaning: str


METRICS: tuple[Metric, ...] = (
    Metric("peakwhite_build_info", "gauge", ("version", "python"), "Always 1; which versions run."),
    Metric("peakwhite_uptime_seconds", "gauge", (), "How long this run has lasted, by a clock that does not jump."),
    Metric("peakwhite_ready", "gauge", (), "1 while valid readings come in, as /readyz says, else 0."),
    Metric("peakwhite_reading_age_seconds", "gauge", (), "Age of the newest reading; absent where there is none."),
    Metric("peakwhite_scope_state", "gauge", ("state",), "1 for the state that the scope is in, 0 for the others."),
    Metric("peakwhite_problems", "gauge", ("code",), "Problems that the page shows now."),
    Metric("peakwhite_captures_total", "counter", ("outcome",), "Captures asked for: captured, or untriggered."),
    Metric("peakwhite_readings_total", "counter", (), "Readings that were published."),
    Metric("peakwhite_readings_overtaken_total", "counter", (), "Readings that the daemon was too late to hand out."),
    Metric("peakwhite_scope_failures_total", "counter", ("code",), "Times the scope could not be reached or was lost."),
    Metric("peakwhite_scope_reconnects_total", "counter", (), "Times a scope that had been lost was back."),
    Metric("peakwhite_acquisition_defects_total", "counter", (), "Times acquisition itself failed and began anew."),
    Metric("peakwhite_acquisition_beat_age_seconds", "gauge", (), "Since acquisition last showed that it goes on."),
    Metric("peakwhite_capture_fetch_seconds", "histogram", (), "Fetching a capture from the scope."),
    Metric("peakwhite_capture_measure_seconds", "histogram", (), "Measuring a capture."),
    Metric("peakwhite_capture_publish_seconds", "histogram", (), "From the beginning of the fetch to the reading out."),
    Metric(
        "peakwhite_level_volts", "gauge", ("channel", "role"), "Peak white above blanking; absent where not measured."
    ),
    Metric("peakwhite_level_uncertainty_volts", "gauge", ("channel", "role"), "Its uncertainty, 95 %."),
    Metric("peakwhite_viewers", "gauge", (), "Viewers of the live socket now."),
    Metric("peakwhite_viewers_joined_total", "counter", (), "Viewers that came."),
    Metric("peakwhite_viewers_gone_total", "counter", ("reason",), "Viewers that went: left, too-slow or bad-message."),
    Metric("peakwhite_frames_sent_total", "counter", ("kind",), "Frames given to the sockets of viewers."),
    Metric(
        "peakwhite_frames_dropped_total", "counter", ("kind",), "Frames that a newer one replaced before being sent."
    ),
    Metric("peakwhite_viewer_frames_dropped_total", "counter", ("viewer",), "The same by the place of the viewer."),
    Metric(
        "peakwhite_connections_refused_total",
        "counter",
        ("reason",),
        "Connections closed: too-many, too-late, invalid.",
    ),
    Metric("peakwhite_book_writes_total", "counter", (), "Transactions of the book that are on the disk."),
    Metric("peakwhite_book_write_failures_total", "counter", (), "Transactions of the book that failed."),
    Metric("peakwhite_book_refusals_total", "counter", (), "Things not taken because too much waited to be written."),
    Metric("peakwhite_book_write_seconds", "histogram", (), "Transactions of the book, until they are on the disk."),
    Metric(
        "peakwhite_book_queue_length",
        "gauge",
        ("queue",),
        "What waits to be written: writes, and stretches of the log.",
    ),
    Metric("peakwhite_disk_free_bytes", "gauge", (), "Room where the book lies; absent where it is on a server."),
    Metric("peakwhite_disk_size_bytes", "gauge", (), "Size of that disk."),
    Metric(
        "peakwhite_written_bytes_total", "counter", (), "What this process had written to disks; absent where untold."
    ),
    Metric("peakwhite_log_lines_dropped_total", "counter", (), "Log lines given up, since nobody took them."),
)
