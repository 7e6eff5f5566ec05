"""Is the plan the best there is, is the bound never above it, and is it never worse than the first one?"""

from __future__ import annotations

import itertools
import random

import pytest

from planner.optimizer import ProblemError, first_plan, read_problem, solve, tier_values, verify
from planner.optimizer.bound import lower_bounds
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import cost_of, greedy
from planner.optimizer.problem import Plan, Row

pytestmark = pytest.mark.solver

REGULAR = ["undone", "late", "changeovers", "completion", "finish"]


# --- an enumerator that shares nothing with the optimizer: plain dictionaries, minute by minute -------------


class Enumerator:
    """All orders, options and cutters of a small problem, every step as early as it fits after the others.

    The tiers tried with it never get better by waiting, so that one of these plans is a best one.
    """

    def __init__(self, source):
        self.source = source
        self.jobs = source["jobs"]
        self.resources = {resource["name"]: resource for resource in source["resources"]}
        self.lives = {
            f"{kind['type']}-{n}": life
            for kind in source.get("cutters", [])
            for n, life in enumerate(kind["life_left"], start=1)
        }
        self.minutes = {kind["type"]: kind["change_min"] for kind in source.get("cutters", [])}
        self.home = {}
        given = dict.fromkeys(self.minutes, 0)
        for resource in source["resources"]:
            if resource.get("cutter"):
                given[resource["cutter"]] += 1
                self.home[resource["name"]] = f"{resource['cutter']}-{given[resource['cutter']]}"
        self.best = None

    def run(self):
        machines = {
            name: (-1, resource.get("fixture"), self.home.get(name))
            for name, resource in self.resources.items()
        }
        owner = {cutter: name for name, cutter in self.home.items()}
        self._go([0] * len(self.jobs), [None] * len(self.jobs), machines, {}, owner, [], 0, 0)
        return self.best

    def _go(self, at, ends, machines, used, owner, busy, changes, finish):
        self._score(at, ends, changes, finish)
        for j, job in enumerate(self.jobs):
            if at[j] == len(job["steps"]):
                continue
            for option in job["steps"][at[j]]["options"]:
                for cutters in self._cutters(option, used, owner):
                    self._try(j, option, cutters, at, ends, machines, used, owner, busy, changes, finish)

    def _cutters(self, option, used, owner):
        choices = [()]
        for kind, share in option.get("wear", {}).items():
            able = [
                name
                for name, life in self.lives.items()
                if name.rsplit("-", 1)[0] == kind
                and owner.get(name, option["resource"]) == option["resource"]
                and used.get(name, 0) + share <= life + 1e-9
            ]
            choices = [(*before, name) for before in choices for name in able]
        return choices

    def _try(self, j, option, cutters, at, ends, machines, used, owner, busy, changes, finish):
        job = self.jobs[j]
        name = option["resource"]
        last, fixture, fitted = machines[name]
        minutes = 0
        if option.get("fixture") and option["fixture"] != fixture:
            fixture = option["fixture"]
            minutes += self.source.get("fixture_change_min", 0)
            changes += 3
        for cutter in cutters:
            if cutter != fitted:
                fitted = cutter
                minutes += self.minutes[cutter.rsplit("-", 1)[0]]
                changes += 1
            if cutter not in used and cutter not in self.home.values():
                changes += 2
        ready = job.get("release_min", 0) if at[j] == 0 else ends[j]
        start = self._start(option, ready, last, minutes, busy)
        if start is None:
            return
        end = start + option.get("load_min", 0) + option["run_min"] + option.get("unload_min", 0)
        if end > job.get("deadline_min", 10**6):
            return
        used, owner = dict(used), dict(owner)
        for cutter, share in zip(cutters, option.get("wear", {}).values(), strict=True):
            used[cutter] = used.get(cutter, 0) + share
            owner[cutter] = name
        self._go(
            [count + (i == j) for i, count in enumerate(at)],
            [end if i == j else before for i, before in enumerate(ends)],
            {**machines, name: (end, fixture, fitted)},
            used,
            owner,
            [*busy, (start, option)],
            changes,
            max(finish, end),
        )

    def _start(self, option, ready, last, minutes, busy):
        whole = option.get("load_min", 0) + option["run_min"] + option.get("unload_min", 0)
        for first, closing in self.resources[option["resource"]]["open"]:
            for start in range(max(ready, max(first, last) + minutes), closing - whole + 1):
                if self._people_suffice(start, option, busy):
                    return start
        return None

    def _people_suffice(self, start, option, busy):
        groups = self.source.get("people")
        if not groups:
            return True
        whole = option.get("load_min", 0) + option["run_min"] + option.get("unload_min", 0)
        for minute in range(start, start + whole):
            need = self._need(minute - start, option)
            need += sum(self._need(minute - other_start, other) for other_start, other in busy)
            there = sum(g["count"] for g in groups for a, b in g["open"] if a <= minute < b)
            if need > there + 1e-9:
                return False
        return True

    def _need(self, offset, option):
        load, run = option.get("load_min", 0), option["run_min"]
        if 0 <= offset < load or load + run <= offset < load + run + option.get("unload_min", 0):
            return 1.0
        if load <= offset < load + run:
            return option.get("people", self.resources[option["resource"]].get("attended", 0))
        return 0.0

    def _score(self, at, ends, changes, finish):
        if any(0 < at[j] < len(job["steps"]) for j, job in enumerate(self.jobs)):
            return
        done = [at[j] == len(job["steps"]) for j, job in enumerate(self.jobs)]
        pairs = [(job, ends[j]) for j, job in enumerate(self.jobs) if done[j]]
        cost = {
            "undone": sum(job["priority"] for j, job in enumerate(self.jobs) if not done[j]),
            "late": sum(job["priority"] * max(0, end - job.get("due_min", end)) for job, end in pairs),
            "changeovers": changes,
            "completion": sum(job["priority"] * end for job, end in pairs),
            "finish": finish,
        }
        score = tuple(cost[name] for name in self.source["tiers"])
        if self.best is None or score < self.best:
            self.best = score


def small_problem(seed):
    """Up to five jobs on two or three machines, with fixtures, cutters and often people."""
    rng = random.Random(seed)
    count = rng.choice([3, 3, 4, 4, 5])
    names = ["A", "B", "C"][: rng.choice([2, 2, 3]) if count < 5 else 2]
    closing = rng.choice([40, 60])
    resources = [
        {
            "name": name,
            "open": [[0, closing], [80, 80 + closing]],
            "attended": rng.choice([0, 0.33, 0.5]),
            "fixture": rng.choice(["L", "S", None]),
        }
        for name in names
    ]
    cutters = []
    if rng.random() < 0.7:
        cutters = [
            {"type": "6F", "life_left": [0.4, rng.choice([0.3, 1.0])], "change_min": rng.choice([2, 4])},
            {"type": "3F", "life_left": [0.5], "change_min": 3},
        ]
        resources[0]["cutter"] = "6F"
    jobs = []
    for j in range(count):
        steps = []
        for _ in range(2 if count == 3 and rng.random() < 0.4 else 1):
            eligible = rng.sample(names, rng.choice([1, 2]) if count < 5 else rng.choice([1, 1, 2]))
            fixture = rng.choice(["L", "S", None])
            kinds = rng.choice([["6F"], ["3F"], ["6F", "3F"], []]) if cutters else []
            steps.append(
                {
                    "options": [
                        {
                            "resource": name,
                            "load_min": rng.choice([0, 2]),
                            "run_min": rng.randint(4, 20),
                            "unload_min": rng.choice([0, 2]),
                            "fixture": fixture,
                            "wear": {kind: rng.choice([0.1, 0.2]) for kind in kinds},
                        }
                        for name in eligible
                    ]
                }
            )
        job = {"name": f"lantern {j}", "priority": rng.choice([1, 1, 2]), "steps": steps}
        job["release_min"] = rng.choice([0, 0, 10, 30])
        job["due_min"] = rng.randint(15, 120)
        if rng.random() < 0.5:
            job["deadline_min"] = rng.randint(30, 140)
        jobs.append(job)
    tiers = [["undone", "late", "changeovers", "finish"], ["undone", "changeovers", "completion"], REGULAR]
    source = {
        "tiers": rng.choice(tiers),
        "resources": resources,
        "fixture_change_min": rng.choice([0, 5]),
        "cutters": cutters,
        "jobs": jobs,
    }
    if rng.random() < 0.5:
        source["people"] = [{"open": [[0, 150]], "count": rng.choice([1, 2])}]
    return source


@pytest.mark.parametrize("seed", range(44))
def test_as_good_as_trying_everything(seed):
    """Every tier equals the best of all plans, is proven so, and the relaxation's bound is not above it."""
    source = small_problem(seed)
    expected = Enumerator(source).run()
    problem = read_problem(source)
    plan = solve(problem, seconds=20, workers=1, seed=seed, repeatable=True)
    assert verify(problem, plan) == []
    assert tuple(plan.tiers[name].value for name in problem.tiers) == expected
    assert {tier.status for tier in plan.tiers.values()} == {"proven best"}
    bounds = lower_bounds(problem, dict(zip(problem.tiers, expected, strict=True)), 5.0)
    for name, value in zip(problem.tiers, expected, strict=True):
        assert 0 <= bounds[name] <= value


def night_problem(seed):
    rng = random.Random(seed)
    names = ["A", "B"]
    return {
        "tiers": ["undone", "stored_nights"],
        "resources": [{"name": name, "open": [[0, 50], [60, 110]]} for name in names],
        "jobs": [
            {
                "name": f"lantern {j}",
                "priority": rng.choice([1, 2]),
                "release_min": rng.choice([0, 20]),
                "deadline_min": rng.randint(60, 110),
                "use_min": 1440 + rng.randint(30, 100),
                "perish": rng.choice([1, 2, 3]),
                "steps": [
                    {
                        "options": [
                            {"resource": name, "run_min": rng.randint(10, 30)}
                            for name in rng.sample(names, rng.choice([1, 2]))
                        ]
                    }
                ],
            }
            for j in range(5)
        ],
    }


def fewest_nights(source):
    """All orders from the back: every step as late as it fits, on each machine, or left undone."""
    opened = {resource["name"]: resource["open"] for resource in source["resources"]}
    best = None

    def go(rest, limit, undone, nights):
        nonlocal best
        for j in rest:
            job = source["jobs"][j]
            for option in job["steps"][0]["options"]:
                name = option["resource"]
                for first, last in reversed(opened[name]):
                    start = min(last, limit[name], job["deadline_min"]) - option["run_min"]
                    if start >= max(first, job["release_min"]):
                        end = start + option["run_min"]
                        stored = job["perish"] * max(0, (job["use_min"] - end) // 1440)
                        go(rest - {j}, {**limit, name: start}, undone, nights + stored)
                        break
        score = undone + sum(source["jobs"][j]["priority"] for j in rest), nights
        if best is None or score < best:
            best = score

    go(frozenset(range(len(source["jobs"]))), dict.fromkeys(opened, 10**6), 0, 0)
    return best


@pytest.mark.parametrize("seed", range(10))
def test_as_late_as_trying_everything(seed):
    """Undone weight and stored nights equal the best of all orders from the back."""
    source = night_problem(seed)
    problem = read_problem(source)
    plan = solve(problem, seconds=20, workers=1, seed=seed, repeatable=True)
    assert verify(problem, plan) == []
    expected = fewest_nights(source)
    assert (plan.tiers["undone"].value, plan.tiers["stored_nights"].value) == expected
    bounds = lower_bounds(problem, dict(zip(problem.tiers, expected, strict=True)), 5.0)
    assert bounds["undone"] <= expected[0] and bounds["stored_nights"] <= expected[1]


# --- a season's mix -----------------------------------------------------------------------------------------

MACHINES = [
    ("Wren", "L", "6F"),
    ("Heron", "L", "6F"),
    ("Badger", "M", "6B"),
    ("Otter", "L", "6F"),
    ("Stoat", "S", "3F"),
]
MIX = [
    (52, "L", ["6F"], ["Wren", "Heron", "Otter"], 9, 35),
    (8, "L", ["3F"], ["Wren", "Heron", "Otter"], 18, 24),
    (14, "M", ["6B", "3B"], ["Badger", "Otter"], 34, 42),
    (32, "S", ["3F"], ["Stoat", "Badger"], 4, 9),
    (8, "S", ["3F"], ["Stoat"], 18, 22),
    (6, "XL", ["6F"], ["Otter", "Heron"], 25, 40),
]


def season(seed=1, benches=False, days=5):
    """A mix like a season's opening: 120 lanterns, five machines, five shifts of 660 min."""
    rng = random.Random(seed)
    opened = [[1440 * day, 1440 * day + 660] for day in range(days)]
    resources = [
        {"name": n, "open": opened, "attended": 0.33, "fixture": fixture, "cutter": cutter}
        for n, fixture, cutter in MACHINES
    ]
    if benches:
        resources += [
            {"name": "hollowing", "kind": "bench", "capacity": 2, "open": opened},
            {"name": "finishing", "kind": "bench", "open": opened},
        ]
    kinds = [kind for kind in MIX for _ in range(kind[0])]
    rng.shuffle(kinds)
    opening = 1440 * (days - 1) + 640
    jobs = [_lantern(rng, j, kind, opening, benches) for j, kind in enumerate(kinds)]
    stock = {"6F": [0.62, 0.9, 0.8, 1, 1], "3F": [0.9, 0.8, 1, 1], "6B": [0.9, 1], "3B": [0.9, 1]}
    return {
        "start": "2026-10-20T06:00:00+02:00",
        "resources": resources,
        "people": [{"skill": "any", "open": opened, "count": 4}],
        "cutters": [{"type": t, "life_left": lives, "change_min": 4} for t, lives in stock.items()],
        "fixture_change_min": 10,
        "jobs": jobs,
    }


def _lantern(rng, j, kind, opening, benches):
    _, fixture, cutters, names, shortest, longest = kind
    run = rng.randint(shortest, longest)
    steps = [
        {
            "options": [
                {
                    "resource": name,
                    "load_min": 5,
                    "run_min": max(3, int(run * rng.uniform(0.85, 1.2))),
                    "unload_min": 6,
                    "fixture": fixture,
                    "wear": {cutter: round(run / 1500, 4) for cutter in cutters},
                }
                for name in names
            ]
        }
    ]
    job = {"name": f"lantern {j + 1}", "priority": rng.choice([1, 1, 2, 3]), "perish": rng.choice([1, 2])}
    job["release_min"] = rng.choice([0, 0, 120, 1440, 1620, 2880])
    job["due_min"] = opening - rng.choice([0, 0, 1440])
    job |= {"deadline_min": opening + 20, "use_min": opening + 45, "steps": steps}
    if benches and rng.random() < 0.5:
        hollowing = {"options": [{"resource": "hollowing", "run_min": 10, "people": 1}]}
        finishing = {"options": [{"resource": "finishing", "run_min": 3, "people": 1}]}
        job |= {"steps": [hollowing, *steps, finishing], "max_wait_min": [240, None]}
    return job


def _cost(problem, plan):
    return tuple(plan.tiers[name].value for name in problem.tiers)


@pytest.mark.parametrize("benches", [False, True])
def test_a_season_leaves_no_lantern_undone(benches):
    """120 lanterns: none undone, no breach, never worse than the first plan."""
    problem = read_problem(season(1, benches))
    first = cost_of(greedy(Floor(problem)))
    plan = solve(problem, seconds=5.0, workers=1)
    assert verify(problem, plan) == []
    assert plan.tiers["undone"].value == 0
    assert plan.tiers["undone"].status == "proven best"
    assert _cost(problem, plan) <= first


def test_an_end_asked_for_at_once_gives_the_first_plan():
    """`stop` from the start: a valid plan all the same, and the bounds stay at what is known without work."""
    problem = read_problem(season(2))
    notes = []
    plan = solve(problem, seconds=20, workers=1, stop=lambda: True, report=lambda *note: notes.append(note))
    assert verify(problem, plan) == []
    assert _cost(problem, plan) == cost_of(greedy(Floor(problem)))
    assert notes[-1][0] == notes[-1][1] and not any("breach" in note for _, _, note in notes)


def test_one_seed_gives_one_plan():
    """One worker and counted work: the same rows twice."""
    problem = read_problem(season(3, days=5) | {"jobs": season(3)["jobs"][:40]})
    plans = [solve(problem, seconds=1, workers=1, seed=5, repeatable=True) for _ in range(2)]
    assert plans[0].rows == plans[1].rows
    assert plans[0].tiers == plans[1].tiers


# --- planning again -----------------------------------------------------------------------------------------


def test_a_breakdown_moves_only_what_it_must():
    """After Heron stops at noon of the first day, frozen rows stay and few others move."""
    source = season(1)
    tiers = ["undone", "late", "moved", "stored_nights", "changeovers", "finish"]
    plan = solve(read_problem(source), seconds=2, workers=1, repeatable=True)
    rows = [
        {
            "job": row.job,
            "step": row.step,
            "resource": row.resource,
            "start_min": row.start_min,
            "end_min": row.end_min,
            "cutters": list(row.cutters),
        }
        for row in plan.rows
    ]
    for resource in source["resources"]:
        if resource["name"] == "Heron":
            resource["open"] = [[0, 330], *resource["open"][2:]]
    again = source | {"tiers": tiers, "published": rows, "frozen_until_min": 300}
    problem = read_problem(again)
    second = solve(problem, seconds=4, workers=1, repeatable=True)
    assert verify(problem, second) == []
    frozen = {
        row for row in plan.rows if row.start_min < 300 and (row.resource != "Heron" or row.end_min <= 330)
    }
    assert frozen <= set(second.rows)
    hit = sum(
        row.resource == "Heron" and row.end_min > 330 and row.start_min < 2880 for row in problem.published
    )
    assert second.tiers["moved"].value <= hit + 12
    assert second.tiers["undone"].value == 0


def test_nothing_moves_without_a_reason():
    """The published plan again, with `moved` first: nothing moves, and that is proven."""
    source = small_problem(6) | {"tiers": ["undone", "moved"]}
    plan = solve(read_problem(source), seconds=5, workers=1, repeatable=True)
    rows = [
        {"job": r.job, "step": r.step, "resource": r.resource, "start_min": r.start_min, "end_min": r.end_min}
        for r in plan.rows
    ]
    problem = read_problem(source | {"published": rows})
    again = solve(problem, seconds=5, workers=1, repeatable=True)
    assert verify(problem, again) == []
    assert (again.tiers["moved"].value, again.tiers["moved"].status) == (0, "proven best")


def test_a_pin_is_kept_and_a_pin_in_closed_time_is_named():
    """A pinned step starts where it is pinned; one that cannot leaves its job undone, and says so."""
    source = small_problem(6)
    source |= {"people": None, "cutters": [], "fixture_change_min": 0, "tiers": ["undone", "finish"]}
    source["jobs"] = [
        {"name": "one", "steps": [{"options": [{"resource": "A", "run_min": 10}]}]},
        {"name": "two", "steps": [{"options": [{"resource": "A", "run_min": 10}]}]},
    ]
    for resource in source["resources"]:
        resource.pop("cutter", None)
    good = {"job": "one", "step": 0, "resource": "A", "start_min": 7}
    bad = {"job": "two", "step": 0, "resource": "A", "start_min": 75}
    problem = read_problem(source | {"pins": [good, bad]})
    plan = solve(problem, seconds=5, workers=1, repeatable=True)
    assert verify(problem, plan) == []
    assert [(row.job, row.start_min) for row in plan.rows] == [("one", 7)]
    assert plan.undone == ("two",) and "pinned" in plan.why["two"]


def test_a_tier_that_is_not_named_does_not_empty_the_plan():
    """Only `finish` named: all work is done all the same, and only `finish` is shown."""
    source = small_problem(0) | {"tiers": ["finish"]}
    for job in source["jobs"]:
        job.pop("deadline_min", None)
    plan = solve(read_problem(source), seconds=5, workers=1, repeatable=True)
    assert plan.undone == () and list(plan.tiers) == ["finish"]


def chained(seed):
    """Twenty jobs of one or two steps on three machines, each third one after an earlier one."""
    rng = random.Random(seed)
    names = ["A", "B", "C"]
    jobs = []
    for j in range(20):
        steps = [
            {"options": [{"resource": n, "run_min": rng.randint(5, 20)} for n in rng.sample(names, 2)]}
            for _ in range(rng.choice([1, 1, 2]))
        ]
        job = {
            "name": f"job {j}",
            "priority": rng.randint(1, 3),
            "due_min": rng.randint(20, 150),
            "steps": steps,
        }
        if j and rng.random() < 0.4:
            job["after"] = [f"job {rng.randrange(j)}"]
        jobs.append(job)
    return {
        "tiers": ["undone", "late", "changeovers", "finish"],
        "resources": [{"name": n, "open": [[0, 70], [80, 150]]} for n in names],
        "jobs": jobs,
    }


@pytest.mark.parametrize("seed", range(6))
def test_jobs_follow_on_each_other(seed):
    """A job starts after those it follows on, whatever way the plan was made, and no bound is above it."""
    source = chained(seed)
    problem = read_problem(source)
    for plan in (first_plan(problem), solve(problem, seconds=0.4, workers=1, seed=seed, repeatable=True)):
        assert verify(problem, plan) == []
        ends = {row.job: row.end_min for row in sorted(plan.rows, key=lambda row: row.step)}
        starts = {row.job: row.start_min for row in plan.rows if row.step == 0}
        for job in source["jobs"]:
            for before in job.get("after", ()):
                assert job["name"] not in starts or starts[job["name"]] >= ends[before]


def test_a_wrong_sequence_is_seen_and_a_circle_refused():
    """The checker names a job that starts too early; a circle of jobs is no problem that can be posed."""
    steps = [{"options": [{"resource": "A", "run_min": 10}]}]
    source = {
        "resources": [{"name": "A"}],
        "jobs": [{"name": "one", "steps": steps}, {"name": "two", "steps": steps, "after": ["one"]}],
    }
    rows = (Row("two", 0, "A", 0, 10), Row("one", 0, "A", 10, 20))
    breaches = verify(read_problem(source), Plan(rows, ()))
    assert breaches == ["two, step 0 on A at 0: follows on one, which ends at 20"]
    source["jobs"][0]["after"] = ["two"]
    with pytest.raises(ProblemError, match="no circle"):
        read_problem(source)
    source["jobs"][0]["after"] = ["three"]
    with pytest.raises(ProblemError, match=r"jobs\[0\].after\[0\]: 'three'"):
        read_problem(source)


def test_an_empty_problem_has_an_empty_plan():
    """No jobs: no rows, nothing undone, every tier 0."""
    problem = read_problem({"resources": [], "jobs": []})
    plan = solve(problem, seconds=1, workers=1)
    assert plan.rows == () and all(tier.value == 0 for tier in plan.tiers.values())
    assert tier_values(problem, Plan((), ()))["finish"] == 0


def test_a_stopped_search_goes_on_from_its_plan():
    """Begun again from a stopped plan, nothing is worse; a plan of another problem is not taken over."""
    problem = read_problem(chained(0))
    asked = itertools.count(1)
    stopped = solve(problem, seconds=0.3, workers=1, repeatable=True, stop=lambda: next(asked) >= 150)
    first = _cost(problem, first_plan(problem))
    assert _cost(problem, stopped) < first
    again = solve(problem, seconds=1, workers=1, stop=lambda: True, begin=stopped)
    assert verify(problem, again) == []
    assert _cost(problem, again) == _cost(problem, stopped)
    strange = Plan(tuple(row for row in stopped.rows if row.start_min > 70), ())
    unhelped = solve(problem, seconds=1, workers=1, stop=lambda: True, begin=strange)
    assert _cost(problem, unhelped) == first


def test_the_work_ends_soon_after_it_is_asked_to():
    """`stop` turns true when it is asked for the 40th time: a valid plan, and it is hardly asked again."""
    problem = read_problem(season(4, True))
    asked = itertools.count(1)
    plan = solve(problem, seconds=600, workers=1, stop=lambda: next(asked) >= 40)
    assert next(asked) < 100
    assert verify(problem, plan) == []
