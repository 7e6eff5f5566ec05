"""Indexes for the pages: nights, lots and the ends of a plan are counted without reading the rows."""

from alembic import op

revision = "0004_counted_by_index"
down_revision = "0003_indexes"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_index("ix_jobs_season_id_night")
        batch_op.create_index(
            "ix_jobs_season_id_night_state", ["season_id", "night", "state", "station_id"], unique=False
        )

    with op.batch_alter_table("plan_rows", schema=None) as batch_op:
        batch_op.create_index("ix_plan_rows_plan_id_end_at", ["plan_id", "end_at"], unique=False)
        batch_op.create_index(
            "ix_plan_rows_plan_id_machine_id", ["plan_id", "machine_id", "start_at"], unique=False
        )

    with op.batch_alter_table("lots", schema=None) as batch_op:
        batch_op.create_index("ix_lots_received_on", ["received_on"], unique=False)

    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.create_index("ix_workpieces_lot_id_number", ["lot_id", "number"], unique=False)
        batch_op.create_index("ix_workpieces_lot_id_state", ["lot_id", "state"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.drop_index("ix_workpieces_lot_id_state")
        batch_op.drop_index("ix_workpieces_lot_id_number")

    with op.batch_alter_table("lots", schema=None) as batch_op:
        batch_op.drop_index("ix_lots_received_on")

    with op.batch_alter_table("plan_rows", schema=None) as batch_op:
        batch_op.drop_index("ix_plan_rows_plan_id_machine_id")
        batch_op.drop_index("ix_plan_rows_plan_id_end_at")

    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_index("ix_jobs_season_id_night_state")
        batch_op.create_index("ix_jobs_season_id_night", ["season_id", "night"], unique=False)
