"""How good are the fleet's plans, and how fast? Against two dispatch rules and one plain model, in one run.

Invented problems of a season's mix: lanterns with one deciding step on unlike machines, fixtures and cutters
by sequence, people, half-shift deliveries; about 74 % of the open minutes are used with set-ups. The gap is
between stored nights and the bound that separate code proves.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from planner.optimizer import read_problem, solve, tier_values, verify
from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import place_forward
from planner.optimizer.problem import Plan, PlanProblem
from planner.optimizer.solve import first_plan
from planner.schedule.life import LifeModel
from planner.schedule.moved import moved_steps
from planner.schedule.ready import Spread, chance_ready
from planner.schedule.replacements import Place, draw_replacements
from planner.schedule.slack import slack_curve

KINDS = (
    # share, fixture, cutters in order, machines (by their type), shortest and longest run [min]
    (0.44, "L", ("6F",), ("turntable", "arc", "gantry"), 20, 60),
    (0.08, "L", ("4F", "3F"), ("turntable", "arc", "gantry"), 30, 50),
    (0.13, "M", ("6B", "3B"), ("trunnion", "gantry"), 50, 80),
    (0.22, "S", ("3F",), ("lathe", "trunnion"), 12, 40),
    (0.08, "S", ("3F",), ("lathe",), 25, 45),
    (0.05, "W", ("6F",), ("gantry", "arc"), 40, 70),
)
FLEET = ("gantry", "arc", "trunnion", "lathe", "turntable", "turntable")
FITTED = {
    "turntable": ("L", "6F"),
    "trunnion": ("M", "6B"),
    "lathe": ("S", "3F"),
    "arc": ("L", "6F"),
    "gantry": ("L", "6F"),
}
LOAD = 0.74
SIZES = {
    # jobs, machines, days of carving, seconds for a plan
    "24/3": (24, 3, 2, 3.0),
    "60/4": (60, 4, 3, 10.0),
    "150/6": (150, 6, 4, 30.0),
    "400/10": (400, 10, 5, 60.0),
    "1000/20": (1000, 20, 6, 60.0),
}
BARS = {"60/4": 0.12, "150/6": 0.13, "400/10": 0.15, "1000/20": 0.18}
STRETCH_S = {"60/4": 30.0, "150/6": 60.0, "1000/20": 120.0}
ONE_SHOT_JOBS = 150
"""Above this the plain model has more arcs than memory and time allow to build."""
FIRST_THREE = ("undone", "late", "stored_nights")


def pose(jobs: int, machines: int, days: int, seed: int) -> dict[str, Any]:
    """Return an invented problem in the public form."""
    rng = random.Random(seed)
    types = [FLEET[m % len(FLEET)] for m in range(machines)]
    names = [f"{kind} {m + 1}" for m, kind in enumerate(types)]
    speed = {name: rng.uniform(0.85, 1.2) for name in names}
    chosen = [_kind(rng, types) for _ in range(jobs)]
    shift = _shift_min(chosen, machines, days)
    opened = [[1440 * day, 1440 * day + shift] for day in range(days)]
    opening = 1440 * (days - 1) + shift
    lanterns = [
        _lantern(rng, j, kind, names, types, speed, opening, shift, days) for j, kind in enumerate(chosen)
    ]
    return {
        "resources": [
            {
                "name": name,
                "open": opened,
                "attended": 0.33,
                "fixture": FITTED[kind][0],
                "cutter": FITTED[kind][1],
            }
            for name, kind in zip(names, types, strict=True)
        ],
        "people": [{"open": opened, "count": max(2, round(0.75 * machines))}],
        "cutters": [
            {"type": kind, "life_left": _lives(rng, kind, types, jobs), "change_min": 4}
            for kind in ("6F", "4F", "3F", "6B", "3B")
        ],
        "fixture_change_min": 10,
        "jobs": lanterns,
    }


def with_benches(source: dict[str, Any]) -> dict[str, Any]:
    """Return a problem with what is done at benches around each cut, with people by skill and carriers."""
    machines = len(source["resources"])
    opened = source["people"][0]["open"]
    whole = 10 + 4 + 2 + 3 + 5 + 2 * 2
    hands = max(2, -(-len(source["jobs"]) * whole * 4 // (3 * sum(b - a for a, b in opened))))
    for machine in source["resources"]:
        machine["most_waiting"] = 3
    places = {"hollowing": hands, "thinning": hands, "finishing": hands}
    source["resources"] += [
        {"name": name, "kind": "bench", "capacity": count, "open": opened} for name, count in places.items()
    ]
    source["resources"].append({"name": "carrier plates", "kind": "carrier", "capacity": 5 * machines})
    cutting = source["people"][0]["count"]
    source["people"] = [
        {"skill": ["machine", "mount", "lit check"], "open": opened, "count": cutting},
        {"skill": ["hollow", "thin", "gauge"], "open": opened, "count": hands - hands // 2},
        {"skill": ["mount", "finish", "lit check"], "open": opened, "count": max(1, hands // 2)},
    ]
    for job in source["jobs"]:
        cut = [option | {"skill": "machine"} for option in job["steps"][0]["options"]]
        job["steps"] = [
            _at("hollow", "hollowing", 10),
            _at("thin", "thinning", 4),
            _at("gauge", "thinning", 2),
            _at("mount", "finishing", 3),
            {"name": "probe and cut", "options": cut},
            _at("finish", "finishing", 5),
            _at("lit check", "finishing", 2, people=2),
        ]
        job |= {
            "waits_from": 0,
            "within_min": [{"from_step": 0, "to_step": 4, "most_min": 240}],
            "holds": [{"resource": "carrier plates", "from_step": 3, "to_step": 6}],
        }
    return source


def _at(step: str, bench: str, minutes: int, people: int = 1) -> dict[str, Any]:
    return {
        "name": step,
        "options": [{"resource": bench, "run_min": minutes, "people": people, "skill": step}],
    }


def _kind(rng: random.Random, types: list[str]) -> Any:
    able = [kind for kind in KINDS if set(kind[3]) & set(types)]
    return rng.choices(able, [kind[0] for kind in able])[0]


def _shift_min(chosen: list[Any], machines: int, days: int) -> int:
    """Return the shift that the mean work and set-ups fill to the wanted load [min]."""
    work = sum((low + high) / 2 + 11 for *_, low, high in chosen) * 1.15
    return 10 * round(work / (LOAD * machines * days) / 10)


def _lives(rng: random.Random, kind: str, types: list[str], jobs: int) -> list[float]:
    fitted = sum(FITTED[name][1] == kind for name in types)
    return [round(rng.uniform(0.5, 1.0), 2) for _ in range(fitted + len(types) + jobs // 40)]


def _lantern(
    rng: random.Random,
    j: int,
    kind: Any,
    names: list[str],
    types: list[str],
    speed: dict[str, float],
    opening: int,
    shift: int,
    days: int,
) -> dict[str, Any]:
    _, fixture, cutters, able, shortest, longest = kind
    run = rng.randint(shortest, longest)
    options = [
        {
            "resource": name,
            "load_min": 5,
            "run_min": max(3, round(run * speed[name])),
            "unload_min": 6,
            "fixture": fixture,
            "wear": {cutter: round(run / 1500, 4) for cutter in cutters},
        }
        for name, type_of in zip(names, types, strict=True)
        if type_of in able
    ]
    delivered = rng.choice([0, 0, 0, 1, 1, 2]) if days > 3 else rng.choice([0, 0, 1])
    release = 1440 * delivered + rng.choice([0, 0, shift // 2])
    due = opening if rng.random() < 0.8 or release >= opening - 1440 - shift // 2 else opening - 1440
    return {
        "name": f"lantern {j + 1}",
        "priority": rng.choice([1, 1, 2, 3]),
        "perish": rng.choice([1, 1, 2]),
        "release_min": release,
        "due_min": due,
        "deadline_min": opening,
        "use_min": opening + 45,
        "steps": [{"options": options}],
    }


# --- references ---------------------------------------------------------------------------------------------


def earliest_due(floor: Floor) -> Board:
    """Dispatch by due time: each job on the machine where it ends first."""
    order = sorted(
        range(len(floor.jobs)), key=lambda j: (floor.jobs[j].due_min, floor.jobs[j].release_min, j)
    )
    return _dispatch(
        floor, order, lambda board, spots: min(spots, key=lambda s: s.start_min + s.work.whole_min)
    )


def least_loaded(floor: Floor) -> Board:
    """Dispatch as it comes in: each job on the machine with the least work so far."""
    order = sorted(range(len(floor.jobs)), key=lambda j: (floor.jobs[j].release_min, j))

    def load(board: Board, r: int) -> int:
        return sum(entry.work.whole_min for entry in board.lines[r])

    return _dispatch(
        floor,
        order,
        lambda board, spots: min(spots, key=lambda s: (load(board, s.work.resource), s.start_min)),
    )


def _dispatch(floor: Floor, order: list[int], choose: Callable[[Board, list[Any]], Any]) -> Board:
    board = Board(floor)
    for j in order:
        low, high = floor.earliest_start(j, 0), floor.latest_end(j, 0)
        firsts = (next(board.spots(work, low, high, late=False), None) for work in floor.work[j][0])
        spots = [spot for spot in firsts if spot is not None]
        if spots:
            board.put(choose(board, spots))
    return board


def one_shot(floor: Floor, first: Board, seconds: float) -> Board | None:
    """The plain way: one model of everything, one weighted sum of the tiers, one call."""
    from planner.optimizer.model import Effort, Model

    model = Model(floor, first)
    weights = {"undone": 100_000, "late": 10, "stored_nights": 100, "changeovers": 1}
    model.m.minimize(sum(weight * model.totals[name] for name, weight in weights.items()))
    solver = model.solver(Effort(seconds, 2, 0, False))
    status = solver.solve(model.m)
    return model.board_of(solver) if status in (model.cp.OPTIMAL, model.cp.FEASIBLE) else None


def values_of(problem: PlanProblem, board: Board) -> dict[str, int]:
    """Return the tiers of a board, counted by the checker."""
    return tier_values(problem, Plan(board.rows(), ()))


# --- the table ----------------------------------------------------------------------------------------------


def plans(sizes: list[str], instances: int, seeds: int, seconds: dict[str, float], kept: Kept) -> None:
    """Print a row for each size: medians over instances and seeds; what is kept is not measured again."""
    print(
        "jobs/machines first s, undone  undone  late  nights  at least    gap    bar      EDD u/l/n     "
        "loaded u/l/n one-shot u/l/n"
    )
    for size in sizes:
        rows = []
        for instance in range(instances):
            beside = kept.row(
                f"{size} rules {instance} {seconds[size]:g}", partial(_beside, size, instance, seconds[size])
            )
            for seed in range(seeds):
                name = f"{size} plan {instance} {seed} {seconds[size]:g}"
                rows.append(beside | kept.row(name, partial(_planned, size, instance, seed, seconds[size])))
        _print_row(size, rows)


class Kept:
    """Rows measured so far, one a line in a file, so that a long run can be stopped and gone on with."""

    def __init__(self, file: str | None) -> None:
        self.path = None if file is None else Path(file)
        self.rows: dict[str, Any] = {}
        if self.path is not None and self.path.exists():
            for line in self.path.read_text().splitlines():
                self.rows |= json.loads(line)

    def row(self, name: str, measure: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Return a row as it was kept, or measure and keep it."""
        if name not in self.rows:
            self.rows[name] = measure()
            if self.path is not None:
                with self.path.open("a") as file:
                    file.write(json.dumps({name: self.rows[name]}) + "\n")
        known: dict[str, Any] = self.rows[name]
        return known


def _posed(size: str, instance: int) -> PlanProblem:
    jobs, machines, days, _ = SIZES[size]
    return read_problem(pose(jobs, machines, days, 1000 * jobs + instance))


def _beside(size: str, instance: int, seconds: float) -> dict[str, Any]:
    """Return the first plan and the references of one instance: two rules of dispatch, one plain model."""
    problem = _posed(size, instance)
    begin = time.perf_counter()
    first = first_plan(problem)
    first_s = time.perf_counter() - begin
    floor = Floor(problem)
    row = {
        "first_s": first_s,
        "first_undone": first.tiers["undone"].value,
        "earliest_due": _three(values_of(problem, earliest_due(floor))),
        "least_loaded": _three(values_of(problem, least_loaded(floor))),
        "one_shot": None,
    }
    if len(problem.jobs) <= ONE_SHOT_JOBS:
        board = one_shot(floor, Board(floor), seconds)
        row["one_shot"] = None if board is None else _three(values_of(problem, board))
    return row


def _planned(size: str, instance: int, seed: int, seconds: float) -> dict[str, Any]:
    return _solved(_posed(size, instance), seed, seconds)


def _solved(problem: PlanProblem, seed: int, seconds: float) -> dict[str, Any]:
    """Return what a plan costs, what is proven, and the time it took on the clock and of a processor."""
    begin = time.process_time()
    plan = solve(problem, seconds=seconds, workers=2, seed=seed)
    processor_s = time.process_time() - begin
    breaches = verify(problem, plan)
    assert not breaches, breaches
    values = {name: plan.tiers[name].value for name in FIRST_THREE}
    return {
        "values": [values[name] for name in FIRST_THREE],
        "bounds": [plan.tiers[name].bound for name in FIRST_THREE],
        "proven": all(plan.tiers[name].status == "proven best" for name in FIRST_THREE),
        "seconds": plan.seconds,
        "processor_s": round(processor_s, 2),
    }


def _three(values: dict[str, int]) -> list[int]:
    return [values[name] for name in FIRST_THREE]


def _print_row(size: str, rows: list[dict[str, Any]]) -> None:
    def mid(of: Callable[[dict[str, Any]], float]) -> float:
        return median(of(row) for row in rows)

    def words(key: str) -> str:
        known = [row[key] for row in rows if row[key] is not None]
        return "/".join(f"{median(three[t] for three in known):g}" for t in range(3)) if known else "-"

    undone, late, nights = (mid(lambda row, t=t: row["values"][t]) for t in range(3))  # type: ignore[misc]
    gap = mid(lambda row: row["values"][2] / max(1, row["bounds"][2]) - 1)
    bar = format(BARS[size], ".0%") if size in BARS else "proven"
    print(
        f"{size:<13} {mid(lambda r: r['first_s']):7.2f} {mid(lambda r: r['first_undone']):7g} {undone:7g} "
        f"{late:5g} {nights:7g} {mid(lambda r: r['bounds'][2]):9g} {gap:6.1%} {bar:>6}  "
        f"{words('earliest_due'):>14} {words('least_loaded'):>16} {words('one_shot'):>14}   "
        f"in {mid(lambda r: r['seconds']):.1f} s, {mid(lambda r: r['processor_s']):.1f} s of a processor, "
        f"{len(rows)} plans, {sum(r['proven'] for r in rows)} "
        "proven; "
        f"worst: {max(r['values'][0] for r in rows)} undone, {max(r['values'][1] for r in rows)} late, gap "
        f"{max(r['values'][2] / max(1, r['bounds'][2]) - 1 for r in rows):.1%}; "
        f"never worse than a rule: {all(_not_worse(row) for row in rows)}",
        flush=True,
    )


def _not_worse(row: dict[str, Any]) -> bool:
    """Return whether undone and late are no more than those of either rule of dispatch."""
    rules = (row["earliest_due"], row["least_loaded"])
    return all(row["values"][:2] <= rule[:2] for rule in rules)


def breakdown(seconds: float, instances: int) -> None:
    """Print how planning again goes after a machine has stopped for 26 h on the second day, 150 jobs."""
    for instance in range(instances):
        jobs, machines, days, _ = SIZES["150/6"]
        source = pose(jobs, machines, days, 1000 * jobs + instance)
        published = solve(read_problem(source), seconds=seconds, workers=2).rows
        at, end = 1440 + 120, 1440 + 120 + 26 * 60
        broken = source["resources"][1]
        hit = {
            r.job for r in published if r.resource == broken["name"] and r.end_min > at and r.start_min < end
        }
        broken["open"] = [
            span
            for a, b in broken["open"]
            for span in ([a, min(b, at)], [max(a, end), b])
            if span[0] < span[1]
        ]
        source |= {
            "published": [
                {
                    "job": r.job,
                    "step": r.step,
                    "resource": r.resource,
                    "start_min": r.start_min,
                    "end_min": r.end_min,
                    "cutters": list(r.cutters),
                }
                for r in published
            ],
            "frozen_until_min": at + 60,
            "tiers": ["undone", "late", "moved", "stored_nights", "changeovers", "finish"],
        }
        problem = read_problem(source)
        began = time.perf_counter()
        safe = first_plan(problem)
        safe_s = time.perf_counter() - began
        better = solve(problem, seconds=5.0, workers=2, most_moved=0.15)
        for name, plan in ((f"safe in {safe_s:.2f} s", safe), ("after 5 s", better)):
            assert not verify(problem, plan)
            print(
                f"breakdown, 150/6, {len(hit)} jobs hit: {name}: {_moves(problem, plan, hit, at + 60)}",
                flush=True,
            )


def _moves(problem: PlanProblem, plan: Plan, hit: set[str], frozen_min: int) -> str:
    moved = moved_steps(problem, plan)
    others = {step.job for step in moved} - hit
    frozen = {row.job for row in problem.published or () if row.start_min < frozen_min}
    rest = len(problem.jobs) - len(hit)
    return (
        f"undone {plan.tiers['undone'].value}, {len(others)} of {rest} other jobs moved "
        f"({len(others) / rest:.0%}, bar 15 %), {len(others & frozen)} inside the freeze (bar 0)"
    )


def benches(sizes: list[str], instances: int, seeds: int, seconds: dict[str, float], kept: Kept) -> None:
    """Print what becomes of plans with bench steps, seven steps a lantern, beside two rules of dispatch."""
    for size in sizes:
        for instance in range(instances):
            for seed in range(seeds):
                name = f"{size} benches {instance} {seed} {seconds[size]:g}"
                row = kept.row(name, partial(_with_benches, size, instance, seed, seconds[size]))
                print(
                    f"with bench steps, {size}, instance {instance}, seed {seed}: undone/late/nights "
                    f"{row['values']}, at least {row['bounds']}; by due time {row['earliest_due']}, as it "
                    f"comes in {row['as_it_comes']}; {row['seconds']:.1f} s for {seconds[size]:g} asked, "
                    f"{row['processor_s']:.1f} s of a processor; never worse than a rule: "
                    f"{all(row['values'][:2] <= row[rule][:2] for rule in ('earliest_due', 'as_it_comes'))}",
                    flush=True,
                )


def _with_benches(size: str, instance: int, seed: int, seconds: float) -> dict[str, Any]:
    jobs, machines, days, _ = SIZES[size]
    problem = read_problem(with_benches(pose(jobs, machines, days, 1000 * jobs + instance)))
    floor = Floor(problem)
    due = {j: (job.due_min or 0, job.release_min, j) for j, job in enumerate(floor.jobs)}
    row = _solved(problem, seed, seconds)
    for rule, order in (("earliest_due", due.__getitem__), ("as_it_comes", lambda j: due[j][1:])):
        board = Board(floor)
        for j in sorted(due, key=order):
            place_forward(board, j)
        row[rule] = _three(values_of(problem, board))
    return row


def slack() -> None:
    """Print how long the curve of slack against stored nights takes, 150 jobs."""
    jobs, machines, days, _ = SIZES["150/6"]
    problem = read_problem(pose(jobs, machines, days, 1000 * jobs))
    plan = solve(problem, seconds=10.0, workers=2)
    began = time.perf_counter()
    curve = slack_curve(problem, plan, Spread(), seconds=1.8)
    took = time.perf_counter() - began
    points = ", ".join(
        f"{p.share:.0%}: {p.nights} nights, {p.undone} undone, {p.late} late, {p.chance:.0%}" for p in curve
    )
    print(f"slack curve, 150/6: {len(curve)} points in {took:.2f} s (bar 5 in 2 s): {points}", flush=True)


def forecasts() -> None:
    """Print how long the two forecasts of 10,000 by 150 take, best of three."""
    rng = np.random.default_rng(0)
    places = [Place(str(n), multiplier=0.7 if n % 8 == 0 else 1.0) for n in range(150)]
    warmth = [11.0, 12.0, 10.0, 9.0, 13.0, 17.0, 15.0, 11.0, 8.0, 7.0]
    problem = read_problem(pose(150, 6, 5, 1))
    plan = Plan(first_plan(problem).rows, ())
    for name, run in (
        ("replacements, 10 nights", lambda: draw_replacements(places, warmth, LifeModel(), rng, 10_000)),
        ("all ready by dusk", lambda: chance_ready(problem, plan, Spread(), rng, 10_000)),
    ):
        best = min(_seconds(run) for _ in range(3))
        print(f"forecast 10,000 x 150, {name}: {best:.3f} s (bar 0.15 s)", flush=True)


def _seconds(run: Callable[[], Any]) -> float:
    begin = time.perf_counter()
    run()
    return time.perf_counter() - begin


def main(arguments: list[str]) -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench plan")
    parser.add_argument("--quick", action="store_true", help="one instance, one seed, up to 150 jobs")
    parser.add_argument("--sizes", nargs="*", choices=list(SIZES), help="only these")
    parser.add_argument("--instances", type=int, default=5)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--share", type=float, default=1.0, help="of the time for each plan")
    parser.add_argument("--stretch", action="store_true", help="the longer times")
    parser.add_argument("--benches", action="store_true", help="problems with bench steps alone")
    parser.add_argument("--table", action="store_true", help="the table alone")
    parser.add_argument("--kept", help="a file of rows measured so far; a stopped run goes on from it")
    chosen = parser.parse_args(arguments)
    if chosen.quick:
        chosen.instances = chosen.seeds = 1
    sizes = chosen.sizes if chosen.sizes is not None else list(SIZES)[: 3 if chosen.quick else None]
    if not (chosen.table or chosen.benches):
        forecasts()
        slack()
        breakdown(10.0, 1 if chosen.quick else 3)
    seconds = {size: chosen.share * SIZES[size][3] for size in sizes}
    if chosen.stretch:
        sizes = [size for size in sizes if size in STRETCH_S]
        seconds = {size: chosen.share * STRETCH_S[size] for size in sizes}
    if chosen.benches:
        benches(sizes, chosen.instances, chosen.seeds, seconds, Kept(chosen.kept))
        return 0
    plans(sizes, chosen.instances, chosen.seeds, seconds, Kept(chosen.kept))
    return 0
