"""Which changes are about this job, piece, cutter, machine or plan? As they say, or by what they undo.

A change that names nothing of its own still holds the numbers with which it is taken back, and these tell
what it was about: a pin its job, a breakdown its machine, a plan put in force its number.
"""

from __future__ import annotations

from sqlalchemy import ColumnElement, and_, or_, select

from planner.database import tables

_KINDS = {  # a word alone asks for all of its kind
    "job": ("pin",),
    "piece": ("piece",),
    "cutter": ("cutter",),
    "machine": ("breakdown", "up"),
    "plan": ("plan", "pin"),
    "bench": ("bench", "hand"),
    "hand": ("hand",),
}


def concerns(about: str) -> ColumnElement[bool]:
    """Return what holds of the changes that are about something.

    Parameters
    ----------
    about : str
        `job 12`, `piece 0147`, `machine Wren`, `cutter 6F-01`, `plan 3`; a word alone for all such [-].
    """
    change = tables.Change
    word, _, name = about.strip().partition(" ")
    if not name:
        told = change.about.startswith(f"{word} ", autoescape=True)
        return or_(told, change.kind.in_(_KINDS.get(word, ())))
    return or_(change.about == f"{word} {name}", *_by_undo(word, name))


def _by_undo(word: str, name: str) -> list[ColumnElement[bool]]:
    change = tables.Change
    number = int(name) if name.isascii() and name.isdigit() and len(name) < 10 else None
    if word == "job" and number is not None:
        return [and_(change.kind.in_(("pin", "piece")), change.undo["job"].as_integer() == number)]
    if word == "plan" and number is not None:
        return [and_(change.kind == "plan", change.undo["plan"].as_integer() == number)]
    if word == "machine":
        machine = select(tables.Machine.id).where(tables.Machine.name == name).scalar_subquery()
        down = select(tables.Breakdown.id).where(tables.Breakdown.machine_id == machine)
        return [
            and_(change.kind == "breakdown", change.undo["breakdown"].as_integer().in_(down)),
            and_(change.kind == "up", change.words == f"{name} is reported up again"),
        ]
    if word == "cutter":
        cutter = select(tables.Cutter.id).where(tables.Cutter.name == name).scalar_subquery()
        return [and_(change.kind == "cutter", change.undo["cutter"].as_integer() == cutter)]
    return []
