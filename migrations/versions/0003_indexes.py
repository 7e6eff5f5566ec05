"""Indexes for the pages: steps of a plan by time, jobs of a season by night."""

from alembic import op

revision = "0003_indexes"
down_revision = "0002_people"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("plan_rows", schema=None) as batch_op:
        batch_op.create_index("ix_plan_rows_plan_id_start_at", ["plan_id", "start_at"], unique=False)

    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.create_index("ix_jobs_season_id_night", ["season_id", "night"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_index("ix_jobs_season_id_night")

    with op.batch_alter_table("plan_rows", schema=None) as batch_op:
        batch_op.drop_index("ix_plan_rows_plan_id_start_at")
