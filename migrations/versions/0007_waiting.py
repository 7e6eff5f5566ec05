"""Reports of controllers that wait for one that is missing."""

import sqlalchemy as sa
from alembic import op

revision = "0007_waiting"
down_revision = "0006_benches"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("machine_reports", schema=None) as batch_op:
        batch_op.add_column(sa.Column("waits", sa.Boolean(), server_default=sa.text("false"), nullable=False))
        batch_op.create_index(
            "ix_machine_reports_machine_id_happened_at", ["machine_id", "happened_at"], unique=False
        )
    where = sa.text("waits")
    op.create_index(
        "ix_machine_reports_waits", "machine_reports", ["machine_id"], unique=False, sqlite_where=where,
        postgresql_where=where,
    )  # fmt: skip


def downgrade() -> None:
    op.drop_index("ix_machine_reports_waits", table_name="machine_reports")
    with op.batch_alter_table("machine_reports", schema=None) as batch_op:
        batch_op.drop_index("ix_machine_reports_machine_id_happened_at")
        batch_op.drop_column("waits")
