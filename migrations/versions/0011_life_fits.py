"""How long lanterns last, as taken over from the walks."""

import sqlalchemy as sa
from alembic import op

revision = "0011_life_fits"
down_revision = "0010_prices"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "life_fits",
        sa.Column("season_id", sa.Integer(), nullable=False),
        sa.Column("days_at_reference", sa.Double(), nullable=False),
        sa.Column("halving_c", sa.Double(), nullable=False),
        sa.Column("shape", sa.Double(), nullable=False),
        sa.Column("relief", sa.Double(), nullable=False),
        sa.Column("lots", sa.JSON(), nullable=False),
        sa.Column("lanterns", sa.Integer(), nullable=False),
        sa.Column("ended", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["season_id"], ["seasons.id"], name=op.f("fk_life_fits_season_id_seasons")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_life_fits")),
    )
    with op.batch_alter_table("life_fits", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_life_fits_season_id"), ["season_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("life_fits", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_life_fits_season_id"))
    op.drop_table("life_fits")
