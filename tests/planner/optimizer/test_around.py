"""Do the cuts go first as far as benches and hands allow, and sooner where they do not?"""

from __future__ import annotations

import numpy as np
import pytest

from planner.optimizer import read_problem, verify
from planner.optimizer.around import cut_sooner, cuts_alone, has_more_steps, in_order_of_cuts
from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import cost_of, greedy, is_done
from planner.optimizer.problem import Plan

PREPARED, CUT, FINISHED = 16, 35, 5


def one_hand(jobs, days=1, closing=232):
    """One person makes all pieces ready, one after the other, for three machines."""
    opened = [[1440 * day, 1440 * day + closing] for day in range(days)]
    machines = ["A", "B", "C"]
    cut = [{"resource": name, "run_min": CUT, "fixture": "L", "skill": "cut"} for name in machines]
    return {
        "resources": [
            *(
                {"name": n, "open": opened, "fixture": "L", "most_waiting": 3, "attended": 0}
                for n in machines
            ),
            {"name": "bench", "kind": "bench", "capacity": 2, "open": opened},
        ],
        "people": [
            {"skill": ["ready"], "open": opened, "count": 1},
            {"skill": ["cut", "finish"], "open": opened, "count": 3},
        ],
        "jobs": [
            {
                "name": f"lantern {j + 1}",
                "deadline_min": opened[-1][1],
                "use_min": opened[-1][1] + 30,
                "waits_from": 0,
                "within_min": [{"from_step": 0, "to_step": 1, "most_min": 120}],
                "steps": [
                    {"options": [{"resource": "bench", "run_min": PREPARED, "people": 1, "skill": "ready"}]},
                    {"options": cut},
                    {"options": [{"resource": "bench", "run_min": FINISHED, "people": 1, "skill": "finish"}]},
                ],
            }
            for j in range(jobs)
        ],
    }


def test_the_hand_before_the_cut_never_waits():
    """Twelve pieces take the one hand 192 min; the last is then cut and finished in 40: 232, none spare."""
    assert 12 * PREPARED + CUT + FINISHED == 232
    problem = read_problem(one_hand(12))
    floor = Floor(problem)
    assert has_more_steps(floor)
    board = in_order_of_cuts(floor, greedy(Floor(cuts_alone(floor))))
    assert all(is_done(board, j) for j in range(12))
    assert verify(problem, Plan(board.rows(), ())) == []


def test_machines_open_one_after_the_other_where_one_hand_serves_them():
    """Each piece takes the one hand 16 min, so that the third machine has none before 48."""
    problem = read_problem(one_hand(3))
    alone = cuts_alone(Floor(problem))
    assert [resource.open[0][0] for resource in alone.resources[:3]] == [16, 32, 48]


def test_what_finds_no_place_on_its_day_is_cut_a_day_sooner():
    """Sixteen want the last day, twelve fit: four are due a day sooner, and then all are done."""
    problem = read_problem(one_hand(16, days=2))
    floor = Floor(problem)
    cuts = greedy(Floor(cuts_alone(floor)))
    last = sum(entry.start_min >= 1440 for entry in cuts.entries.values())
    board = in_order_of_cuts(floor, cuts)
    sooner = cut_sooner(floor, cuts, board)
    lost = last - sum(board.entries[j, 1].start_min >= 1440 for j in range(16) if (j, 1) in board.entries)
    assert lost > 0
    assert sum(job.deadline_min == 232 for job in sooner.jobs) == lost
    again = in_order_of_cuts(floor, greedy(Floor(sooner)))
    assert cost_of(again)[0] == 0
    assert verify(problem, Plan(again.rows(), ())) == []


@pytest.mark.parametrize("seed", range(30))
def test_a_fit_for_even_work_is_the_one_that_trying_every_minute_finds(seed):
    """First and last start in a range, with holes by chance in the room and in the people."""
    rng = np.random.default_rng(seed)
    board = Board(Floor(read_problem(one_hand(1))))
    work = board.floor.work[0][0][0]
    assert work.is_even
    for pool in board.free:
        pool[:] = 100 * (rng.random(pool.size) < 0.93)
    room = board.room[work.resource]
    room[:] = rng.random(room.size) < 0.97
    low, high = sorted(int(n) for n in rng.integers(0, 210, 2))
    free = room >= 1
    for pool in work.pools:
        free = free & (board.free[pool] >= 100)
    fits = [n for n in range(low, high + 1) if free[n : n + work.whole_min].all()]
    assert board.first_fit(work, low, high) == (fits[0] if fits else None)
    assert board._last_fit(work, low, high) == (fits[-1] if fits else None)
