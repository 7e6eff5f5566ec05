"""What if the cut decides and all else follows it? Cuts planned alone, then the other steps placed around.

Machines are what is scarce. A job's deciding step alone makes a problem of one step a job, which is solved
much better; its plan says on which machine, in which open time and in which order each job is cut.
"""

from __future__ import annotations

from dataclasses import replace

from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import Taste, fixed_board, is_done, key_step, place_job
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

    def opened(resource: Resource) -> Resource:
        """Return a machine that opens later by what must be done on the same day before its first cut."""
        if resource.kind != "machine":
            return resource
        spans = resource.open
        if spans is not None and ahead:
            spans = tuple((min(a + ahead, b - 1), b) for a, b in spans)
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


def around_cuts(floor: Floor, cuts: Board) -> Board:
    """Return a board in which each job is cut about when and where a plan of the cuts alone has it.

    Parameters
    ----------
    floor : Floor
        The whole problem in numbers [-].
    cuts : Board
        A plan of `cuts_alone` [-].
    """
    board = fixed_board(floor)
    wanted = sorted((entry.start_min, j) for (j, _), entry in cuts.entries.items())
    left = []
    for start, j in wanted:
        s = key_step(floor, j)
        resource = floor.problem.resources[cuts.entries[j, 0].work.resource].name
        work = floor.option_on((j, s), resource)
        window = None if work is None else floor.window_of(work, start)
        placed = (
            work is not None
            and window is not None
            and place_job(board, j, Taste(early_end=True), only=(work, window))
        )
        if not placed:
            left.append(j)
    left += [j for j in range(len(floor.jobs)) if (j, 0) not in cuts.entries]
    for j in sorted(left, key=lambda j: (-floor.jobs[j].priority, floor.latest_end(j, 0), j)):
        if not is_done(board, j):
            place_job(board, j, Taste(early_end=True))
    return board
