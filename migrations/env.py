"""Which database is migrated? The connection that `planner.database.migrate` hands over."""

from typing import Any, Literal

from alembic import context
from sqlalchemy import TypeDecorator

from planner.database.tables import Base


def render_item(kind: str, element: Any, _: object) -> str | Literal[False]:
    """Write our column types as what the store sees, so that an old migration needs no code of ours."""
    if kind == "type" and isinstance(element, TypeDecorator):
        return f"sa.{element.impl_instance!r}"
    return False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter a table, it is built anew
    render_item=render_item,
)
with context.begin_transaction():
    context.run_migrations()
