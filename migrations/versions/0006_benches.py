"""Benches, hands, and what a plan has done at benches."""

import sqlalchemy as sa
from alembic import op

revision = "0006_benches"
down_revision = "0005_floor"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "benches",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("steps", sa.JSON(), nullable=False),
        sa.Column("places", sa.Integer(), nullable=False),
        sa.Column("minutes", sa.JSON(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("places >= 1", name=op.f("ck_benches_places")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_benches")),
        sa.UniqueConstraint("name", name=op.f("uq_benches_name")),
    )
    op.create_table(
        "hands",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("skills", sa.JSON(), nullable=False),
        sa.Column("from_time", sa.Time(), nullable=True),
        sa.Column("to_time", sa.Time(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("from_time < to_time", name=op.f("ck_hands_hours")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hands")),
        sa.UniqueConstraint("name", name=op.f("uq_hands_name")),
    )
    op.create_table(
        "bench_rows",
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("end_at > start_at", name=op.f("ck_bench_rows_end_after_start")),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name=op.f("fk_bench_rows_bench_id_benches")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_bench_rows_job_id_jobs")),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name=op.f("fk_bench_rows_plan_id_plans")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_rows")),
        sa.UniqueConstraint("plan_id", "job_id", "step", name=op.f("uq_bench_rows_plan_id_job_id_step")),
    )
    with op.batch_alter_table("bench_rows", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_bench_rows_bench_id"), ["bench_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_bench_rows_job_id"), ["job_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("bench_rows", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_bench_rows_job_id"))
        batch_op.drop_index(batch_op.f("ix_bench_rows_bench_id"))

    op.drop_table("bench_rows")
    op.drop_table("hands")
    op.drop_table("benches")
