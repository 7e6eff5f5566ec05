"""Can the people who are there do the work that is asked for, whoever does what? For the checker alone."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from planner.optimizer.problem import PERSON, People, Plan, PlanProblem
from planner.optimizer.verify_rows import chosen, held_rows, place_of, resources_of


def presence(people: tuple[People, ...]) -> dict[int, list[tuple[int, int]]]:
    """Return by minute which groups grow or shrink, and by how much [1/100 person]."""
    there: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for number, group in enumerate(people):
        for first, last in group.open if group.open is not None else ((-(10**12), 10**12),):
            there[first].append((number, group.count * PERSON))
            there[last].append((number, -group.count * PERSON))
    return there


def unserved(
    people: tuple[People, ...], present: list[int], need: Counter[str | None]
) -> list[tuple[str | None, int]]:
    """Return which skills are not served, whoever does what: the rest of a greatest flow.

    Augmenting paths after Ford and Fulkerson 1956, Can. J. Math. 8:399-404.
    """
    left = list(present)
    given: Counter[tuple[int, str | None]] = Counter()
    missing = []
    for skill, asked in sorted(need.items(), key=lambda entry: entry[0] or ""):
        while asked > 0:
            path = _augmenting(people, left, given, skill)
            if path is None:
                missing.append((skill, asked))
                break
            group, moves = path
            amount = min([asked, left[group], *(given[giver, other] for giver, other, _ in moves)])
            taker = group
            for giver, other, _ in moves:
                given[giver, other] -= amount
                given[taker, other] += amount
                taker = giver
            given[taker, skill] += amount
            left[group] -= amount
            asked -= amount
    return missing


def _augmenting(
    people: tuple[People, ...], left: list[int], given: Counter[tuple[int, str | None]], skill: str | None
) -> tuple[int, list[tuple[int, str | None, int]]] | None:
    """Return a group with people left, and who must hand over which skill on the way; None for no way.

    The moves are listed from that group on: (who hands over, the skill handed over, to whom).
    """
    reached: dict[int, tuple[int, str | None] | None] = {}
    queue: list[int] = []
    for group in range(len(people)):
        if _can(people[group], skill):
            reached[group] = None
            queue.append(group)
    while queue:
        group = queue.pop(0)
        if left[group] > 0:
            moves = []
            at = group
            while (step := reached[at]) is not None:
                moves.append((step[0], step[1], at))
                at = step[0]
            return group, moves
        for (giver, other), amount in list(given.items()):
            if giver != group or amount <= 0:
                continue
            for taker in range(len(people)):
                if taker not in reached and _can(people[taker], other):
                    reached[taker] = (group, other)
                    queue.append(taker)
    return None


def _can(group: People, skill: str | None) -> bool:
    return skill is None or "any" in group.skills or skill in group.skills


def missing_people(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    """Yield the first minute at which people are missing for what is not frozen."""
    if problem.people is None:
        return
    there = presence(problem.people)
    needed, new = _needs(problem, plan)
    present = [0] * len(problem.people)
    need: Counter[str | None] = Counter()
    fresh = 0
    for minute in sorted({*there, *needed, *new}):
        for group, count in there.get(minute, ()):
            present[group] += count
        need.update(needed.get(minute, {}))
        fresh += new.get(minute, 0)
        # What already runs in the frozen time is a fact, even where a person has gone home since.
        if fresh <= 0:
            continue
        for skill, missing in unserved(problem.people, present, need):
            words = "" if skill is None else f" who can {skill}"
            yield f"people{words}: {missing / PERSON:g} missing at {minute}"
            return


def _needs(problem: PlanProblem, plan: Plan) -> tuple[dict[int, Counter[str | None]], Counter[int]]:
    """Return by minute how the need of each skill changes, and that of rows which are not frozen."""
    resources = resources_of(problem)
    held = {place_of(row) for row in held_rows(problem)}
    needed: dict[int, Counter[str | None]] = defaultdict(Counter)
    new: Counter[int] = Counter()
    for row, option in chosen(problem, plan):
        run = resources[row.resource].attended if option.people is None else option.people
        run_start, run_end = row.start_min + option.load_min, row.end_min - option.unload_min
        for first, last, need in (
            (row.start_min, run_start, PERSON),
            (run_start, run_end, run),
            (run_end, row.end_min, PERSON),
        ):
            if first < last and need:
                needed[first][option.skill] += need
                needed[last][option.skill] -= need
                if place_of(row) not in held:
                    new[first] += need
                    new[last] -= need
    return needed, new
