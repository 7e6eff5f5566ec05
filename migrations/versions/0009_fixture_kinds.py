"""What each fixture of a machine holds."""

import sqlalchemy as sa
from alembic import op

revision = "0009_fixture_kinds"
down_revision = "0008_skin"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.add_column(sa.Column("fixture_kinds", sa.JSON(), nullable=False, server_default="{}"))
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.alter_column("fixture_kinds", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.drop_column("fixture_kinds")
