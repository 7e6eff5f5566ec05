"""How short are the orders that the search finds, and how fast? Against proven optima and other solvers.

`python -m tests.bench order [--quick] [--runs N] [--tsplib FILE ...]`: the whole table, references in the
same run, and at the end each bar and whether it is met. With `--tsplib` only the clustered instances made
of the files are run: one line a file with name, clusters, length and seconds. Seeds are fixed: 0 everywhere,
unless a line says otherwise. TSPLIB's instances lie beside the project, not in it; what is not there is said.
Seconds are the processor's, so that other work on the computer does not count; the search has one thread.
"""

from __future__ import annotations

import argparse
import math
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from engine.order import (
    PassPoses,
    TravelMetric,
    check_order,
    order_clusters,
    order_passes,
)

ROOT = Path(__file__).parents[2]
SHARED = ROOT.parent / "shared" / "data"
KICKS = 100  # a cluster, for the larger clustered instances
LONG_KICKS = 400  # a pass, for carving-like sets: 27 times what a day's job gets
SMALL_KICKS = 250  # a cluster or node, where proven optima are asked for

# Optimal tours of TSPLIB (G. Reinelt, ORSA Journal on Computing 3, 1991, 376-384, and its list of solutions;
# kroB100 to kroE100 from memory).
PLAIN = {
    "burma14": 3323, "ulysses16": 6859, "ulysses22": 7013, "att48": 10628, "eil51": 426, "berlin52": 7542,
    "st70": 675, "eil76": 538, "pr76": 108159, "rat99": 1211, "kroA100": 21282, "kroB100": 22141,
    "kroC100": 20749, "kroD100": 21294, "kroE100": 22068, "rd100": 7910, "eil101": 629,
}  # fmt: skip
# Optima of the clustered instances that `grown_clusters` makes of them, by Held-Karp dynamic programming.
CLUSTERED = {
    "burma14": 1805, "ulysses16": 4539, "ulysses22": 5307, "att48": 5394, "berlin52": 4040, "eil51": 174,
    "st70": 316, "eil76": 209, "pr76": 64925, "rat99": 497, "kroA100": 9711, "kroB100": 10328,
    "kroC100": 9554, "kroD100": 9450, "kroE100": 9523, "rd100": 3650, "eil101": 249,
}  # fmt: skip


def main(arguments: list[str]) -> int:
    """Run the benchmark and print its tables; 1 where a bar is missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench order", description=__doc__.split("\n")[0])
    parser.add_argument(
        "--quick", action="store_true", help="without the slow references, fewer sizes and jobs"
    )
    parser.add_argument(
        "--tsplib", nargs="+", metavar="FILE", help="TSPLIB files to make clustered instances of"
    )
    parser.add_argument("--kicks", type=int, default=KICKS, help="budget a cluster with --tsplib (100)")
    parser.add_argument(
        "--runs", type=int, default=50, help="long runs that carving-like orders are held against"
    )
    given = parser.parse_args(arguments)
    order_clusters(np.zeros((3, 3)), [np.array([i]) for i in range(3)])  # compiled before anything is timed
    if given.tsplib:
        return _files(given.tsplib, given.kicks)
    rows = [
        *_clustered(given.quick),
        *_plain(given.quick),
        *_generated(given.quick),
        *_carving(10 if given.quick else given.runs),
        *_large(given.quick),
        *_rules(given.quick),
        *_daily(),
        *_first_call(given.quick),
    ]
    print("\nsummary")
    for what, found, bar, held in rows:
        print(f"  {'met    ' if held else 'NOT MET'} {what}: {found} (bar: {bar})", flush=True)
    return 0 if all(held for *_, held in rows) else 1


Row = tuple[str, str, str, bool]


# --- instances -----------------------------------------------------------------------------------------


def read_distances(path: Path) -> np.ndarray:
    """Return the distances of a TSPLIB file, rounded as TSPLIB says (Reinelt, TSPLIB 95, 1995)."""
    head, body = {}, {}
    section = ""
    for line in path.read_text().splitlines():
        word = line.strip()
        if not word or word == "EOF":
            continue
        if re.fullmatch(r"[A-Z_]+_SECTION\s*:?", word):
            section = word.rstrip(" :")
            body[section] = []
        elif section:
            body[section] += [float(v) for v in word.split()]
        else:
            key, _, value = word.partition(":")
            head[key.strip()] = value.strip()
    n = int(head["DIMENSION"])
    kind = head["EDGE_WEIGHT_TYPE"]
    if kind == "EXPLICIT":
        return _matrix(body["EDGE_WEIGHT_SECTION"], n, head["EDGE_WEIGHT_FORMAT"])
    width = len(body["NODE_COORD_SECTION"]) // n
    places = np.array(body["NODE_COORD_SECTION"]).reshape(n, width)[:, 1:]
    if kind == "GEO":
        return _geographic(places)
    gaps = np.abs(places[:, None] - places[None])
    if kind in ("MAN_2D", "MAX_2D"):
        return np.floor((gaps.sum(axis=2) if kind == "MAN_2D" else gaps.max(axis=2)) + 0.5)
    straight = np.sqrt(np.sum(gaps**2, axis=2))
    rounded = {
        "EUC_2D": lambda d: np.floor(d + 0.5),
        "EUC_3D": lambda d: np.floor(d + 0.5),
        "CEIL_2D": np.ceil,
        "ATT": lambda d: np.ceil(d / math.sqrt(10)),
    }
    if kind not in rounded:
        raise ValueError(f"{path.name}: edge weights {kind} are not read")
    return rounded[kind](straight)


def _matrix(values: list[float], n: int, form: str) -> np.ndarray:
    found = np.zeros((n, n))
    if form == "FULL_MATRIX":
        found[:] = np.reshape(values, (n, n))
        return found
    spare = 0 if "DIAG" in form else 1
    by_rows = form in ("UPPER_ROW", "UPPER_DIAG_ROW", "LOWER_COL", "LOWER_DIAG_COL")
    places = np.triu_indices(n, spare) if by_rows else np.tril_indices(n, -spare)
    found[places] = values
    return np.maximum(found, found.T)


def _geographic(places: np.ndarray) -> np.ndarray:
    degrees = np.trunc(places)
    lat, lon = (3.141592 * (degrees + 5 * (places - degrees) / 3) / 180).T
    q1 = np.cos(lon[:, None] - lon)
    q2, q3 = np.cos(lat[:, None] - lat), np.cos(lat[:, None] + lat)
    cosine = 0.5 * ((1 + q1) * q2 - (1 - q1) * q3)
    found = np.trunc(6378.388 * np.arccos(np.clip(cosine, -1, 1)) + 1)
    np.fill_diagonal(found, 0)
    return found


def grown_clusters(distances: np.ndarray) -> list[np.ndarray]:
    """Cluster as Fischetti, Salazar Gonzalez and Toth (Operations Research 45(3), 1997, 378-394).

    ceil(n / 5) centres far apart, the first one farthest from node 1; every node joins its nearest centre.
    """
    centres = [int(np.argmax(distances[0]))]
    nearest = distances[centres[0]].copy()
    while len(centres) < -(-len(distances) // 5):
        centres.append(int(np.argmax(nearest)))
        nearest = np.minimum(nearest, distances[centres[-1]])
    owner = np.argmin(distances[centres], axis=0)
    return [np.flatnonzero(owner == c) for c in range(len(centres))]


def _read_clustered(path: Path) -> tuple[np.ndarray, list[np.ndarray]]:
    """Return distances and clusters of a file of the generalised set."""
    head, sets = re.split(r"GTSP_SET_SECTION\s*:?", path.read_text())
    rows = [line.split() for line in head.split("NODE_COORD_SECTION")[1].strip().splitlines()]
    places = np.array([[float(v) for v in row[1:3]] for row in rows])
    numbers = [[int(v) for v in line.split()] for line in sets.splitlines() if line.strip()[:1].isdigit()]
    clusters = [np.array(row[1:-1]) - 1 for row in numbers if row[-1] == -1]
    return np.floor(np.linalg.norm(places[:, None] - places[None], axis=2) + 0.5), clusters


def _singles(n: int) -> list[np.ndarray]:
    return [np.array([i]) for i in range(n)]


def carving_like(count: int, seed: int) -> tuple[list[PassPoses], TravelMetric, list[list[int]]]:
    """Return rings and short lines round a band of a piece on a turntable, and what waits for what.

    The band is 120 mm high on a radius of 100 mm; rings of 8 to 16 vertices fill about a quarter of it, one
    pass in seven is an open line. One in seven waits for a smaller neighbour.
    """
    rng = np.random.default_rng(seed)
    spacing_mm = math.sqrt(2 * math.pi * 100 * 120 / count)
    middles = np.stack([rng.uniform(0, 2 * math.pi * 100, count), rng.uniform(-60, 60, count)], axis=1)
    sizes = spacing_mm * rng.uniform(0.15, 0.4, count)
    passes = []
    for i, (middle, size) in enumerate(zip(middles, sizes, strict=True)):
        closed = rng.random() > 1 / 7
        angle = rng.uniform(0, 2 * math.pi) + np.arange(rng.integers(8, 17)) * 2 * math.pi / 16
        if not closed:
            angle = angle[0] + np.array([0, math.pi])
        around = middle + size * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        depth = 120 + 0.05 * around[:, 1] ** 2 / 60
        passes.append(
            PassPoses(f"pass {i}", np.stack([np.degrees(around[:, 0] / 100), around[:, 1], depth], 1), closed)
        )
    after = []
    for i in range(count):  # row by row: all distances at once would be most of the memory
        apart = np.linalg.norm(middles - middles[i], axis=1)
        smaller = np.flatnonzero((apart < spacing_mm) & (sizes < sizes[i]))
        after.append([int(j) for j in smaller if rng.random() < 0.14])
    metric = TravelMetric(
        max_speed=np.array([60.0, 50.0, 50.0]),
        max_acceleration=np.array([600.0, 300.0, 400.0]),
        period=np.array([360.0, math.inf, math.inf]),
        home=np.array([0.0, 0.0, 250.0]),
    )
    return passes, metric, after


# --- references ----------------------------------------------------------------------------------------


def _nearest_length(distances: np.ndarray, clusters: list[np.ndarray]) -> float:
    """Return the length of a tour of nearest neighbour over all nodes of clusters not yet visited."""
    owner = np.zeros(len(distances), int)
    for number, nodes in enumerate(clusters):
        owner[nodes] = number
    now = first = int(clusters[0][0])
    left = owner != 0
    total = 0.0
    while left.any():
        ahead = int(np.argmin(np.where(left, distances[now], np.inf)))
        total += distances[now, ahead]
        left[owner == owner[ahead]] = False
        now = ahead
    return float(total + distances[now, first])


def _routing_length(distances: np.ndarray, clusters: list[np.ndarray], seconds: int = 5) -> float:
    """Return the length that the routing library of OR-Tools finds, one node of each cluster, in a time."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    n = len(distances)  # one node more, which costs nothing: where the route starts and ends
    best = math.inf
    rounded = np.rint(distances).astype(int)
    small = min(clusters, key=len)
    for node in small[:1] if len(small) == 1 else small:
        manager = pywrapcp.RoutingIndexManager(n, 1, int(node))
        routing = pywrapcp.RoutingModel(manager)
        index = routing.RegisterTransitCallback(
            lambda a, b, m=manager: int(rounded[m.IndexToNode(a), m.IndexToNode(b)])
        )
        routing.SetArcCostEvaluatorOfAllVehicles(index)
        far = int(rounded.max()) * 100
        for nodes in clusters:
            others = [int(v) for v in nodes if int(v) != int(node)]
            if nodes is small:
                for other in others:
                    routing.AddDisjunction([manager.NodeToIndex(other)], 0)
            elif others:
                routing.AddDisjunction([manager.NodeToIndex(v) for v in others], far, 1)
        settings = pywrapcp.DefaultRoutingSearchParameters()
        settings.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PATH_CHEAPEST_ARC
        settings.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
        share = seconds / len(small)
        settings.time_limit.FromMilliseconds(int(1000 * share))
        found = routing.SolveWithParameters(settings)
        if found is not None:
            best = min(best, float(found.ObjectiveValue()))
    return best


def _fast_length(distances: np.ndarray, seconds: float) -> float | None:
    """Return the length that fast_tsp finds in a time; None: it is not installed."""
    try:
        import fast_tsp
    except ImportError:
        return None
    whole = np.rint(distances).astype(int)
    scale = max(1, -(-int(whole.max()) // 65535))  # it takes 16 bits
    tour = fast_tsp.find_tour((whole // scale).tolist(), duration_seconds=seconds)
    return float(distances[tour, np.roll(tour, -1)].sum())


# --- tables --------------------------------------------------------------------------------------------


def _files(names: list[str], kicks: int) -> int:
    print(f"clustered instances, {kicks} kicks a cluster, seed 0: name, clusters, length, seconds")
    for name in names:
        path = Path(name)
        distances = read_distances(path)
        clusters = grown_clusters(distances)
        began = time.perf_counter()
        _, length = order_clusters(distances, clusters, kicks_per_cluster=kicks)
        spent = time.perf_counter() - began
        print(f"{len(clusters)}{path.stem} {len(clusters)} {length:.0f} {spent:.2f}", flush=True)
    return 0


def _timed(distances: np.ndarray, clusters: list[np.ndarray], kicks: int) -> tuple[float, float]:
    began = time.process_time()
    nodes, length = order_clusters(distances, clusters, kicks_per_cluster=kicks)
    spent = time.process_time() - began
    owner = {int(v): c for c, some in enumerate(clusters) for v in some}
    assert sorted(owner[int(v)] for v in nodes) == list(range(len(clusters)))
    assert abs(sum(distances[a, b] for a, b in zip(nodes, np.roll(nodes, -1), strict=True)) - length) < 1e-6
    return length, spent


def _known(name: str) -> np.ndarray | None:
    path = SHARED / "tsplib" / f"{name}.tsp"
    return read_distances(path) if path.exists() else None


def _gap(length: float | None, best: float) -> str:
    return "n/a" if length is None or not math.isfinite(length) else f"+{100 * (length / best - 1):.1f} %"


def _clustered(quick: bool) -> list[Row]:
    print(f"\nclustered TSPLIB, {SMALL_KICKS} kicks a cluster, seed 0")
    print("  instance        clusters   optimum    found  seconds  nearest  OR-Tools 5 s")
    solved, slowest, there = 0, 0.0, 0
    for name, optimum in CLUSTERED.items():
        distances = _known(name)
        if distances is None:
            continue
        there += 1
        clusters = grown_clusters(distances)
        length, spent = _timed(distances, clusters, SMALL_KICKS)
        solved += length == optimum
        slowest = max(slowest, spent)
        nearest = _nearest_length(distances, clusters)
        routed = None if quick else _routing_length(distances, clusters)
        print(
            f"  {len(clusters)}{name:14s} {len(clusters):8d} {optimum:9d} {length:8.0f} {spent:8.3f} "
            f"{_gap(nearest, optimum):>8s} {_gap(routed, optimum):>13s}",
            flush=True,
        )
    if not there:
        print("  no instances: the folder beside the project is not there")
        return []
    rows = [
        ("clustered TSPLIB", f"{solved} of {there} optima, slowest {slowest:.3f} s", "all, 0.3 s each",
         solved == there and slowest <= 0.3),
    ]  # fmt: skip
    path = SHARED / "gtsplib" / "39rat195.gtsp"
    if path.exists():
        length, spent = _timed(*_read_clustered(path), SMALL_KICKS)
        print(f"  39rat195: {length:.0f} in {spent:.3f} s; 854 is attainable")
        rows.append(("39rat195", f"{length:.0f}", "854", length <= 854))
    return rows


def _plain(quick: bool) -> list[Row]:
    print(f"\nplain TSPLIB, {SMALL_KICKS} kicks a node, seed 0")
    print("  instance          optimum    found  seconds  nearest  OR-Tools 5 s  fast_tsp 0.5 s")
    solved, slowest, there = 0, 0.0, 0
    for name, optimum in PLAIN.items():
        distances = _known(name)
        if distances is None:
            continue
        there += 1
        singles = _singles(len(distances))
        length, spent = _timed(distances, singles, SMALL_KICKS)
        solved += length == optimum
        slowest = max(slowest, spent)
        routed = None if quick else _routing_length(distances, singles)
        print(
            f"  {name:14s} {optimum:10d} {length:8.0f} {spent:8.3f} "
            f"{_gap(_nearest_length(distances, singles), optimum):>8s} {_gap(routed, optimum):>13s} "
            f"{_gap(_fast_length(distances, 0.5), optimum):>15s}",
            flush=True,
        )
    if not there:
        print("  no instances: the folder beside the project is not there")
        return []
    return [
        ("plain TSPLIB", f"{solved} of {there} optima, slowest {slowest:.3f} s", "all, 0.5 s each",
         solved == there and slowest <= 0.5),
    ]  # fmt: skip


def _generated(quick: bool) -> list[Row]:
    """Larger clustered instances drawn at random, against the best of long runs: best known, no optimum."""
    sizes = (200, 400) if quick else (200, 300, 400, 600, 1000)
    runs = 3
    print(
        f"\nclustered, random places, {KICKS} kicks a cluster, against the best of {runs} runs of ten times"
    )
    gaps = []
    for n in sizes:
        for grouped in (False, True):
            rng = np.random.default_rng(n)
            places = rng.uniform(0, 10000, (n, 2))
            if grouped:
                places = places[rng.integers(0, n // 40, n)] + rng.normal(0, 400, (n, 2))
            distances = np.floor(np.linalg.norm(places[:, None] - places[None], axis=2) + 0.5)
            clusters = grown_clusters(distances)
            length, spent = _timed(distances, clusters, KICKS)
            long = [
                order_clusters(distances, clusters, seed=1 + s, kicks_per_cluster=10 * KICKS)[1]
                for s in range(runs)
            ]
            best = min([length, *long])
            gaps.append(100 * (length / best - 1))
            kind = "in groups" if grouped else "even"
            print(
                f"  {n} {kind:9s} {len(clusters):4d} clusters {length:8.0f} +{gaps[-1]:.2f} % {spent:.2f} s",
                flush=True,
            )
    return [
        ("random clustered instances", f"mean {np.mean(gaps):.2f} %, worst {max(gaps):.2f} % above best",
         "0.25 %, 1.5 %", bool(np.mean(gaps) <= 0.25 and max(gaps) <= 1.5)),
    ]  # fmt: skip


def _carving(runs: int) -> list[Row]:
    """One run of seed 0 against the best of many other seeds, and how far those lie from it themselves."""
    print(
        f"\ncarving-like with precedence, {LONG_KICKS} kicks a pass, seed 0, against the best of {runs} runs "
        f"of the same length, seeds 1 to {runs}"
    )
    rows = []
    for count in (50, 200):
        passes, metric, after = carving_like(count, 1)
        began = time.process_time()
        order = order_passes(passes, metric, after=after, kicks_per_pass=LONG_KICKS)
        spent = time.process_time() - began
        assert check_order(order, passes, metric, after=after) == ()
        daily = order_passes(passes, metric, after=after)
        long = np.array(
            [
                order_passes(passes, metric, after=after, seed=1 + s, kicks_per_pass=LONG_KICKS).travel_s
                for s in range(runs)
            ]
        )
        best = min(order.travel_s, float(long.min()))
        gap = 100 * (order.travel_s / best - 1)
        saved = 100 * (1 - order.travel_s / order.travel_nearest_s)
        print(
            f"  {count:5d} passes {sum(map(len, after)):4d} precedences {order.travel_s:8.2f} s, "
            f"+{gap:.2f} % above best, {saved:.1f} % below nearest neighbour, {spent:.3f} s; the runs: "
            f"mean +{100 * (long.mean() / best - 1):.2f} %, worst +{100 * (long.max() / best - 1):.2f} %; "
            f"with the budget of a day's job +{100 * (daily.travel_s / best - 1):.2f} %",
            flush=True,
        )
        rows.append(
            (
                f"carving-like {count}",
                f"+{gap:.2f} % above the best of {runs} long runs",
                "0.5 % above the best of 50",
                gap <= 0.5 and runs >= 50,
            )
        )
    return rows


def large_job(count: int) -> tuple[float, float, float, float]:
    """Return travel, that of nearest neighbour, seconds, peak memory [MB]; for a process of its own."""
    order_passes(*carving_like(5, 0)[:2])
    passes, metric, after = carving_like(count, 1)
    began = time.process_time()
    order = order_passes(passes, metric, after=after)
    spent = time.process_time() - began
    assert check_order(order, passes, metric, after=after) == ()
    return (
        order.travel_s,
        order.travel_nearest_s,
        spent,
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    )


def _large(quick: bool) -> list[Row]:
    print("\ncarving-like, large: end to end, each in a process of its own")
    rows, spents = [], {}
    for count, bar_s in ((1000, 4.0),) if quick else ((1000, 4.0), (5000, 10.0)):
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            travel, nearest, spent, memory = pool.submit(large_job, count).result()
        saved = 100 * (1 - travel / nearest)
        spents[count] = spent
        print(
            f"  {count:5d} passes {travel:8.1f} s, {saved:.1f} % below nearest neighbour, {spent:.2f} s, "
            f"{memory:.0f} MB"
        )
        rows.append(
            (f"carving-like {count}", f"{saved:.1f} %, {spent:.2f} s, {memory:.0f} MB",
             f"12 %, {bar_s:.0f} s, 400 MB", saved >= 12 and spent <= bar_s and memory <= 400)
        )  # fmt: skip
    if len(spents) == 2:
        power = math.log(spents[5000] / spents[1000]) / math.log(5)
        print(f"  growth: passes to the power of {power:.2f}")
        rows.append(("growth", f"K^{power:.2f}", "K^1.2", power <= 1.2))
    return rows


def random_job(rng: np.random.Generator, winding: bool) -> tuple[list[PassPoses], TravelMetric, dict]:
    """Return a job of 2 to 14 passes in up to three groups, with precedence and changes of cutter."""
    count = int(rng.integers(2, 15))
    limit = float(rng.choice([185.0, 200.0, 270.0, 400.0]))
    passes = []
    for i in range(count):
        closed, n = bool(rng.random() < 0.6), int(rng.integers(2, 9))
        middle, width = rng.uniform(-170, 170), rng.uniform(0, 15)
        turn = middle + width * np.sin(np.arange(n) * 2 * math.pi / n)
        axes = np.stack([turn, rng.uniform(-60, 60, n), rng.uniform(80, 120, n)], axis=1)
        lifts = rng.uniform(0, 2, (2, n))
        passes.append(PassPoses(f"p{i}", axes, closed, bool(rng.integers(2)), lifts[0], lifts[1]))
    metric = TravelMetric(
        max_speed=np.array([45.0, 50.0, 50.0]),
        max_acceleration=np.array([500.0, 300.0, 300.0]),
        period=np.array([math.inf if winding else 360.0, math.inf, math.inf]),
        home=np.array([0.0, 0.0, 200.0]),
        lowest=np.array([-limit, -math.inf, -math.inf]) if winding else np.zeros(0),
        highest=np.array([limit, math.inf, math.inf]) if winding else np.zeros(0),
    )
    groups = [int(g) for g in rng.integers(0, 3, count)]
    rank = rng.permutation(count)
    after = [
        [j for j in range(count) if rank[j] < rank[i] and groups[j] <= groups[i] and rng.random() < 0.2]
        for i in range(count)
    ]
    apart = [(i, j) for i in range(count) for j in range(i) if rng.random() < 0.15]
    return (
        passes,
        metric,
        {"groups": groups, "after": after, "home_before": [1] if rng.random() < 0.5 else [], "apart": apart},
    )


def _rules(quick: bool) -> list[Row]:
    jobs = 100 if quick else 500
    rows = []
    for winding in (False, True):
        faults, waits, beside, together = 0, 0, 0, 0
        for seed in range(jobs):
            passes, metric, rules = random_job(np.random.default_rng(seed), winding)
            order = order_passes(passes, metric, seed=seed, kicks_per_pass=10, **rules)
            faults += bool(check_order(order, passes, metric, **rules))
            waits += sum(map(len, rules["after"]))
            beside += len(rules["apart"])
            together += len(order.together)
        what = (
            "a winding axis inside its limits"
            if winding
            else "every pass once, precedence, weak bridges, true travel"
        )
        print(f"\n{jobs} random jobs, {what}: {faults} with faults in the independent checker")
        print(
            f"  {waits} precedences; of {beside} pairs to be kept apart {together} follow each other all the "
            "same, told by the order; where fewer need to, the checker calls that a fault"
        )
        rows.append((what, f"{faults} faults in {jobs} jobs", "0", faults == 0))
    return rows


def _daily() -> list[Row]:
    print("\na call for jobs of a day's size")
    slowest = 0.0
    for count in (7, 20, 40, 80):
        passes, metric, after = carving_like(count, 2)
        took = []
        for seed in range(5):
            began = time.process_time()
            order_passes(passes, metric, after=after, seed=seed)
            took.append(time.process_time() - began)
        slowest = max(slowest, float(np.median(took)))
        print(f"  {count:3d} passes {np.median(took):.3f} s")
    return [("jobs of 7 to 80 passes", f"slowest {slowest:.3f} s", "0.1 s", slowest <= 0.1)]


def _first_call(quick: bool) -> list[Row]:
    ask = "import time; t = time.process_time(); import engine.order; print(time.process_time() - t)"
    took = [float(subprocess.check_output([sys.executable, "-c", ask], cwd=ROOT)) for _ in range(3)]
    rows = [("import of engine.order", f"{min(took):.2f} s", "0.3 s", min(took) <= 0.3)]
    if quick:
        return rows
    call = (
        "import time, numpy as np; from engine.order import order_clusters; t = time.process_time();"
        "order_clusters(np.zeros((3, 3)), [np.array([i]) for i in range(3)]); print(time.process_time() - t)"
    )
    with tempfile.TemporaryDirectory() as folder:
        where = os.environ | {"NUMBA_CACHE_DIR": folder}
        first, again = (
            float(subprocess.check_output([sys.executable, "-c", call], cwd=ROOT, env=where))
            for _ in range(2)
        )
    print(f"\nimport {min(took):.2f} s; first call {first:.1f} s with compiling, then {again:.2f} s")
    return [*rows, ("first call, compiling", f"{first:.1f} s", "15 s", first <= 15)]
