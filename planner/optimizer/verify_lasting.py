"""Does a plan keep to what lasts over several steps: carriers, pieces that wait, longest times between?"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from planner.optimizer.problem import Job, Plan, PlanProblem, called
from planner.optimizer.verify_rows import at, held_rows, place_of


def too_many_held(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    """Yield carriers of which more are held than there are."""
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {place_of(row) for row in held_rows(problem)}
    for resource in problem.resources:
        spans = []
        for job in problem.jobs:
            for hold in job.holds:
                there = [
                    rows[job.name, s]
                    for s in range(hold.from_step, hold.to_step + 1)
                    if (job.name, s) in rows
                ]
                if hold.resource == resource.name and there and there[0].step == hold.from_step:
                    is_new = not {place_of(row) for row in there} <= held
                    spans.append((there[0].start_min, max(row.end_min for row in there), is_new, job.name))
        yield from _crowded(spans, resource.capacity, f"{resource.name}: more than {resource.capacity} held")


def too_many_waiting(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    """Yield machines for which more pieces wait than may."""
    most = {r.name: r.most_waiting for r in problem.resources if r.most_waiting is not None}
    if not most:
        return
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {place_of(row) for row in held_rows(problem)}
    spans: dict[str, list[tuple[int, int, bool, str]]] = defaultdict(list)
    for job in problem.jobs:
        for s in range(1, len(job.steps)):
            row = rows.get((job.name, s))
            before = rows.get((job.name, _waits_after(job, s, set(most))))
            if row is None or before is None or row.resource not in most:
                continue
            is_new = not {place_of(row), place_of(before)} <= held
            spans[row.resource].append((before.end_min, row.start_min, is_new, job.name))
    for name, waiting in spans.items():
        yield from _crowded(waiting, most[name] or 0, f"{name}: more than {most[name]} waiting for it")


def _waits_after(job: Job, s: int, limited: set[str]) -> int:
    """Return the step with whose end the wait for a step begins."""
    begin = job.waits_from
    if begin is None or begin >= s:
        return s - 1
    between = job.steps[begin + 1 : s]
    return s - 1 if any(o.resource in limited for step in between for o in step.options) else begin


def _crowded(spans: list[tuple[int, int, bool, str]], most: int, words: str) -> Iterator[str]:
    """Yield the first minute at which more spans overlap than may; spans are (from, to, new, job)."""
    change: Counter[int] = Counter()
    fresh: Counter[int] = Counter()
    for first, last, is_new, _ in spans:
        if first < last:
            change.update({first: 1})
            change.update({last: -1})
            fresh.update({first: int(is_new)})
            fresh.update({last: -int(is_new)})
    count = new = 0
    for minute in sorted(change):
        count += change[minute]
        new += fresh[minute]
        if count > most and new > 0:
            names = ", ".join(name for first, last, _, name in spans if first <= minute < last)
            yield f"{words} at {minute}: {names}"
            return


def too_long_between(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    """Yield steps that start too long after the end of an earlier one."""
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {place_of(row) for row in held_rows(problem)}
    for job in problem.jobs:
        for limit in job.within_min:
            before, after = rows.get((job.name, limit.from_step)), rows.get((job.name, limit.to_step))
            if before is None or after is None or {place_of(before), place_of(after)} <= held:
                continue
            waited = after.start_min - before.end_min
            if waited > limit.most_min:
                yield (
                    f"{at(after)}: {waited} min after the end of {called(job, limit.from_step)}, "
                    f"longest {limit.most_min}"
                )
