"""People, floor reports, lit checks, pins and changes."""

import sqlalchemy as sa
from alembic import op

revision = "0002_people"
down_revision = "0001_first"
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "absences",
        sa.Column("person", sa.String(length=120), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("end_at > start_at", name=op.f("ck_absences_end_after_start")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_absences")),
    )
    op.create_table(
        "changes",
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("undo", sa.JSON(), nullable=False),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("undone_by", sa.String(length=120), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
    )
    op.create_table(
        "one_time_links",
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_one_time_links")),
        sa.UniqueConstraint("digest", name=op.f("uq_one_time_links_digest")),
    )
    op.create_table(
        "people",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password", sa.String(length=300), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("name", name=op.f("uq_people_name")),
    )
    op.create_table(
        "sign_in_tries",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("tried_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_tries")),
    )
    with op.batch_alter_table("sign_in_tries", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_tries_address"), ["address"], unique=False)
        batch_op.create_index(batch_op.f("ix_sign_in_tries_name"), ["name"], unique=False)

    op.create_table(
        "hand_overs",
        sa.Column("season_id", sa.Integer(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("taken_by", sa.String(length=120), nullable=True),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["season_id"], ["seasons.id"], name=op.f("fk_hand_overs_season_id_seasons")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_overs")),
    )
    with op.batch_alter_table("hand_overs", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_hand_overs_season_id"), ["season_id"], unique=False)

    op.create_table(
        "machine_tokens",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_machine_tokens_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_tokens")),
        sa.UniqueConstraint("digest", name=op.f("uq_machine_tokens_digest")),
    )
    with op.batch_alter_table("machine_tokens", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_machine_tokens_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "sign_ins",
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_sign_ins_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_ins")),
        sa.UniqueConstraint("digest", name=op.f("uq_sign_ins_digest")),
    )
    with op.batch_alter_table("sign_ins", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_ins_person_id"), ["person_id"], unique=False)

    op.create_table(
        "lit_checks",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("rating", sa.Integer(), nullable=False),
        sa.Column("faults", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("rating BETWEEN 1 AND 10", name=op.f("ck_lit_checks_rating")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_lit_checks_job_id_jobs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lit_checks")),
    )
    with op.batch_alter_table("lit_checks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_lit_checks_job_id"), ["job_id"], unique=False)

    op.create_table(
        "machine_reports",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("event", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_machine_reports_job_id_jobs")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_machine_reports_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_reports")),
        sa.UniqueConstraint("machine_id", "event", name=op.f("uq_machine_reports_machine_id_event")),
    )
    with op.batch_alter_table("machine_reports", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_machine_reports_happened_at"), ["happened_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_machine_reports_job_id"), ["job_id"], unique=False)

    op.create_table(
        "pins",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_pins_job_id_jobs")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_pins_machine_id_machines")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pins")),
        sa.UniqueConstraint("job_id", "step", name=op.f("uq_pins_job_id_step")),
    )
    with op.batch_alter_table("pins", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_pins_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "pauses",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("end_at >= start_at", name=op.f("ck_pauses_end_after_start")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_pauses_run_id_runs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pauses")),
    )
    with op.batch_alter_table("pauses", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_pauses_run_id"), ["run_id"], unique=False)
        batch_op.create_index(
            "uq_pauses_open",
            ["run_id"],
            unique=True,
            sqlite_where=sa.text("end_at IS NULL"),
            postgresql_where=sa.text("end_at IS NULL"),
        )

    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.add_column(sa.Column("checks", sa.JSON(), nullable=False, server_default="[]"))

    with op.batch_alter_table("scans", schema=None) as batch_op:
        batch_op.add_column(sa.Column("rechecked_at", sa.DateTime(timezone=True), nullable=True))

    with op.batch_alter_table("works", schema=None) as batch_op:
        batch_op.add_column(sa.Column("result", sa.JSON(), nullable=False, server_default="{}"))


def downgrade() -> None:

    with op.batch_alter_table("works", schema=None) as batch_op:
        batch_op.drop_column("result")

    with op.batch_alter_table("scans", schema=None) as batch_op:
        batch_op.drop_column("rechecked_at")

    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.drop_column("checks")

    with op.batch_alter_table("pauses", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_pauses_open",
            sqlite_where=sa.text("end_at IS NULL"),
            postgresql_where=sa.text("end_at IS NULL"),
        )
        batch_op.drop_index(batch_op.f("ix_pauses_run_id"))

    op.drop_table("pauses")
    with op.batch_alter_table("pins", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_pins_machine_id"))

    op.drop_table("pins")
    with op.batch_alter_table("machine_reports", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_machine_reports_job_id"))
        batch_op.drop_index(batch_op.f("ix_machine_reports_happened_at"))

    op.drop_table("machine_reports")
    with op.batch_alter_table("lit_checks", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_lit_checks_job_id"))

    op.drop_table("lit_checks")
    with op.batch_alter_table("sign_ins", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_ins_person_id"))

    op.drop_table("sign_ins")
    with op.batch_alter_table("machine_tokens", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_machine_tokens_machine_id"))

    op.drop_table("machine_tokens")
    with op.batch_alter_table("hand_overs", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_hand_overs_season_id"))

    op.drop_table("hand_overs")
    with op.batch_alter_table("sign_in_tries", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_tries_name"))
        batch_op.drop_index(batch_op.f("ix_sign_in_tries_address"))

    op.drop_table("sign_in_tries")
    op.drop_table("people")
    op.drop_table("one_time_links")
    op.drop_table("changes")
    op.drop_table("absences")
