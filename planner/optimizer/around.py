"""What if the cut decides and all else follows it? Cuts planned alone, then the other steps placed around.

Machines are what is scarce. A job's deciding step alone makes a problem of one step a job, which is solved
much better; its plan says on which day and in which order jobs are cut. In that order they go through all
their steps, each as soon as it can, so that no bench stands idle before the cuts of a day. What finds no
place on its day for lack of benches or hands is cut sooner when the cuts are planned again.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace
from itertools import pairwise

from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import Taste, fixed_board, is_done, key_step, place_forward, place_job
from planner.optimizer.problem import Job, PlanProblem, Resource


def has_more_steps(floor: Floor) -> bool:
    """Return whether cuts can be planned alone: most jobs have more steps than one, nothing is fixed.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    if floor.is_chained or floor.held or floor.pins or floor.published or not any(floor.stateful):
        return False
    return sum(len(steps) > 1 for steps in floor.work) * 2 > len(floor.work)


def cuts_alone(floor: Floor) -> PlanProblem:
    """Return the problem of the deciding steps: each no sooner, and no later, than the others allow.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    problem = floor.problem
    key = [key_step(floor, j) for j in range(len(floor.jobs))]
    before = [sum(floor.shortest[j][:s]) for j, s in enumerate(key)]
    ahead = min((minutes for j, minutes in enumerate(before) if floor.limits[j]), default=0)
    machines = [resource.name for resource in problem.resources if resource.kind == "machine"]
    hands = _hands_before(floor, key)

    def opened(resource: Resource) -> Resource:
        """Return a machine that opens later by what must be done on the same day before its first cut.

        With few hands that is done for one machine after the other.
        """
        if resource.kind != "machine":
            return resource
        spans = resource.open
        if spans is not None and ahead:
            later = ahead * (1 + machines.index(resource.name) // hands)
            spans = tuple((min(a + later, b - 1), b) for a, b in spans)
        return replace(resource, open=spans, most_waiting=None)

    def alone(j: int, job: Job) -> Job:
        tail = sum(floor.shortest[j][key[j] + 1 :])
        return replace(
            job,
            steps=(job.steps[key[j]],),
            release_min=job.release_min + before[j],
            due_min=None if job.due_min is None else job.due_min - tail,
            deadline_min=None if job.deadline_min is None else job.deadline_min - tail,
            use_min=None if job.use_min is None else job.use_min - tail,
            max_wait_min=(),
            holds=(),
            within_min=(),
            waits_from=None,
        )

    return replace(
        problem,
        jobs=tuple(alone(j, job) for j, job in enumerate(floor.jobs)),
        resources=tuple(opened(resource) for resource in problem.resources),
        published=None,
    )


def _hands_before(floor: Floor, key: list[int]) -> int:
    """Return how many jobs can be made ready for their cut at once, by places and by people who can."""
    counts = []
    works = [w for j, s in enumerate(key) for options in floor.work[j][:s] for w in options]
    for work in works:
        counts.append(floor.problem.resources[work.resource].capacity)
        for pool in work.pools if floor.pools else ():
            most = max((need for _, _, need in work.parts), default=0)
            counts += [int(floor.pools[pool].free.max()) // most] if most else []
    return max(1, min(counts, default=1))


def around_cuts(floor: Floor, cuts: Board) -> Board:
    """Return a board in which each job is cut about when and where a plan of the cuts alone has it.

    Where benches and hands are no matter this keeps the few changes of that plan.

    Parameters
    ----------
    floor : Floor
        The whole problem in numbers [-].
    cuts : Board
        A plan of `cuts_alone` [-].
    """
    board = fixed_board(floor)
    for _, j in sorted((entry.start_min, j) for (j, _), entry in cuts.entries.items()):
        entry = cuts.entries[j, 0]
        work = floor.option_on((j, key_step(floor, j)), floor.problem.resources[entry.work.resource].name)
        window = None if work is None else floor.window_of(work, entry.start_min)
        if work is not None and window is not None:
            place_job(board, j, Taste(early_end=True), only=(work, window))
    return _with_the_rest(board)


def in_order_of_cuts(floor: Floor, cuts: Board) -> Board:
    """Return a board in which the jobs of a day are cut about in the order that a plan of the cuts alone has.

    Parameters
    ----------
    floor : Floor
        The whole problem in numbers [-].
    cuts : Board
        A plan of `cuts_alone` [-].
    """
    board = fixed_board(floor)
    wanted = []
    for (j, _), entry in cuts.entries.items():
        work = floor.option_on((j, key_step(floor, j)), floor.problem.resources[entry.work.resource].name)
        window = None if work is None else floor.window_of(work, entry.start_min)
        if work is not None and window is not None:
            wanted.append((floor.windows[work.resource][window][0], entry.start_min, j))
    for opening, _, j in sorted(wanted):
        place_forward(board, j, opening)
    return _with_the_rest(board)


def _with_the_rest(board: Board) -> Board:
    """Return the board with what has no place yet placed anywhere, as far as it fits."""
    floor = board.floor
    left = [j for j in range(len(floor.jobs)) if not is_done(board, j)]
    for j in sorted(left, key=lambda j: (-floor.jobs[j].priority, floor.latest_end(j, 0), j)):
        if not place_forward(board, j):
            place_job(board, j, Taste(early_end=True))
    return board


def cut_sooner(floor: Floor, cuts: Board, board: Board) -> PlanProblem:
    """Return the problem of the cuts with as many jobs due a day sooner as found no place on their day.

    Parameters
    ----------
    floor : Floor
        The whole problem in numbers [-].
    cuts : Board
        A plan of the cuts alone [-].
    board : Board
        What became of it [-].
    """
    alone = cuts.floor
    lost: Counter[int] = Counter()
    cut_by: dict[int, list[int]] = defaultdict(list)
    for (j, _), entry in cuts.entries.items():
        window = alone.window_of(entry.work, entry.start_min)
        if window is None:
            continue
        first, last = alone.windows[entry.work.resource][window]
        cut_by[last].append(j)
        cut = board.entries.get((j, key_step(floor, j)))
        lost[last] += cut is None or not first <= cut.start_min < last
    closing: dict[int, int] = {}
    machines = {work.resource for steps in alone.work for work in steps[0]}
    for before, last in pairwise(sorted({span[1] for r in machines for span in alone.windows[r]})):
        able = [j for j in cut_by[last] if alone.earliest_start(j, 0) + alone.shortest[j][0] <= before]
        able.sort(key=lambda j: (alone.jobs[j].perish, alone.jobs[j].release_min, j))
        closing |= dict.fromkeys(able[: lost[last]], before)
    if not closing:
        return alone.problem
    jobs = (
        replace(job, deadline_min=min(closing[j], job.deadline_min or closing[j])) if j in closing else job
        for j, job in enumerate(alone.jobs)
    )
    return replace(alone.problem, jobs=tuple(jobs))
