"""How true are random jobs? `python -m tests.bench jobs [--jobs 40] [--seed 0]`.

Pieces (ribbed squash, swede, gourd, foam), designs (polygons, stars, slots, bridged rings, reliefs), machines
(the season's five kinds) and cutters are drawn by chance, each job from its own seed. Told are, for
each kind of machine and in all: the largest of the jobs' medians, 99 % and maxima of the outline's error, the
largest error of depth, the deepest travel inside the piece, and by how much the run time misses that of an
integrator of its own.

The integrator knows the program as read back and the machine's file alone. It steps through time: at each
instant the machine goes as fast as feed and axes allow, gains speed no faster than its axes can, and brakes
in time for what lies ahead. Corners are rounded as DEVELOPERS says: within the path tolerance, on an arc that
uses up at most half of the shorter side. Tips come from scipy's rotations.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from shapely import Point, Polygon, affinity, box

MACHINES = ("Wren", "Heron", "Badger", "Otter", "Stoat")
BARS = {"outline_median_mm": 0.05, "outline_p99_mm": 0.15, "depth_max_mm": 0.1, "travel_inside_mm": 0.0}
TIME_BAR = 0.01
STEP_S = 2e-4
MOST_DRAWS = 3  # for each job that is to be cut: refused ones are told and drawn again


def main(arguments: list[str]) -> int:
    """Prepare random jobs, print the table, return 1 where a bar is missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench jobs", description=__doc__.split("\n")[0])
    parser.add_argument("--jobs", type=int, default=40, help="how many are to be cut")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--draw", type=int, help="one draw alone, by its number")
    given = parser.parse_args(arguments)
    drawn = [given.draw] if given.draw is not None else range(MOST_DRAWS * given.jobs)
    told: list[Told] = []
    for number in drawn:
        told.append(told_of(number, given.seed))
        print(told[-1].line(), flush=True)
        if sum(not one.refused for one in told) == given.jobs:
            break
    print()
    missed = 0
    for name in (*MACHINES, "all"):
        mine = [one for one in told if name in (one.machine, "all")]
        missed += _row(name, mine)
    if given.draw is None and sum(not one.refused for one in told) < given.jobs:
        print(f"MISSED  only {sum(not one.refused for one in told)} of {given.jobs} jobs could be cut")
        missed += 1
    return 1 if missed else 0


@dataclass
class Told:
    """What is known of one job after it was prepared or refused."""

    number: int
    machine: str
    piece: str
    design: str
    cutters: str
    refused: str = ""
    by_proof: bool = False
    figures: dict[str, float] | None = None
    outline_max_mm: float = 0.0
    run_s: float = 0.0
    integrated_s: float = 0.0
    took_s: float = 0.0

    @property
    def time_off(self) -> float:
        """By how much the run time is off, as a share of the integrated one [-]."""
        return self.run_s / self.integrated_s - 1.0 if self.integrated_s else 0.0

    def missed(self) -> list[str]:
        """Return which bars are missed."""
        if self.figures is None:
            return ["refused by its proof"] if self.by_proof else []
        found = [name for name, bar in BARS.items() if self.figures[name] > bar]
        return [*found, *(["time"] if abs(self.time_off) > TIME_BAR else [])]

    def line(self) -> str:
        """Return the job in one line."""
        what = f"{self.number:3d} {self.machine:<6} {self.piece:<6} {self.design:<34} {self.cutters:<28}"
        if self.figures is None:
            return f"{what} refused{' BY ITS PROOF' if self.by_proof else ''}: {self.refused[:150]}"
        f = self.figures
        bad = self.missed()
        return (
            f"{what} outline {f['outline_median_mm']:.3f} {f['outline_p99_mm']:.3f} {self.outline_max_mm:.3f}"
            f"  depth {f['depth_max_mm']:.3f}  inside {f['travel_inside_mm']:.3f}  "
            f"{self.run_s:6.0f} s {self.time_off:+.2%}  ({self.took_s:.1f} s)"
            f"{'  MISSED ' + ', '.join(bad) if bad else ''}"
        )


def _row(name: str, told: list[Told]) -> int:
    """Print one row of the table; return how many jobs miss a bar."""
    cut = [one for one in told if one.figures is not None]
    bad = [one for one in told if one.missed()]
    worst = {key: max((one.figures[key] for one in cut if one.figures), default=0.0) for key in BARS}
    print(
        f"{'MISSED' if bad else 'ok    '}  {name:<7}{len(cut):3d} cut, {len(told) - len(cut):2d} refused   "
        f"outline median {worst['outline_median_mm']:.3f}, 99 % {worst['outline_p99_mm']:.3f}, "
        f"max {max((one.outline_max_mm for one in cut), default=0.0):.3f} mm   "
        f"depth {worst['depth_max_mm']:.3f} mm   travel inside {worst['travel_inside_mm']:.3f} mm   "
        f"time {max((abs(one.time_off) for one in cut), default=0.0):.2%}"
        f"{'   jobs ' + ', '.join(str(one.number) for one in bad) if bad else ''}"
    )
    return len(bad)


# --- one job -------------------------------------------------------------------------------------------


def told_of(number: int, seed: int) -> Told:
    """Draw, prepare and time one job; the same number and seed give the same job."""
    from engine.artwork import read_artwork
    from engine.errors import CannotBeDone
    from engine.files import read_cutters, read_machine, read_touches, read_wall
    from engine.prepare import prepare
    from engine.records import Placement
    from engine.rules import rules_for
    from seed_demo import produce
    from seed_demo.fleet import cutters_file, machine_files

    rng = np.random.default_rng([seed, number])
    name = MACHINES[number % len(MACHINES)]
    relief = bool(rng.random() < (0.6 if name == "Badger" else 0.2))
    lot = str(rng.choice(["L-205", "L-206"] if name == "Stoat" else ["L-201", "L-203", "L-204", "FOAM"]))
    piece = produce.grow(rng, produce.lot(lot))
    piece = produce.thinned(
        piece, float(rng.uniform(12, 16) if piece.kind == "turnip" else rng.uniform(16, 24)), rng
    )
    at_hand = _cutters(rng, piece.kind, relief)
    cutters = tuple(c for c in read_cutters(cutters_file(), "cutters") if c.name in at_hand)
    artwork, words = _relief(rng, piece.kind) if relief else _openings(rng, piece, max(_widths(at_hand)))
    told = Told(number, name, piece.kind, words, " + ".join(at_hand))
    place = Placement(
        float(rng.uniform(-np.pi, np.pi)),
        float(np.radians(rng.uniform(-8, 18))),
        float(rng.choice([0.0, 1.0])) * float(rng.uniform(-np.pi, np.pi)),
        bool(rng.random() < 0.15),
    )
    places = produce.probe_places(piece.kind, piece.ribs, relief)
    scan = read_touches(produce.virtual_probe(piece, rng, places), "touches.csv")
    wall = read_wall(produce.wall_readings(piece, rng, relief), "wall.csv")
    machine = read_machine(machine_files()[name], name)
    begun: list[str] = []
    begin = time.process_time()
    try:
        job = prepare(
            scan,
            read_artwork(artwork, words),
            place,
            wall,
            cutters,
            machine,
            rules_for(piece.kind),
            suggest_bridges=True,
            report=lambda done, total, note: begun.append(note),
        )
    except CannotBeDone as refusal:
        told.refused, told.by_proof = str(refusal), begun[-1] == "virtual cut"
        return told
    told.took_s = time.process_time() - begin
    told.figures = {key: float(getattr(job.cut, key)) for key in BARS}
    told.outline_max_mm = job.cut.outline_max_mm
    told.run_s = job.run.total_s
    told.integrated_s = integrated_s([text for _, text in job.programs], machine)
    return told


def _cutters(rng: np.random.Generator, kind: str, relief: bool) -> list[str]:
    """Return the names of the cutters at hand."""
    if relief:
        return ["6 mm ball", "3 mm ball"] if rng.random() < 0.7 else ["3 mm ball"]
    if kind == "squash" or kind == "foam":
        sets = [
            ["6 mm flat"],
            ["4 mm flat"],
            ["8 mm flat"],
            ["8 mm flat", "4 mm flat"],
            ["6 mm flat", "4 mm flat"],
        ]
    else:
        sets = [["3 mm flat"], ["4 mm flat"], ["6 mm flat", "3 mm flat"]]
    return sets[int(rng.integers(len(sets)))]


def _widths(names: list[str]) -> list[float]:
    return [float(name.split()[0]) for name in names]


# --- designs -------------------------------------------------------------------------------------------


def _openings(rng: np.random.Generator, piece: Any, cutter_mm: float) -> tuple[bytes, str]:
    """Return an SVG of shapes that keep apart, and what they are."""
    from seed_demo.outlines import svg_text

    small = piece.kind in ("turnip", "gourd")
    half = 26.0 if small else 62.0
    apart = 9.0 if small else 15.0
    sizes = (7.0, 14.0) if small else (11.0, 26.0)
    shapes: list[Polygon] = []
    kinds: list[str] = []
    for _ in range(400):
        if len(shapes) == int(3 + rng.integers(6)):
            break
        kind = str(rng.choice(["polygon", "star", "slot", "ring"], p=[0.35, 0.25, 0.25, 0.15]))
        made = _shape(rng, kind, float(rng.uniform(*sizes)), cutter_mm)
        made = affinity.translate(made, *rng.uniform(-half, half, 2))
        if box(-half, -half, half, half).contains(made) and all(made.distance(one) > apart for one in shapes):
            shapes.append(made)
            kinds.append(kind)
    counted = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    return svg_text(shapes, "by chance").encode(), counted


def _shape(rng: np.random.Generator, kind: str, size_mm: float, cutter_mm: float) -> Polygon:
    """Return one shape about the origin, about as large as its size; a slot lets the cutter in."""
    turned = float(rng.uniform(0, 2 * np.pi))
    size_mm = max(size_mm, 1.5 * cutter_mm)
    if kind == "slot":
        line = shapely.LineString([(-size_mm, 0), (0, float(rng.uniform(-0.4, 0.4)) * size_mm), (size_mm, 0)])
        made = line.buffer(cutter_mm * float(rng.uniform(0.55, 0.8)) + 0.3, quad_segs=32)
    elif kind == "ring":
        made = Point(0, 0).buffer(size_mm, quad_segs=64)
        made = made.difference(Point(0, 0).buffer(max(size_mm - 1.6 * cutter_mm - 1.0, 3.0), quad_segs=48))
    else:
        corners = int(rng.integers(3, 8)) if kind == "polygon" else 2 * int(rng.integers(5, 8))
        angles = (
            (np.arange(corners) + 0.5 * rng.uniform(-0.4, 0.4, corners) * (kind == "polygon"))
            * 2
            * np.pi
            / corners
        )
        radii = size_mm * (
            rng.uniform(0.75, 1.0, corners)
            if kind == "polygon"
            else np.resize([1.0, float(rng.uniform(0.5, 0.75))], corners)
        )
        made = Polygon(np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1))
    found: Polygon = affinity.rotate(made, turned, origin=(0, 0), use_radians=True)
    return found


def _relief(rng: np.random.Generator, kind: str) -> tuple[bytes, str]:
    """Return a PNG of smooth tones with a few hard edges in a frame with round corners."""
    from io import BytesIO

    from PIL import Image
    from scipy.ndimage import gaussian_filter

    width, height = rng.uniform(30, 42, 2) if kind in ("turnip", "gourd") else rng.uniform(45, 80, 2)
    pixel = 0.5
    h, w = int(height / pixel), int(width / pixel)
    soft = gaussian_filter(rng.standard_normal((h, w)), float(rng.uniform(6, 16)))
    soft = (soft - soft.min()) / np.ptp(soft)
    steps = int(rng.integers(3, 8))
    tone = gaussian_filter(np.floor(soft * steps) / steps if rng.random() < 0.5 else soft, 0.9)
    y, x = np.mgrid[:h, :w] * pixel
    away = np.hypot(
        np.maximum(np.abs(x - width / 2) - width / 2 + 10, 0),
        np.maximum(np.abs(y - height / 2) - height / 2 + 10, 0),
    )
    grey = (30 + 225 * np.clip(tone, 0, 1)).astype(np.uint8)
    file = BytesIO()
    dots = 25.4 / pixel
    Image.fromarray(np.dstack([grey, np.where(away <= 10, 255, 0).astype(np.uint8)])).save(
        file, "PNG", dpi=(dots, dots)
    )
    return file.getvalue(), f"relief {width:.0f} x {height:.0f} mm"


# --- the integrator --------------------------------------------------------------------------------------


def integrated_s(texts: list[str], machine: Any, step_s: float = STEP_S) -> float:
    """Return how long programs run, cutter changes included [s]."""
    from engine.program_reader import read_program

    programs = [read_program(text, machine) for text in texts]
    changes = len(programs) - 1
    scale = _common_length(programs, machine)
    total = 0.0
    for program in programs:
        fitted = np.where(program.cutter < 0, 0, program.cutter)
        changed = np.flatnonzero(np.diff(fitted)) + 1  # the first row of a new cutter
        changes += len(changed)
        for axes, minutes in zip(
            _split(program.axes, changed), np.split(program.minutes, changed), strict=True
        ):
            total += _run_s(
                axes,
                np.nan_to_num(minutes[-(len(axes) - 1) :] if len(axes) > 1 else minutes[:0]),
                machine,
                scale,
                step_s,
            )
    return total + changes * machine.change_cutter_s


def _split(axes: np.ndarray, changed: np.ndarray) -> list[np.ndarray]:
    """Return the ways between changes, each from where the one before ended."""
    bounds = [0, *changed.tolist(), len(axes)]
    return [axes[max(first - 1, 0) : last] for first, last in pairwise(bounds)]


def tips_of(machine: Any, axes: np.ndarray) -> np.ndarray:
    """Return the tip seen from the work: W(q)^-1 T(q) tip0, as the machine file defines it [mm]."""
    from scipy.spatial.transform import Rotation

    def moved(points: np.ndarray, column: int, sign: float) -> np.ndarray:
        axis = machine.axes[column]
        along = np.asarray(axis.direction, float)
        if axis.kind == "linear":
            return np.asarray(points + sign * axes[:, column : column + 1] * along)
        through = np.asarray(axis.through, float)
        turn = Rotation.from_rotvec(sign * np.radians(axes[:, column : column + 1]) * along)
        return np.asarray(turn.apply(points - through) + through)

    points = np.tile(np.asarray(machine.cutter_tip_at_zero_mm, float), (len(axes), 1))
    numbers = range(len(machine.axes))
    for column in reversed([i for i in numbers if machine.axes[i].moves == "cutter"]):
        points = moved(points, column, 1.0)
    for column in [i for i in numbers if machine.axes[i].moves == "work"]:
        points = moved(points, column, -1.0)
    return points


def _common_length(programs: list[Any], machine: Any) -> np.ndarray:
    """Return what a unit of each axis counts for [mm]: its arc at the tip, or a slow linear axis's way."""
    rows = np.concatenate([p.axes[np.isfinite(p.minutes)] for p in programs])
    linear = [a.max_acceleration for a in machine.axes if a.kind == "linear"]
    scale = []
    for column, axis in enumerate(machine.axes):
        if axis.kind == "linear":
            scale.append(1.0)
            continue
        little = np.zeros(len(machine.axes))
        little[column] = 0.01
        arcs = (
            np.linalg.norm(tips_of(machine, rows + little) - tips_of(machine, rows - little), axis=1) / 0.02
        )
        scale.append(max(float(arcs.max()), min(linear) / axis.max_acceleration))
    return np.array(scale)


def _run_s(axes: np.ndarray, minutes: np.ndarray, machine: Any, scale: np.ndarray, step_s: float) -> float:
    """Step through the moves from rest to rest."""
    steps = np.diff(axes, axis=0)
    some = np.abs(steps).max(axis=1, initial=0.0) > 0
    steps, least = steps[some], 60.0 * minutes[some]
    if not len(steps):
        return 0.0
    lengths = np.linalg.norm(steps * scale, axis=1)
    speeds = np.array([a.max_speed / 60 for a in machine.axes])
    ramps = np.array([a.max_acceleration for a in machine.axes])
    fastest = lengths / np.maximum(least, (np.abs(steps) / speeds).max(axis=1))
    gain = lengths / (np.abs(steps) / ramps).max(axis=1)
    heading = steps * scale / lengths[:, None]
    # the angle between the sides of a corner, pi where it goes straight on
    dot, cross2 = (
        np.sum(heading[:-1] * heading[1:], axis=1),
        np.linalg.norm(heading[1:] - heading[:-1], axis=1),
    )
    half = np.pi / 2 - np.where(
        dot > 0.9, np.arcsin(np.minimum(cross2 / 2, 1.0)), np.arccos(np.clip(dot, -1, 1)) / 2
    )
    off = np.maximum(np.pi / 2 - half, 1e-9)
    arc = machine.path_tolerance_mm * np.cos(off) / (2 * np.sin(off / 2) ** 2)
    fits = np.minimum(lengths[:-1], lengths[1:]) / 2 / np.tan(off)
    corner = np.sqrt(np.maximum(np.minimum(arc, fits), 0.0) * np.minimum(gain[:-1], gain[1:]))
    ends = np.append(np.minimum(corner, np.minimum(fastest[:-1], fastest[1:])), 0.0)
    return float(_stepper()(lengths, fastest, gain, ends, step_s))


def _stepper() -> Any:
    """Return the loop over time, compiled."""
    global _compiled
    if _compiled is None:
        from numba import njit

        _compiled = njit(_stepped)
    return _compiled


_compiled: Any = None


def _stepped(lengths, fastest, gain, ends, step_s):  # type: ignore[no-untyped-def]
    """Go through the moves in small steps of time, as fast as may be, braking for what lies ahead."""
    most = ends.copy()  # speed at the end of each move from which all that follows can be braked for
    for k in range(len(lengths) - 2, -1, -1):
        most[k] = min(ends[k], np.sqrt(most[k + 1] ** 2 + 2 * gain[k + 1] * lengths[k + 1]))
    seconds, speed = 0.0, 0.0
    for k in range(len(lengths)):
        left = lengths[k]
        while True:
            braked = np.sqrt(most[k] ** 2 + 2 * gain[k] * left)
            after = min(speed + gain[k] * step_s, fastest[k], braked)
            way = (speed + after) / 2 * step_s
            if way >= left or way <= 0.0:
                break
            # what was gone may not be past where braking must begin
            after = min(after, np.sqrt(most[k] ** 2 + 2 * gain[k] * (left - way)))
            way = (speed + after) / 2 * step_s
            if way >= left:
                break
            left -= way
            seconds += step_s
            speed = after
        reached = min(most[k], np.sqrt(speed**2 + 2 * gain[k] * left), fastest[k])
        if speed + reached > 0.0:
            seconds += 2 * left / (speed + reached)
        speed = reached
    return seconds
