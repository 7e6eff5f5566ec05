"""What a season's hours, cutters and pieces cost."""

import sqlalchemy as sa
from alembic import op

revision = "0010_prices"
down_revision = "0009_fixture_kinds"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("seasons", schema=None) as batch_op:
        batch_op.add_column(sa.Column("prices", sa.JSON(), nullable=False, server_default="{}"))
        batch_op.add_column(sa.Column("currency", sa.String(length=20), nullable=False, server_default=""))
    with op.batch_alter_table("seasons", schema=None) as batch_op:
        batch_op.alter_column("prices", server_default=None)
        batch_op.alter_column("currency", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("seasons", schema=None) as batch_op:
        batch_op.drop_column("currency")
        batch_op.drop_column("prices")
