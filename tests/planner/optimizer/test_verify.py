"""Does the checker find every breach that is planted, and none in a good plan?"""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.optimizer import read_problem, tier_values, verify
from planner.optimizer.problem import Plan, Row, Tier


def problem(**other):
    """Two machines, a bench, one or two people, two kinds of cutters; changes take 10 and 4 minutes."""
    cut = {"load_min": 5, "run_min": 20, "unload_min": 5, "fixture": "L", "wear": {"6F": 0.3}}
    source = {
        "resources": [
            {
                "name": "Heron",
                "open": [[0, 200], [300, 500]],
                "attended": 0.5,
                "fixture": "L",
                "cutter": "6F",
            },
            {"name": "Otter", "open": [[0, 200], [300, 500]], "attended": 0.5, "fixture": "S"},
            {"name": "bench", "kind": "bench", "open": [[0, 500]]},
        ],
        "people": [{"open": [[0, 500]], "count": 2}],
        "cutters": [{"type": "6F", "life_left": [0.7, 1.0], "change_min": 4}],
        "fixture_change_min": 10,
        "jobs": [
            {
                "name": "one",
                "release_min": 10,
                "due_min": 60,
                "deadline_min": 400,
                "use_min": 1500,
                "priority": 2,
                "perish": 3,
                "max_wait_min": [50],
                "steps": [
                    {"options": [{"resource": "bench", "run_min": 10, "people": 1}]},
                    {"options": [{"resource": "Heron", **cut}, {"resource": "Otter", **cut}]},
                ],
            },
            {"name": "two", "steps": [{"options": [{"resource": "Heron", **cut}]}]},
            {"name": "three", "steps": [{"options": [{"resource": "Otter", **cut}]}]},
        ],
    }
    return read_problem(source | other)


GOOD = (
    Row("one", 0, "bench", 10, 20),
    Row("one", 1, "Heron", 40, 70, ("6F-1",)),
    Row("two", 0, "Heron", 70, 100, ("6F-1",)),
    Row("three", 0, "Otter", 110, 140, ("6F-2",)),
)


def with_row(number, **fields):
    """The good plan with one row changed."""
    rows = list(GOOD)
    rows[number] = replace(rows[number], **fields)
    return Plan(tuple(rows), ())


def test_a_good_plan_has_no_breach_and_these_tiers():
    """By hand: 2 x 10 late; floor((1500-70)/1440) = 0 nights; Otter: fixture, cutter, a new one."""
    good = Plan(GOOD, ())
    assert verify(problem(), good) == []
    assert tier_values(problem(), good) == {
        "undone": 0,
        "late": 20,
        "stored_nights": 0,
        "changeovers": 3 + 1 + 2,
        "completion": 2 * 70 + 100 + 140,
        "moved": 0,
        "finish": 140,
    }


def test_stored_nights_by_hand():
    """An end at 60 for a use at 60 + 2 x 1440 is two nights, times 3; a minute later it is one."""
    jobs = [
        {
            "name": "a",
            "use_min": 2940,
            "perish": 3,
            "steps": [{"options": [{"resource": "m", "run_min": 60}]}],
        }
    ]
    nights = read_problem({"resources": [{"name": "m"}], "jobs": jobs})
    assert tier_values(nights, Plan((Row("a", 0, "m", 0, 60),), ()))["stored_nights"] == 6
    assert tier_values(nights, Plan((Row("a", 0, "m", 1, 61),), ()))["stored_nights"] == 3


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (with_row(2, start_min=60, end_min=90), "overlap, Heron has 1 and is busy with one"),
        (with_row(3, start_min=180, end_min=210), "not inside one open time of Otter"),
        (with_row(3, start_min=220, end_min=250), "not inside one open time of Otter"),
        (with_row(3, start_min=10, end_min=40), "change time missing, 10 min for a change of 14"),
        (with_row(3, start_min=305, end_min=335), "change time missing, 5 min for a change of 14"),
        (with_row(1, start_min=75, end_min=105), "waits 55 min, longest wait 50"),
        (with_row(0, start_min=35, end_min=45), "order of steps, the one before it ends at 45"),
        (with_row(0, start_min=0, end_min=10), "starts before its release at 10"),
        (with_row(2, end_min=99), "takes 29 min, must take 30"),
        (with_row(2, resource="Otter"), "the step may not use Otter"),
        (with_row(2, cutters=()), "cutters none, must be 6F"),
        (with_row(2, cutters=("6F-3",)), "cutters 6F-3, must be 6F"),
        (with_row(2, cutters=("6F-2",)), "cutter 6F-2 serves Heron"),
        (with_row(2, job="four"), "the problem has no such step"),
        (with_row(2, job="one", step=1), "the step stands twice"),
        (Plan(GOOD[:3], ()), "three: not ended by its deadline None, but not named undone"),
        (Plan(GOOD, ("two",)), "two: named undone, but all its steps are in the plan"),
        (Plan(GOOD, ("four",)), "four: named undone, but the problem has no such job"),
        (Plan(GOOD[1:], ()), "the step before it is not in the plan"),
        (Plan(GOOD, (), {"late": Tier(19, 0, "not proven")}), "tier late: 19 said, 20 counted"),
        (Plan(GOOD, (), {"late": Tier(20, 21, "not proven")}), "tier late: at least 21 said, 20 counted"),
    ],
)
def test_a_planted_breach_is_named(plan, said):
    """Each plan breaks one rule; the checker names it in words."""
    assert any(said in breach for breach in verify(problem(), plan)), verify(problem(), plan)


def test_missing_people_are_named():
    """One person loads Otter at 45 while a run on Heron takes half of one: half a person is missing."""
    alone = problem(people=[{"open": [[0, 500]], "count": 1}])
    assert verify(alone, Plan(GOOD, ())) == []
    assert "people: 0.5 missing at 45" in verify(alone, with_row(3, start_min=45, end_min=75))


def test_a_cutter_never_passes_life_0():
    """Two times 0.3 fit into 0.7; into 0.5 they do not."""
    worn = [{"type": "6F", "life_left": [0.5, 1.0], "change_min": 4}]
    assert "cutter 6F-1 passes life 0, 0.1 over" in " ".join(verify(problem(cutters=worn), Plan(GOOD, ())))


def test_a_missed_deadline_counts_as_undone():
    """All rows there, but the last ends after the deadline: undone, and to be named so."""
    late = Plan((*GOOD[:1], Row("one", 1, "Heron", 390, 420, ("6F-1",)), *GOOD[2:]), ())
    free = problem()
    jobs = tuple(replace(job, max_wait_min=()) for job in free.jobs)
    assert any("not ended by its deadline 400" in b for b in verify(replace(free, jobs=jobs), late))
    assert tier_values(free, late)["undone"] == 2


def test_a_pin_that_moved_is_named():
    """A pinned step that starts elsewhere is a breach."""
    pins = [{"job": "two", "step": 0, "resource": "Heron", "start_min": 80}]
    assert any("pinned to Heron at 80" in breach for breach in verify(problem(pins=pins), Plan(GOOD, ())))


def published():
    return [
        {"job": r.job, "step": r.step, "resource": r.resource, "start_min": r.start_min, "end_min": r.end_min}
        for r in GOOD
    ]


def test_a_frozen_row_that_moved_is_named():
    """The bench step is frozen at 10; at 11 it is a breach, and so is anything new before 30."""
    frozen = problem(published=published(), frozen_until_min=30)
    assert verify(frozen, Plan(GOOD, ())) == []
    breaches = verify(frozen, with_row(0, start_min=11, end_min=21))
    assert any("frozen on bench at 10, but not there" in breach for breach in breaches)
    assert any("starts new inside the frozen time until 30" in breach for breach in breaches)


def test_moved_counts_other_places_and_more_than_half_an_hour():
    """30 minutes are no move, 31 are; a row that is gone has moved."""
    old = problem(published=published())
    assert tier_values(old, with_row(3, start_min=140, end_min=170))["moved"] == 0
    assert tier_values(old, with_row(3, start_min=141, end_min=171))["moved"] == 1
    assert tier_values(old, Plan(GOOD[:3], ("three",)))["moved"] == 1


# --- people by skill, carriers, pieces that wait, limits over several steps -------------------------------


def benches(**other):
    """Two lanterns through hollowing, mounting and cutting; one carrier, one place to wait, two skills."""
    steps = [
        {"name": "hollow", "options": [{"resource": "bench", "run_min": 10, "people": 1, "skill": "hollow"}]},
        {"name": "mount", "options": [{"resource": "table", "run_min": 5, "people": 1, "skill": "mount"}]},
        {"name": "cut", "options": [{"resource": "Heron", "run_min": 30}]},
    ]
    more = {
        "steps": steps,
        "holds": [{"resource": "plates", "from_step": 1, "to_step": 2}],
        "within_min": [{"from_step": 0, "to_step": 2, "most_min": 40}],
        "waits_from": 0,
    }
    source = {
        "resources": [
            {"name": "Heron", "most_waiting": 1},
            {"name": "bench", "kind": "bench", "capacity": 2},
            {"name": "table", "kind": "bench", "capacity": 2},
            {"name": "plates", "kind": "carrier", "capacity": 1},
        ],
        "people": [{"skill": ["hollow", "mount"], "count": 1}, {"skill": "mount", "count": 1}],
        "jobs": [{"name": "one", **more}, {"name": "two", **more}],
    }
    return read_problem(source | other)


STAGED = (
    Row("one", 0, "bench", 0, 10),
    Row("one", 1, "table", 10, 15),
    Row("one", 2, "Heron", 15, 45),
    Row("two", 0, "bench", 15, 25),
    Row("two", 1, "table", 45, 50),
    Row("two", 2, "Heron", 50, 80),
)


def staged(number, **fields):
    """The staged plan with one row changed."""
    rows = list(STAGED)
    rows[number] = replace(rows[number], **fields)
    return Plan(tuple(rows), ())


def test_a_staged_plan_has_no_breach():
    """Hollowed one after the other by the only one who can, the plate free again when the next is mounted."""
    assert verify(benches(), Plan(STAGED, ())) == []


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (staged(3, start_min=5, end_min=15), "people who can hollow: 1 missing at 5"),
        (staged(4, start_min=44, end_min=49), "plates: more than 1 held at 44: one, two"),
        (staged(3, start_min=10, end_min=20), None),
        (staged(3, start_min=9, end_min=19), "people who can hollow: 1 missing at 9"),
        (staged(5, start_min=70, end_min=100), "45 min after the end of hollow, longest 40"),
    ],
)
def test_a_breach_over_several_steps_is_named(plan, said):
    """Skill, carrier and limit are judged from the rows, to the minute."""
    breaches = verify(benches(), plan)
    assert breaches == [] if said is None else any(said in breach for breach in breaches), breaches


def test_too_many_hollowed_pieces_waiting_are_named():
    """With both hollowed before the first is cut, two wait from 20 on where one may."""
    wide = [{"skill": "any", "count": 9}]
    rows = (
        Row("one", 0, "bench", 0, 10),
        Row("one", 1, "table", 25, 30),
        Row("one", 2, "Heron", 30, 60),
        Row("two", 0, "bench", 10, 20),
        Row("two", 1, "table", 60, 65),
        Row("two", 2, "Heron", 65, 95),
    )
    loose = benches(people=wide)
    jobs = tuple(replace(job, within_min=()) for job in loose.jobs)
    breaches = verify(replace(loose, jobs=jobs), Plan(rows, ()))
    assert breaches == ["Heron: more than 1 waiting for it at 20: one, two"]


def test_people_of_several_skills_serve_whoever_cannot_be_served_otherwise():
    """A mounter and one who can both: hollowing and mounting at once is no breach."""
    rows = (
        Row("one", 0, "bench", 0, 10),
        Row("one", 1, "table", 15, 20),
        Row("one", 2, "Heron", 20, 50),
        Row("two", 0, "bench", 15, 25),
        Row("two", 1, "table", 50, 55),
        Row("two", 2, "Heron", 55, 85),
    )
    assert verify(benches(), Plan(rows, ())) == []
