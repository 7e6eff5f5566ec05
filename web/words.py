"""How is a state told? By a word and a shape; colour only helps."""

from __future__ import annotations

from typing import NamedTuple

CAUTION = (
    "This program does not guard, stop or supervise a machine. Follow your local law, the fire officer, "
    "the food and electrical authority and a competent, licensed person. Where this text differs, they win."
)

MAIN_PAGES = (  # endpoint and name, in the order in which a day needs them
    ("tonight.tonight", "Tonight"),
    ("season.season", "Season"),
    ("floor.machines", "Floor"),
    ("maker.practice", "Try on"),
    ("jobs.jobs", "Jobs"),
    ("produce.workpieces", "Pieces"),
    ("produce.designs", "Designs"),
    ("fleet.machines", "Machines"),
    ("fleet.cutters", "Cutters"),
    ("plan.plan", "Plan"),
)
MORE_PAGES = (  # endpoint, name, least role
    ("venue.venue", "For the venue", "viewer"),
    ("wall.tonight", "For the wall", "viewer"),
    ("walks.walk", "Night walk", "viewer"),
    ("review.review", "Review", "viewer"),
    ("photos.photos", "Pictures", "viewer"),
    ("lasting.lasting", "How long they last", "viewer"),
    ("paper.index", "Paper", "viewer"),
    ("enter.index", "Enter", "hand"),
    ("enter.wanted", "Lanterns wanted", "viewer"),
    ("choosing.choosing", "Choose pieces", "viewer"),
    ("benches.benches", "Benches and hands", "viewer"),
    ("machine_checks.checks", "Checks of machines", "viewer"),
    ("tonight.history", "Changes", "viewer"),
    ("export.export_page", "Tables as CSV", "lead"),
    ("people.everybody", "People", "keeper"),
)


class Mark(NamedTuple):
    """A word, the shape beside it, and a tone for the style sheet: plain, glow, good, warn or bad."""

    word: str
    shape: str
    tone: str


JOB = {
    "wanted": Mark("wanted, no piece yet", "◌", "plain"),
    "chosen": Mark("piece chosen", "◇", "plain"),
    "prepared": Mark("prepared", "○", "glow"),
    "cutting": Mark("reported cutting", "◐", "glow"),
    "cut": Mark("cut", "●", "good"),
    "placed": Mark("in place", "★", "good"),
    "cancelled": Mark("given up", "✕", "plain"),
}
PIECE = {
    "whole": Mark("whole", "○", "plain"),
    "hollow": Mark("hollow", "◎", "glow"),
    "cut": Mark("cut", "●", "good"),
    "placed": Mark("in place", "★", "good"),
    "scrapped": Mark("scrapped", "✕", "plain"),
}
CUTTER = {
    "stored": Mark("in the store", "□", "plain"),
    "fitted": Mark("fitted", "■", "glow"),
    "dull": Mark("dull", "✕", "bad"),
    "broken": Mark("broken", "✕", "bad"),
    "retired": Mark("retired", "✕", "plain"),
}
PREPARATION = {
    "done": Mark("prepared", "○", "glow"),
    "refused": Mark("refused", "✕", "bad"),
    "failed": Mark("preparing broke off", "▲", "bad"),
}
PLAN = {
    "draft": Mark("draft, not in force", "◌", "warn"),
    "published": Mark("in force", "●", "good"),
    "replaced": Mark("replaced", "✕", "plain"),
}
WORK = {
    "waiting": Mark("waiting for the worker", "◌", "plain"),
    "running": Mark("going on", "◐", "glow"),
    "done": Mark("done", "●", "good"),
    "failed": Mark("broke off", "▲", "bad"),
    "cancelled": Mark("stopped on request", "✕", "plain"),
}
FINDING = {
    "note": Mark("note", "○", "plain"),
    "warn": Mark("mind", "▲", "warn"),
    "refuse": Mark("stops the job", "✕", "bad"),
}
OUTCOME = {
    "finished": Mark("finished", "●", "good"),
    "stopped": Mark("stopped, can go on", "◐", "warn"),
    "unknown": Mark("unknown – inspect", "?", "bad"),
    "scrapped": Mark("piece scrapped", "✕", "bad"),
}
MARKS = {
    "job": JOB,
    "piece": PIECE,
    "cutter": CUTTER,
    "preparation": PREPARATION,
    "plan": PLAN,
    "work": WORK,
    "finding": FINDING,
    "outcome": OUTCOME,
}

WORK_KINDS = {
    "prepare": "Preparing jobs",
    "prepare season": "Preparing the season",
    "preparing": "Preparing jobs",
    "plan": "Planning the season",
    "planning": "Planning the season",
    "draft plan": "Making a draft",
    "prepare job": "Preparing a job",
    "try on": "Timing a trial",
    "forecast": "Reckoning replacements",
    "choose pieces": "Choosing pieces",
    "slack": "Weighing slack",
    "search on": "Searching on",
}

TIERS = {  # name in the plan: what it says, its unit
    "undone": ("Lanterns not ended by their night", "points of importance"),
    "late": ("Ended after they were due", "minutes, times importance"),
    "stored_nights": ("Nights a cut piece waits in store", "nights, times how fast it spoils"),
    "changeovers": ("Changes of cutter and fixture, new cutters", "points"),
    "completion": ("Early ends", "minutes, times importance"),
    "moved": ("Steps moved against the plan before", "steps"),
    "finish": ("End of the last job", "minutes after the start"),
}


def mark(kind: str, state: str | None) -> Mark:
    """Return how a state is told; one that is not known is told by its own name.

    Parameters
    ----------
    kind : str
        Key of `MARKS` [-].
    state : str or None
        The state as stored [-].
    """
    return MARKS[kind].get(state or "", Mark(state or "not reported", "◌", "plain"))
