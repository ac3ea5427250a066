"""The first tables. A migration is never changed once it has gone out: the next change is a file of its own."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

APPLICATION_ID = 0x5077626B
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
IN_ORDER = ["run_id", "monotonic_ns", "id"]


def upgrade() -> None:
    """From an empty database."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    op.create_table(
        "captures",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("captured_at_ns", WHOLE, nullable=False),
        sa.Column("samples", WHOLE, nullable=False),
        sa.Column("meta", sa.Text(), nullable=False),
        sa.Column("crc32", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_captures")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "jobs",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created_utc_ns", WHOLE, nullable=False),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "runs",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("began_utc_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "setups",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setups")),
        sa.UniqueConstraint("sha256", name=op.f("uq_setups_sha256")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "codes",
        sa.Column("capture_id", WHOLE, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("samples", WHOLE, nullable=False),
        sa.Column("crc32", WHOLE, nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"], name=op.f("fk_codes_capture_id")),
        sa.PrimaryKeyConstraint("capture_id", "position", name=op.f("pk_codes")),
    )
    op.create_table(
        "units",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("job_id", WHOLE, nullable=False),
        sa.Column("maker", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("revision", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created_utc_ns", WHOLE, nullable=False),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_units_job_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_units")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_units_job_id"), "units", ["job_id"], unique=False)
    op.create_table(
        "stages",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("unit_id", WHOLE, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created_utc_ns", WHOLE, nullable=False),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_stages_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stages")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_stages_unit_id"), "stages", ["unit_id"], unique=False)
    op.create_table(
        "events",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("run_id", WHOLE, nullable=False),
        sa.Column("stage_id", WHOLE, nullable=True),
        sa.Column("monotonic_ns", WHOLE, nullable=False),
        sa.Column("utc_ns", WHOLE, nullable=False),
        sa.Column("clock_synced", sa.Boolean(), nullable=True),
        sa.Column("setup_id", WHOLE, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_events_run_id")),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_events_setup_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stages.id"], name=op.f("fk_events_stage_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_events_in_order", "events", ["run_id", "monotonic_ns"], unique=False)
    op.create_index(op.f("ix_events_stage_id"), "events", ["stage_id"], unique=False)
    op.create_table(
        "log",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("run_id", WHOLE, nullable=False),
        sa.Column("stage_id", WHOLE, nullable=True),
        sa.Column("monotonic_ns", WHOLE, nullable=False),
        sa.Column("utc_ns", WHOLE, nullable=False),
        sa.Column("clock_synced", sa.Boolean(), nullable=True),
        sa.Column("period_ms", WHOLE, nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=True),
        sa.Column("min_mv", sa.Double(), nullable=True),
        sa.Column("mean_mv", sa.Double(), nullable=True),
        sa.Column("max_mv", sa.Double(), nullable=True),
        sa.Column("levels", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_log_run_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stages.id"], name=op.f("fk_log_stage_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_log")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_log_in_order", "log", ["run_id", "monotonic_ns"], unique=False)
    op.create_index(op.f("ix_log_stage_id"), "log", ["stage_id"], unique=False)
    op.create_table(
        "marks",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("stage_id", WHOLE, nullable=False),
        sa.Column("run_id", WHOLE, nullable=False),
        sa.Column("monotonic_ns", WHOLE, nullable=False),
        sa.Column("utc_ns", WHOLE, nullable=False),
        sa.Column("clock_synced", sa.Boolean(), nullable=True),
        sa.Column("setup_id", WHOLE, nullable=False),
        sa.Column("capture_id", WHOLE, nullable=True),
        sa.Column("identity", sa.Text(), nullable=False),
        sa.Column("unit_on_min", sa.Double(), nullable=True),
        sa.Column("scope_on_min", sa.Double(), nullable=True),
        sa.Column("cold", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("removed_utc_ns", WHOLE, nullable=True),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"], name=op.f("fk_marks_capture_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_marks_run_id")),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_marks_setup_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stages.id"], name=op.f("fk_marks_stage_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_marks")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_marks_of_stage", "marks", ["stage_id", *IN_ORDER], unique=False)
    if op.get_bind().dialect.name == "sqlite":
        op.create_index("ix_marks_searched", "marks", [*IN_ORDER, "stage_id", "removed_utc_ns", "folded"], unique=False)
    else:
        op.create_index("ix_marks_in_order", "marks", IN_ORDER, unique=False)
    op.create_table(
        "documents",
        sa.Column("mark_id", WHOLE, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("crc32", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["mark_id"], ["marks.id"], name=op.f("fk_documents_mark_id")),
        sa.PrimaryKeyConstraint("mark_id", "kind", name=op.f("pk_documents")),
    )
    op.create_table(
        "event_captures",
        sa.Column("event_id", WHOLE, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("capture_id", WHOLE, nullable=False),
        sa.Column("reading", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"], name=op.f("fk_event_captures_capture_id")),
        sa.ForeignKeyConstraint(["event_id"], ["events.id"], name=op.f("fk_event_captures_event_id")),
        sa.PrimaryKeyConstraint("event_id", "position", name=op.f("pk_event_captures")),
    )
    op.create_table(
        "levels",
        sa.Column("mark_id", WHOLE, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=True),
        sa.Column("peak_white_mv", sa.Double(), nullable=True),
        sa.Column("u95_mv", sa.Double(), nullable=True),
        sa.Column("off_aim_mv", sa.Double(), nullable=True),
        sa.Column("target", sa.Text(), nullable=True),
        sa.Column("zone", sa.Text(), nullable=True),
        sa.Column("verdict", sa.Text(), nullable=True),
        sa.Column("held", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["mark_id"], ["marks.id"], name=op.f("fk_levels_mark_id")),
        sa.PrimaryKeyConstraint("mark_id", "position", name=op.f("pk_levels")),
    )
