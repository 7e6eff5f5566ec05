"""Are the facts that clash the ones that were made to, and is each way out one?"""

from __future__ import annotations

import pytest

from planner.optimizer import ProblemError, read_problem, solve
from planner.optimizer.problem import Plan, Row
from planner.schedule.explain import explain


def posed(**changes):
    """Two machines, open once; lantern 7 can go to Heron alone and there is no room for it."""
    problem = {
        "tiers": ["undone", "late", "stored_nights"],
        "resources": [
            {"name": "Heron", "open": [[0, 100]]},
            {"name": "Wren", "open": [[0, 100]]},
        ],
        "jobs": [
            lantern("lantern 1", 60, ["Heron"], priority=3),
            lantern("lantern 7", 50, ["Heron"], priority=2),
        ],
    }
    return problem | changes


def lantern(name, run, machines, **more):
    return {
        "name": name,
        "deadline_min": 100,
        "steps": [{"options": [{"resource": m, "run_min": run} for m in machines]}],
        **more,
    }


def told(source, name="lantern 7"):
    problem = read_problem(source)
    plan = solve(problem, seconds=0.3, workers=1, repeatable=True)
    assert name in plan.undone or name in plan.why
    return explain(problem, plan, name)


def test_the_other_job_and_the_deadline_clash():
    """60 and 50 min do not fit into 100: the other job or the deadline would have to give way."""
    found = told(posed())
    assert found.facts == ("Heron does 1 other steps of 60 min", "it must be ready by minute 100")


def test_a_longer_day_is_a_way_out_when_the_deadline_allows():
    """With a deadline at 130, 15 min more of Heron are enough: 60 + 50 = 110 min."""
    jobs = [lantern("lantern 1", 60, ["Heron"], priority=3), lantern("lantern 7", 50, ["Heron"], priority=2)]
    found = told(posed(jobs=[job | {"deadline_min": 130} for job in jobs]))
    assert found.facts == ("Heron is open minute 0 to minute 100", "Heron does 1 other steps of 60 min")
    assert found.ways[0].words == "Heron open 15 min longer until minute 115"
    assert found.ways[0].tiers["undone"] == 0
    assert "way out: Heron open 15 min longer" in found.words


def test_a_pin_in_the_way():
    """Pinned where another job runs: the pin is the reason, and taking it away the way out."""
    source = posed(
        resources=[{"name": "Heron", "open": [[0, 200]]}],
        jobs=[lantern("lantern 1", 60, ["Heron"], priority=3), lantern("lantern 7", 40, ["Heron"])],
        pins=[
            {"job": "lantern 1", "step": 0, "resource": "Heron", "start_min": 0},
            {"job": "lantern 7", "step": 0, "resource": "Heron", "start_min": 30},
        ],
    )
    found = told(source)
    assert any("pinned to Heron at minute 30" in fact for fact in found.facts)
    assert found.ways[0].words == "take its pin away"


def test_worn_cutters_are_a_reason():
    """A cutter with a tenth of its life left: the life is the only fact, a new cutter the way out."""
    job = lantern("lantern 7", 50, ["Heron"])
    job["steps"][0]["options"][0]["wear"] = {"6F": 0.2}
    found = told(posed(jobs=[job], cutters=[{"type": "6F", "life_left": [0.1]}]))
    assert found.facts == ("the 6F cutters have so much life left: 0.1",)
    assert [way.words for way in found.ways] == ["one new 6F cutter more"]


def test_a_late_release():
    """Released at 80 for 50 min until 100: release and deadline clash, no other fact."""
    job = lantern("lantern 7", 50, ["Heron"], release_min=80)
    found = told(posed(jobs=[job]))
    assert found.facts == ("it is released minute 80", "it must be ready by minute 100")
    assert found.ways[0].words.startswith("have it ready for its first step by minute")


def test_too_few_people():
    """A load takes one person, and nobody is there: people are the fact, one more the way out."""
    job = lantern("lantern 7", 50, ["Heron"])
    job["steps"][0]["options"][0]["load_min"] = 5
    found = told(posed(jobs=[job], people=[{"open": [[0, 100]], "count": 0}]))
    assert found.facts == ("only 0 people are there at once",)
    assert found.ways[0].words == "one person more"


def test_a_more_important_job_may_take_a_place():
    """Where nothing else helps, a job of less priority can be left out, and the tiers say what that costs."""
    source = posed(
        jobs=[
            lantern("lantern 1", 60, ["Heron"], priority=1),
            lantern("lantern 7", 50, ["Heron"], priority=2),
        ]
    )
    problem = read_problem(source)
    plan = solve(problem, seconds=0.3, workers=1, repeatable=True)
    assert plan.undone == ("lantern 1",)  # the plan does so by itself
    with pytest.raises(ProblemError, match="done in time"):
        explain(problem, plan, "lantern 7")
    with pytest.raises(ProblemError, match="no such job"):
        explain(problem, plan, "lantern 9")


def test_every_fact_is_needed():
    """Dropping any one of the facts lets the lantern in: the set is minimal."""
    job = lantern("lantern 7", 50, ["Heron", "Wren"], release_min=20)
    others = [lantern("lantern 1", 60, ["Heron"], priority=3), lantern("lantern 2", 70, ["Wren"], priority=3)]
    found = told(posed(jobs=[*others, job]))
    facts = " ".join(found.facts)
    # both machines are full, so both of them are in the set, each with its jobs or its hours
    assert "Heron" in facts and "Wren" in facts
    without_heron = posed(jobs=[others[1], job])
    assert solve(read_problem(without_heron), seconds=0.3, workers=1, repeatable=True).undone == ()


def staged(**other):
    """A lantern that is hollowed at a bench and then cut; the bench takes 10 min, the cut 50."""
    hollow = {"resource": "bench", "run_min": 10, "people": 1, "skill": "hollow"}
    job = {
        "name": "lantern 7",
        "deadline_min": 100,
        "steps": [
            {"name": "hollow", "options": [hollow]},
            {"name": "cut", "options": [{"resource": "Heron", "run_min": 50}]},
        ],
    }
    source = {
        "resources": [
            {"name": "Heron", "open": [[0, 100]]},
            {"name": "bench", "kind": "bench", "open": [[0, 100]]},
            {"name": "plates", "kind": "carrier", "capacity": 1},
        ],
        "jobs": [job | other.pop("job", {})],
    }
    return source | other


def test_nobody_can_hollow():
    """Two people are there and neither can hollow: that is the fact, one more who can do all the way out."""
    found = told(staged(people=[{"skill": "mount", "count": 1}, {"skill": "finish", "count": 1}]))
    assert found.facts == ("only 0 people can hollow",)
    assert found.ways[0].words == "one person more"


def test_the_only_carrier_is_held():
    """Another lantern holds the plate all day: without that one fact there would be a place."""
    hold = [{"resource": "plates", "from_step": 0, "to_step": 1}]
    source = staged(job={"holds": hold})
    other = {
        "name": "lantern 1",
        "deadline_min": 100,
        "priority": 5,
        "holds": [{"resource": "plates", "from_step": 0, "to_step": 1}],
        "steps": [
            {"options": [{"resource": "bench", "run_min": 5}]},
            {"options": [{"resource": "table", "run_min": 30}]},
        ],
    }
    source["resources"].append({"name": "table", "kind": "bench", "open": [[70, 100]]})
    source["jobs"].insert(0, other)
    problem = read_problem(source)
    plan = Plan((Row("lantern 1", 0, "bench", 0, 5), Row("lantern 1", 1, "table", 70, 100)), ("lantern 7",))
    found = explain(problem, plan, "lantern 7")
    assert found.facts == ("there are 1 plates",)
    assert found.ways[0].words == "one more of the plates"
