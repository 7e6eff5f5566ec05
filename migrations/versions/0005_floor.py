"""Steps of pieces, samples of lots, ledger of cutters, night walks, marks, checks, corrections."""

import sqlalchemy as sa
from alembic import op

revision = "0005_floor"
down_revision = "0004_counted_by_index"
branch_labels = None
depends_on = None


def _open_ones(condition: str) -> None:
    """Let a machine have one open run and a run one open pause, by a condition."""
    for name, table, column, end in (
        ("uq_runs_open", "runs", "machine_id", "ended_at"),
        ("uq_pauses_open", "pauses", "run_id", "end_at"),
    ):
        where = sa.text(f"{end} IS NULL{condition}")
        op.create_index(name, table, [column], unique=True, sqlite_where=where, postgresql_where=where)


def _drop_open_ones() -> None:
    op.drop_index("uq_runs_open", table_name="runs")
    op.drop_index("uq_pauses_open", table_name="pauses")


def upgrade() -> None:
    _drop_open_ones()
    op.create_table(
        "lot_samples",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("bad", sa.Integer(), nullable=False),
        sa.Column("soft_rot", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("pieces >= 1 AND bad >= 0 AND bad <= pieces", name=op.f("ck_lot_samples_bad")),
        sa.CheckConstraint("soft_rot >= 0 AND soft_rot <= bad", name=op.f("ck_lot_samples_soft_rot")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_lot_samples_lot_id_lots")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_samples")),
    )
    with op.batch_alter_table("lot_samples", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_lot_samples_lot_id"), ["lot_id"], unique=False)

    op.create_table(
        "machine_checks",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("passed", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_machine_checks_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_checks")),
    )
    with op.batch_alter_table("machine_checks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_machine_checks_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "cutter_entries",
        sa.Column("cutter_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("stick_out_mm", sa.Double(), nullable=True),
        sa.Column("wear_mm", sa.Double(), nullable=True),
        sa.Column("look", sa.String(length=120), nullable=False),
        sa.Column("life_left", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("wear_mm >= 0 AND stick_out_mm > 0", name=op.f("ck_cutter_entries_amounts")),
        sa.ForeignKeyConstraint(
            ["cutter_id"], ["cutters.id"], name=op.f("fk_cutter_entries_cutter_id_cutters")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_cutter_entries_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cutter_entries")),
    )
    with op.batch_alter_table("cutter_entries", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_cutter_entries_cutter_id"), ["cutter_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_cutter_entries_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "piece_steps",
        sa.Column("workpiece_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("place", sa.String(length=120), nullable=False),
        sa.Column("carrier", sa.String(length=20), nullable=False),
        sa.Column("clamp_number", sa.Integer(), nullable=False),
        sa.Column("voided", sa.JSON(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["workpiece_id"], ["workpieces.id"], name=op.f("fk_piece_steps_workpiece_id_workpieces")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece_steps")),
    )
    with op.batch_alter_table("piece_steps", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_piece_steps_workpiece_id"), ["workpiece_id"], unique=False)

    op.create_table(
        "night_walks",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("rating", sa.Integer(), nullable=True),
        sa.Column("sag", sa.Double(), nullable=True),
        sa.Column("faults", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("rating BETWEEN 1 AND 10", name=op.f("ck_night_walks_rating")),
        sa.CheckConstraint("sag BETWEEN 0 AND 1", name=op.f("ck_night_walks_sag")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_night_walks_job_id_jobs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_night_walks")),
    )
    with op.batch_alter_table("night_walks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_night_walks_job_id"), ["job_id"], unique=False)
        batch_op.create_index("ix_night_walks_night", ["night"], unique=False)

    op.create_table(
        "run_marks",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value_mm", sa.Double(), nullable=True),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("value_mm >= 0", name=op.f("ck_run_marks_value")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_run_marks_run_id_runs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_marks")),
    )
    with op.batch_alter_table("run_marks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_run_marks_run_id"), ["run_id"], unique=False)

    with op.batch_alter_table("changes", schema=None) as batch_op:
        batch_op.add_column(sa.Column("about", sa.String(length=60), server_default="", nullable=False))
        batch_op.create_index(batch_op.f("ix_changes_about"), ["about"], unique=False)

    with op.batch_alter_table("cutter_uses", schema=None) as batch_op:
        batch_op.add_column(sa.Column("replaces_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("voided_by", sa.String(length=120), nullable=True))
        batch_op.add_column(sa.Column("void_reason", sa.Text(), nullable=True))

    with op.batch_alter_table("lit_checks", schema=None) as batch_op:
        batch_op.add_column(sa.Column("photo", sa.String(length=120), server_default="", nullable=False))
        batch_op.add_column(sa.Column("exposure", sa.String(length=120), server_default="", nullable=False))
        batch_op.add_column(sa.Column("replaces_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("voided_by", sa.String(length=120), nullable=True))
        batch_op.add_column(sa.Column("void_reason", sa.Text(), nullable=True))

    with op.batch_alter_table("pauses", schema=None) as batch_op:
        batch_op.add_column(sa.Column("replaces_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("voided_by", sa.String(length=120), nullable=True))
        batch_op.add_column(sa.Column("void_reason", sa.Text(), nullable=True))

    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("resume_from", sa.String(length=120), server_default="", nullable=False)
        )
        batch_op.add_column(sa.Column("continues_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("replaces_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("voided_by", sa.String(length=120), nullable=True))
        batch_op.add_column(sa.Column("void_reason", sa.Text(), nullable=True))
        batch_op.create_index("ix_runs_ended_at", ["ended_at"], unique=False)
        batch_op.create_foreign_key(batch_op.f("fk_runs_continues_id_runs"), "runs", ["continues_id"], ["id"])

    _open_ones(" AND voided_at IS NULL")


def downgrade() -> None:
    _drop_open_ones()
    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("fk_runs_continues_id_runs"), type_="foreignkey")
        batch_op.drop_index("ix_runs_ended_at")
        batch_op.drop_column("void_reason")
        batch_op.drop_column("voided_by")
        batch_op.drop_column("voided_at")
        batch_op.drop_column("replaces_id")
        batch_op.drop_column("continues_id")
        batch_op.drop_column("resume_from")

    with op.batch_alter_table("pauses", schema=None) as batch_op:
        batch_op.drop_column("void_reason")
        batch_op.drop_column("voided_by")
        batch_op.drop_column("voided_at")
        batch_op.drop_column("replaces_id")

    with op.batch_alter_table("lit_checks", schema=None) as batch_op:
        batch_op.drop_column("void_reason")
        batch_op.drop_column("voided_by")
        batch_op.drop_column("voided_at")
        batch_op.drop_column("replaces_id")
        batch_op.drop_column("exposure")
        batch_op.drop_column("photo")

    with op.batch_alter_table("cutter_uses", schema=None) as batch_op:
        batch_op.drop_column("void_reason")
        batch_op.drop_column("voided_by")
        batch_op.drop_column("voided_at")
        batch_op.drop_column("replaces_id")

    with op.batch_alter_table("changes", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_changes_about"))
        batch_op.drop_column("about")

    with op.batch_alter_table("run_marks", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_run_marks_run_id"))

    op.drop_table("run_marks")
    with op.batch_alter_table("night_walks", schema=None) as batch_op:
        batch_op.drop_index("ix_night_walks_night")
        batch_op.drop_index(batch_op.f("ix_night_walks_job_id"))

    op.drop_table("night_walks")
    with op.batch_alter_table("piece_steps", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_piece_steps_workpiece_id"))

    op.drop_table("piece_steps")
    with op.batch_alter_table("cutter_entries", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_cutter_entries_machine_id"))
        batch_op.drop_index(batch_op.f("ix_cutter_entries_cutter_id"))

    op.drop_table("cutter_entries")
    with op.batch_alter_table("machine_checks", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_machine_checks_machine_id"))

    op.drop_table("machine_checks")
    with op.batch_alter_table("lot_samples", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_lot_samples_lot_id"))

    op.drop_table("lot_samples")
    _open_ones("")
