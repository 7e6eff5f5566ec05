"""How are tables had as CSV, by program and by page?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flask import Blueprint, Response, render_template, stream_with_context
from flask.typing import ResponseReturnValue

from planner.database.states import Role
from planner.services import export
from web.access import allow
from web.api import (
    operation,
    pages,
)
from web.session import reading_db, the_season

__all__ = ["pages"]


@operation("GET", "/tables", Role.LEAD, "Tables that can be had as CSV, with their rows", {"type": "object"})
def table_list() -> Any:
    """Give the names and row counts of the tables."""
    with reading_db() as db:
        return export.row_counts(db)


@operation(
    "GET", "/tables/<table>.csv", Role.LEAD, "A whole table as CSV", {"type": "string", "format": "csv"}
)
def table_csv(table: str) -> Response:
    """Give a table as CSV."""
    export.table_named(table)

    def written() -> Iterator[str]:
        with reading_db() as db:
            yield from export.csv_lines(db, table)

    answer = Response(stream_with_context(written()), mimetype="text/csv")
    answer.headers["Content-Disposition"] = f"attachment; filename={table}.csv"
    return answer


tables_page = Blueprint("export", __name__)


@tables_page.get("/export")
@allow(Role.LEAD)
def export_page() -> ResponseReturnValue:
    """Show the tables that can be had as CSV."""
    with reading_db() as db:
        the_season(db)
        counts = export.row_counts(db)
    return render_template("export.html", counts=counts)
