"""The season's machines and cutters: files that are read, and reach for every pose that a piece needs."""

import json
import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from engine.files import read_cutters, read_machine
from seed_demo.drawings import designs
from seed_demo.fleet import (
    cutter_stock,
    cutters_file,
    fixtures,
    machine_cards,
    machine_files,
    new_life_m,
)

# half the largest diameter, half the height there [mm]
LARGEST = {
    "Wren": (160, 140),
    "Heron": (180, 162),
    "Badger": (150, 135),
    "Otter": (210, 190),
    "Stoat": (85, 110),
}
SMALLEST = {
    "Wren": (125, 110),
    "Heron": (125, 110),
    "Badger": (125, 110),
    "Otter": (125, 110),
    "Stoat": (48, 45),
}


def turned(axis: dict, value: float) -> np.ndarray:
    """Return the 4 x 4 matrix of one axis, written out after DEVELOPERS.md."""
    found = np.eye(4)
    direction = np.asarray(axis["direction"], float)
    if axis["kind"] == "linear":
        found[:3, 3] = value * direction
        return found
    through = np.asarray(axis["through"], float)
    found[:3, :3] = Rotation.from_rotvec(np.radians(value) * direction).as_matrix()
    found[:3, 3] = through - found[:3, :3] @ through
    return found


def tip_and_direction(machine: dict, values: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the tip (about the seat) and the direction into the holder, in the workpiece's frame."""
    work, cutter = np.eye(4), np.eye(4)
    for axis in machine["axes"]:
        if axis["moves"] == "work":
            work = work @ turned(axis, values[axis["word"]])
        else:
            cutter = cutter @ turned(axis, values[axis["word"]])
    back = np.linalg.inv(work) @ cutter
    tip = back @ np.append(machine["cutter_tip_at_zero"], 1.0)
    return tip[:3] - machine["seat"], back[:3, :3] @ np.asarray(machine["cutter_axis"], float)


def pose(name: str, machine: dict, tip: np.ndarray, direction: np.ndarray) -> dict[str, float]:
    """Return the axis values for a tip and direction by each machine's own trigonometry, tilts clipped."""
    room = tip + machine["seat"]
    around, up = np.degrees(np.arctan2(tip[1], tip[0])), np.degrees(np.arctan2(tip[2], np.hypot(*tip[:2])))
    lon = np.degrees(np.arctan2(direction[1], direction[0]))
    lat = np.degrees(np.arcsin(direction[2]))
    if name == "Wren":
        return {"C": -around, "X": np.hypot(*room[:2]), "Z": room[2]}
    if name == "Stoat":
        across = Rotation.from_euler("z", -lon, degrees=True).apply(room)
        return {"A": -lon, "X": across[0], "Y": across[1], "Z": across[2]}
    if name == "Heron":
        return {"C": -around, "B": np.clip(up, -35, 75), "X": np.linalg.norm(tip)}
    if name == "Badger":
        a = np.clip(lat - 90, -100, 20)
        table = Rotation.from_euler("z", 90 - lon, degrees=True)
        turn = Rotation.from_euler("x", -a, degrees=True) * table
        return {"A": a, "C": 90 - lon} | dict(zip("XYZ", turn.apply(room), strict=True))
    b = np.clip(90 - lat, -95, 95)
    head = Rotation.from_euler("z", lon, degrees=True) * Rotation.from_euler("y", b, degrees=True)
    pivot = np.array([0.0, 0.0, 180.0])
    linear = room - (head.apply(-pivot) + pivot)
    return {"C": lon, "B": b} | dict(zip("XYZ", linear, strict=True))


@pytest.mark.parametrize("name", list(machine_files()))
def test_machine_file_is_read(name):
    """The reader takes every machine file; its home lies within the limits."""
    machine = read_machine(machine_files()[name], f"{name}.json")
    assert machine.name == name
    for axis, at in zip(machine.axes, machine.home, strict=True):
        assert (axis.minimum is None or axis.minimum <= at) and (axis.maximum is None or at <= axis.maximum)


def test_axes_and_speeds_are_the_trades():
    """Axis counts, turning bands and speeds are those of the trade's table."""
    files = {name: json.loads(text) for name, text in machine_files().items()}
    axes = {name: {a["word"]: a for a in f["axes"]} for name, f in files.items()}
    assert {name: len(a) for name, a in axes.items()} == {
        "Wren": 3,
        "Heron": 3,
        "Badger": 5,
        "Otter": 5,
        "Stoat": 4,
    }
    assert (axes["Heron"]["B"]["min"], axes["Heron"]["B"]["max"]) == (-35, 75)
    assert (axes["Badger"]["A"]["min"], axes["Badger"]["A"]["max"]) == (-100, 20)
    assert (axes["Otter"]["B"]["min"], axes["Otter"]["B"]["max"]) == (-95, 95)
    assert (axes["Otter"]["C"]["min"], axes["Otter"]["C"]["max"]) == (-200, 200)
    assert axes["Stoat"]["A"]["min"] is None
    assert axes["Wren"]["C"]["max_speed"] == 60 * 60 and axes["Badger"]["X"]["max_speed"] == 2500
    assert sum(not f["changer"] for f in files.values()) == 3


@pytest.mark.parametrize("name", list(machine_files()))
def test_home_is_well_outside(name):
    """At home the tip is at least 60 mm outside the largest piece the machine takes."""
    machine = json.loads(machine_files()[name])
    tip, _ = tip_and_direction(machine, machine["home"])
    assert np.linalg.norm(tip) >= max(LARGEST[name]) + 60


def spheroid_point(
    half: tuple[float, float], lat_deg: float, lon_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return a skin point and the ray's direction on a spheroid of half axes (equator, pole)."""
    lat, lon = np.radians([lat_deg, lon_deg])
    ray = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    return ray / math.hypot(math.cos(lat) / half[0], math.sin(lat) / half[1]), ray


@pytest.mark.parametrize("name", list(machine_files()))
@pytest.mark.parametrize("offset", [(5.0, -5.0, 5.0), (-5.0, 5.0, -5.0)])
def test_every_pose_is_reached(name, offset):
    """From the deepest cut of the smallest piece to 60 mm outside the largest, all round, within limits.

    The middle of the piece is off the seat. Wren's and Stoat's cutters stay level; the others take the ray
    or lean from it where their tilt ends. The chain of DEVELOPERS.md says whether a pose found here is right.
    Heron's arc turns about the seat, so the offset costs its band an angle of asin(offset / radius); pictures
    end at 65 deg.
    """
    machine = json.loads(machine_files()[name])
    card = next(c for c in machine_cards() if c.name == name)
    spare = (
        np.degrees(np.arcsin(np.linalg.norm(offset) / (min(SMALLEST[name]) - 33))) if name == "Heron" else 0
    )
    lean_most = {"Badger": 26, "Otter": 36}.get(name, 8)
    for half, out in ((SMALLEST[name], -20.0 if name == "Stoat" else -33.0), (LARGEST[name], 60.0)):
        for lat in np.linspace(card.latitude_deg[0] + spare, min(card.latitude_deg[1] - spare, 65), 7):
            for lon in np.arange(-180, 180, 30):
                skin, ray = spheroid_point(half, lat, lon)
                level = np.array([ray[0], ray[1], 0.0]) / np.hypot(ray[0], ray[1])
                direction = level if name in ("Wren", "Stoat") else ray
                tip = skin + out * direction + offset
                values = pose(name, machine, tip, direction)
                reached, taken = tip_and_direction(machine, values)
                assert reached == pytest.approx(tip, abs=1e-6)
                assert np.degrees(np.arccos(min(1.0, taken @ direction))) < lean_most, (half, lat, lon)
                for axis in machine["axes"]:
                    value = values[axis["word"]]
                    assert axis["min"] is None or axis["min"] <= value, (axis["word"], value, half, lat)
                    assert axis["max"] is None or value <= axis["max"], (axis["word"], value, half, lat)


def test_badger_tips_away():
    """Positive A carries the top of the piece away from the operator, who stands at -Y."""
    machine = json.loads(machine_files()["Badger"])
    a = next(axis for axis in machine["axes"] if axis["word"] == "A")
    assert (turned(a, 10.0)[:3, :3] @ [0, 0, 1])[1] > 0.1


def test_stoat_lies_level():
    """Stoat's work turns about the workpiece's own axis, and its cutter comes at right angles to it."""
    machine = json.loads(machine_files()["Stoat"])
    a = next(axis for axis in machine["axes"] if axis["word"] == "A")
    assert turned(a, 77.0)[:3, :3] @ [0, 0, 1] == pytest.approx([0, 0, 1])
    assert np.dot(machine["cutter_axis"], a["direction"]) == 0


def test_cutters_file_is_read():
    """The reader takes the cutters file, and every design's cutters are in it."""
    names = {c.name for c in read_cutters(cutters_file(), "cutters.json")}
    assert {c for d in designs() for c in d.cutters} <= names
    assert {c.type for c in cutter_stock()} <= names


def test_flutes_reach_through_the_wall():
    """The first cutter of a design is long enough for its wall, 2.5 mm overshoot and 5 mm to spare."""
    flutes = {c.name: c.flute_length_mm for c in read_cutters(cutters_file(), "cutters.json")}
    for d in designs():
        if d.treatment == "opening":
            assert flutes[d.cutters[0]] >= d.wall_mm + 2.5 + 5, d.name


@pytest.mark.parametrize("kind", ["6 mm flat", "3 mm flat", "3 mm ball"])
def test_life_agrees_with_metres(kind):
    """v T^n = C solved for T gives the metres at the cutter's own feed (Taylor 1907, from memory)."""
    cutter = next(c for c in read_cutters(cutters_file(), "cutters.json") if c.name == kind)
    v = math.pi * cutter.diameter_mm * cutter.rpm / 1000
    minutes = (cutter.life.constant_m_per_min / v) ** (1 / cutter.life.exponent)
    assert minutes * cutter.feed_mm_per_min / 1000 == pytest.approx(new_life_m(kind), rel=0.01)


def test_stock_has_life_left():
    """Every cutter in stock has a share of life above 0 and below 1, and its own number."""
    stock = cutter_stock()
    assert len({c.number for c in stock}) == len(stock)
    assert all(0 < c.life_left <= 1 for c in stock)


def test_cards_name_known_fixtures():
    """Every machine has a card, and the card's fixtures exist."""
    assert [c.name for c in machine_cards()] == list(machine_files())
    assert {f for c in machine_cards() for f in c.fixtures} == set(fixtures())
