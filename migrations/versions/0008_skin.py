"""How high a piece's ribs stand, and where its skin is blemished."""

import sqlalchemy as sa
from alembic import op

revision = "0008_skin"
down_revision = "0007_waiting"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.add_column(sa.Column("rib_mm", sa.Double(), nullable=True))
        batch_op.add_column(sa.Column("blemishes", sa.JSON(), nullable=False, server_default="[]"))
        batch_op.create_check_constraint(batch_op.f("ck_workpieces_rib_height"), "rib_mm >= 0")
    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.alter_column("blemishes", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("ck_workpieces_rib_height"), type_="check")
        batch_op.drop_column("blemishes")
        batch_op.drop_column("rib_mm")
