"""Is a problem read as it is written, and is nonsense refused with its place, value and what was expected?"""

from __future__ import annotations

import json

import pytest

from planner.optimizer import ProblemError, read_plan, read_problem, solve, write_plan, write_problem


def example():
    """The problem of the public format's description, with a second machine."""
    return {
        "start": "2026-10-21T06:00:00+02:00",
        "tiers": ["undone", "late", "stored_nights", "changeovers", "finish"],
        "resources": [
            {
                "name": "Heron",
                "kind": "machine",
                "capacity": 1,
                "open": [[0, 660], [1440, 2100]],
                "attended": 0.33,
                "fixture": "L",
                "cutter": "6F",
            },
            {"name": "Otter", "open": [[0, 660]]},
            {"name": "hollowing", "kind": "bench", "capacity": 2, "open": [[0, 660]]},
        ],
        "people": [{"skill": "any", "open": [[0, 660]], "count": 4}],
        "cutters": [{"type": "6F", "life_left": [0.8, 1.0], "change_min": 4}],
        "fixture_change_min": 10,
        "jobs": [
            {
                "name": "Lime Walk 7",
                "priority": 2,
                "release_min": 120,
                "due_min": 5000,
                "deadline_min": 5100,
                "use_min": 5125,
                "perish": 1,
                "max_wait_min": [240],
                "steps": [
                    {"options": [{"resource": "hollowing", "run_min": 10, "people": 1}]},
                    {
                        "options": [
                            {
                                "resource": "Heron",
                                "load_min": 5,
                                "run_min": 21,
                                "unload_min": 6,
                                "fixture": "L",
                                "wear": {"6F": 0.012},
                            },
                            {"resource": "Otter", "run_min": 18, "fixture": "L", "wear": {"6F": 0.012}},
                        ]
                    },
                ],
            }
        ],
        "pins": [{"job": "Lime Walk 7", "step": 1, "resource": "Heron", "start_min": 300}],
        "frozen_until_min": 60,
        "published": None,
    }


def test_the_example_goes_through_json_and_back():
    """Read, written to JSON text, read again: the same problem."""
    problem = read_problem(example())
    assert read_problem(json.loads(json.dumps(write_problem(problem)))) == problem


def test_a_plan_goes_through_json_and_back():
    """A plan of the example keeps every field on its way through JSON, with the keys of the public format."""
    plan = solve(read_problem(example()), seconds=5, workers=1, repeatable=True)
    text = json.loads(json.dumps(write_plan(plan)))
    assert read_plan(text) == plan
    assert set(text) == {"rows", "undone", "tiers", "seed", "seconds", "versions", "why"}
    assert set(text["rows"][0]) == {"job", "step", "resource", "start_min", "end_min", "cutters"}
    assert set(text["tiers"]["late"]) == {"value", "bound", "status"}


def test_published_may_be_a_whole_plan():
    """`published` takes the rows alone, or the plan they stand in."""
    row = {"job": "Lime Walk 7", "step": 0, "resource": "hollowing", "start_min": 200, "end_min": 210}
    alone = read_problem(example() | {"published": [row]})
    whole = read_problem(example() | {"published": {"rows": [row], "undone": []}})
    assert alone == whole


def change(source, path, value):
    """Set a value deep inside: keys and places separated by points."""
    *way, last = path.split(".")
    for key in way:
        source = source[int(key)] if key.isdigit() else source[key]
    source[int(last) if last.isdigit() else last] = value


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("horizon", 5, "problem.horizon: 5, expected no such key"),
        ("resources.0.colour", "red", "resources[0].colour: 'red', expected no such key"),
        ("jobs.0.dead_line", 5, "jobs[0].dead_line: 5, expected no such key"),
        ("jobs.0.steps.1.options.0.ware", {}, "jobs[0].steps[1].options[0].ware"),
        ("people.0.number", 4, "people[0].number"),
        ("cutters.0.life", 1, "cutters[0].life: 1"),
        ("pins.0.start", 1, "pins[0].start: 1"),
        ("tiers", ["undone", "speed"], "tiers[1]: 'speed', expected one of undone"),
        ("tiers", ["undone", "undone"], "tiers[1]: 'undone', expected each tier once"),
        ("start", "tomorrow", "start: 'tomorrow', expected a time"),
        ("resources.0.capacity", 0, "resources[0].capacity: 0, expected a whole number, 1 or more"),
        ("resources.0.capacity", 2, "expected capacity 1 where a step needs a fixture or a cutter"),
        ("resources.0.open", [[0, 50], [40, 90]], "resources[0].open: [40, 90], expected no overlap"),
        ("resources.0.open.0", [50, 50], "resources[0].open[0]: [50, 50], expected an end after its start"),
        ("resources.0.kind", "boat", "resources[0].kind: 'boat', expected machine, bench or carrier"),
        ("resources.1.name", "Heron", "resources[1].name: 'Heron', expected a name that is not used twice"),
        ("resources.1.attended", -1, "resources[1].attended: -1, expected a number, 0 or more"),
        ("cutters.0.life_left", [1.2], "cutters[0].life_left[0]: 1.2, expected a number from 0 to 1"),
        ("cutters.0.life_left", [], "resources[0].cutter: '6F', expected no more cutters fitted"),
        ("jobs.0.steps", [], "jobs[0].steps: [], expected at least one step"),
        ("jobs.0.steps.0.options", [], "jobs[0].steps[0].options: [], expected at least one option"),
        ("jobs.0.steps.0.options.0.resource", "Wren", "options[0].resource: 'Wren', expected one of Heron"),
        ("jobs.0.steps.0.options.0.run_min", -5, "run_min: -5, expected a whole number, 0 or more"),
        ("jobs.0.steps.0.options.0.run_min", 0, "run_min: 0, expected load, run and unload of 1 minute"),
        ("jobs.0.steps.0.options.0.run_min", 2.5, "run_min: 2.5, expected a whole number"),
        ("jobs.0.steps.1.options.1.resource", "Heron", "resource: 'Heron', expected each resource once"),
        ("jobs.0.steps.1.options.0.wear", 0.1, "wear: 0.1, expected an object"),
        ("jobs.0.due_min", "noon", "jobs[0].due_min: 'noon', expected a whole number"),
        ("jobs.0.priority", True, "jobs[0].priority: True, expected a whole number, 0 or more"),
        ("jobs.0.max_wait_min", [1, 2], "jobs[0].max_wait_min: [1, 2], expected at most 1"),
        ("pins.0.job", "Lime Walk 8", "pins[0].job: 'Lime Walk 8', expected the name of a job"),
        ("pins.0.step", 2, "pins[0].step: 2, expected a step from 0 to 1"),
        ("pins.0.resource", "hollowing", "pins[0].resource: 'hollowing', expected one of Heron, Otter"),
        ("jobs", {}, "jobs: {}, expected a list"),
    ],
)
def test_nonsense_is_refused_with_its_place(path, value, said):
    """One clear line: where, which value, what was expected."""
    source = example()
    change(source, path, value)
    with pytest.raises(ProblemError) as refused:
        read_problem(source)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


def test_what_is_absent_does_not_limit():
    """Names, a run time and nothing else: a problem that can be solved."""
    source = {
        "resources": [{"name": "A"}],
        "jobs": [{"name": "one", "steps": [{"options": [{"resource": "A", "run_min": 5}]}]}],
    }
    plan = solve(read_problem(source), seconds=2, workers=1, repeatable=True)
    assert [(row.start_min, row.end_min) for row in plan.rows] == [(0, 5)]
