"""Dry run, proof mark and resumed program, judged by reading the programs back and by the virtual cut.

The piece is a foam sphere of 70 mm touched with a tip of 1 mm, so heights over its skin are known without the
engine.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, scale

from engine.artwork import read_artwork
from engine.axes import from_axes
from engine.errors import BadInput
from engine.files import read_cutters, read_machine, read_touches, uniform_wall
from engine.frames import lonlat_of, unit_of
from engine.prepare import prepare, wanted_cut
from engine.program import read_programs
from engine.proof import virtual_cut
from engine.records import Placement, Severity
from engine.rehearsal import dry_run, proof_mark, resumed
from engine.rules import rules_for
from seed_demo.fleet import cutters_file, machine_files

R, TIP = 70.0, 1.0
RULES = rules_for("foam", pocket_stepover=0)
CUTTERS = read_cutters(cutters_file(), "cutters.json")
MACHINES = {name: read_machine(text, name) for name, text in machine_files().items()}
SQUARES = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="80mm" height="20mm" viewBox="0 0 80 20">'
    + "".join(f'<path d="M{x} 0h16v16h-16z"/>' for x in (0, 32, 64))
    + "</svg>"
).encode()


def touches():
    i = np.arange(90) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 90))
    rows = [f"{x:.5f},{y:.5f},{z:.5f}" for x, y, z in (R + TIP) * unit]
    return read_touches(f"# tip_radius_mm={TIP}\nx_mm,y_mm,z_mm\n" + "\n".join(rows) + "\n", "touches.csv")


def job_of(layers, machine):
    return prepare(
        touches(), layers, Placement(0.0, 0.1), uniform_wall(15.0), CUTTERS, MACHINES[machine], RULES
    )


@pytest.fixture(scope="module", params=["Heron", "Otter"])
def squares(request):
    return job_of(read_artwork(SQUARES, "squares.svg"), request.param)


def read_back(job, programs):
    dry = not any("M3 " in text for _, text in programs)
    read = read_programs([text for _, text in programs], job.machine, dry=dry)
    tips, directions = from_axes(job.machine, read.axes)
    return read, tips, directions


# --- dry run -------------------------------------------------------------------------------------------


def test_a_dry_run_never_starts_the_spindle(squares):
    """No M3 in any block; read back, the spindle stands in every row, and the head says what it is."""
    programs = dry_run(squares)
    for _, text in programs:
        assert not [line for line in text.splitlines() if line.startswith("M3") or " M3" in line]
        assert "the spindle is never started" in text
        assert "spindle isolated" in text
    read, _, _ = read_back(squares, programs)
    assert (read.spindle_rpm == 0).all()


def test_a_dry_run_keeps_its_height(squares):
    """Every tip is 12 mm or more outside the sphere, and every outline is followed at just 12 mm."""
    read, tips, directions = read_back(squares, dry_run(squares))
    height = np.linalg.norm(tips, axis=1) - R
    assert height.min() > 12 - 0.05
    feeding = ~read.rapid
    low = feeding & (height < 12.2)
    # round three squares of 16 mm less the cutter's diameter
    (diameter,) = {CUTTERS[p.cutter].diameter_mm for p in squares.passes}
    step = np.linalg.norm(np.diff(tips, axis=0), axis=1) * R / (R + 12)
    assert step[low[1:] & low[:-1]].sum() == pytest.approx(3 * 4 * (16 - diameter), rel=0.03)
    lon, _ = lonlat_of(tips[low] - 12 * directions[low])
    edges = np.degrees([-0.5 - 0.1, 0.5 + 0.1])
    assert edges[0] < np.degrees(lon).min() < np.degrees(lon).max() < edges[1]


def test_a_dry_run_cuts_nothing(squares):
    """The virtual cut of a dry run leaves the skin whole, were the spindle to turn or not."""
    read, _, _ = read_back(squares, dry_run(squares))
    spun = replace(read, spindle_rpm=np.full(len(read.axes), 12000.0))
    wanted = wanted_cut(squares.layers, squares.chart, None, squares.passes)
    for one in (read, spun):
        cut = virtual_cut(one, squares.machine, CUTTERS, squares.surface, squares.wall, wanted, RULES)
        assert cut.depth_mm.max() == 0


@pytest.mark.parametrize("height", [1.0, 40.0])
def test_a_dry_run_too_near_or_too_far_is_refused(squares, height):
    """Below 2 mm it might touch; beyond the clearance shell it is none."""
    with pytest.raises(BadInput, match="2 to 15 mm, the clearance"):
        dry_run(squares, height)


# --- going on after a stop -----------------------------------------------------------------------------


def test_a_resumed_program_cuts_the_rest_and_nothing_before(squares):
    """From the second region of the job's order on: the first square stays whole, the others are cut."""
    order = [squares.passes[int(i)].region for i in squares.order.sequence]
    regions = list(dict.fromkeys(order))
    programs = resumed(squares, regions[1])
    read, _, _ = read_back(squares, programs)
    wanted = wanted_cut(squares.layers, squares.chart, None, squares.passes)
    cut = virtual_cut(read, squares.machine, CUTTERS, squares.surface, squares.wall, wanted, RULES)
    open_ = {}
    for name, outline in zip(wanted.names, wanted.outlines, strict=True):
        west, south, east, north = outline.buffer(-0.05).bounds
        rows = (cut.latitude_rad > south) & (cut.latitude_rad < north)
        columns = (cut.longitude_rad > west) & (cut.longitude_rad < east)
        open_[name] = cut.depth_mm[np.ix_(rows, columns)].min()
    assert open_[regions[0]] == 0
    assert min(open_[name] for name in regions[1:]) > 15
    assert f"goes on at {regions[1]}; left out as cut: {regions[0]}" in programs[0][1]
    assert "touch three places" in programs[0][1]


def test_a_resumed_program_keeps_the_order(squares):
    """Passes stand in the same order as in the whole program, from the first one of the region on."""

    def passes(programs):
        lines = [line for _, text in programs for line in text.splitlines()]
        return [line for line in lines if line.startswith("(pass: ")]

    whole = passes(squares.programs)
    region = squares.passes[int(squares.order.sequence[-1])].region
    rest = passes(resumed(squares, region))
    assert rest == whole[-len(rest) :]
    assert 0 < len(rest) < len(whole)


def test_a_region_that_is_not_there_is_refused_with_those_that_are(squares):
    """The regions of the job are named."""
    with pytest.raises(BadInput, match="region 'opening 9': expected one of opening"):
        resumed(squares, "opening 9")


# --- the proof mark ------------------------------------------------------------------------------------


def overlap(one, other):
    return one.intersection(other).area / one.union(other).area


def test_the_mark_is_like_no_turn_and_no_mirror_image_of_itself():
    """Against all turns by 5 deg, as it is and mirrored: never more than two thirds alike, but for itself."""
    layers = proof_mark(6.0)
    mark = shapely.union_all([r.polygon for r in layers.regions])
    mark = shapely.affinity.translate(mark, -mark.centroid.x, -mark.centroid.y)
    mirrored = scale(mark, -1, 1, origin=(0, 0))
    for turn in range(0, 360, 5):
        if not 20 < turn < 340:
            assert overlap(mark, rotate(mirrored, turn, origin=(0, 0))) < 0.7
        else:
            assert overlap(mark, rotate(mark, turn, origin=(0, 0))) < 0.7
            assert overlap(mark, rotate(mirrored, turn, origin=(0, 0))) < 0.7


@pytest.mark.parametrize("diameter", [3.0, 6.0])
def test_the_cutter_enters_every_stroke(diameter):
    """Each part keeps an area when the cutter's radius is taken off; the arrow is on top."""
    layers = proof_mark(diameter)
    for region in layers.regions:
        inside = region.polygon.buffer(-diameter / 2)
        assert not inside.is_empty
        # no branch is lost: what opens again covers nearly all
        assert inside.buffer(diameter / 2).area > 0.8 * region.polygon.area
    for one in layers.regions:
        for other in layers.regions:
            assert one is other or one.polygon.distance(other.polygon) > 1.0
    top = max(layers.regions, key=lambda r: r.polygon.bounds[3])
    assert top.name == "arrow to the stem"


def test_a_mark_too_small_for_its_cutter_is_refused():
    """Nine strokes of 6.6 mm need 59 mm."""
    with pytest.raises(BadInput, match="at least 59 mm"):
        proof_mark(6.0, 40.0)


@pytest.fixture(scope="module")
def marked():
    return job_of(proof_mark(3.0, 36.0), "Badger")


def shown(job, machine):
    """Return the share of places cut on a machine that lie in the mark, and in its mirror image.

    The mark's own place round the piece does not count: places are moved so that their middle is the mark's.
    """
    read = read_programs([text for _, text in job.programs], machine)
    tips, _ = from_axes(machine, read.axes)
    cut = tips[~read.rapid & (np.linalg.norm(tips, axis=1) < R - 1)]
    lon, lat = lonlat_of(cut)
    lon = np.angle(np.exp(1j * (lon - np.angle(np.exp(1j * lon).mean()))))
    x, y = R * np.cos(0.1) * lon, R * np.cos(0.1) * (np.arcsinh(np.tan(lat)) - np.arcsinh(np.tan(0.1)))
    mark = shapely.union_all([r.polygon for r in job.layers.regions])
    found = []
    for picture in (mark, scale(mark, -1, 1, origin=(0, 0))):
        best = 0.0
        for shift in np.linspace(-6, 6, 25):
            best = max(best, float(shapely.contains_xy(picture, x + shift, y).mean()))
        found.append(best)
    return found


def test_the_mark_shows_the_right_way_round(marked):
    """Cut by its own machine the mark is itself, far more than its mirror image; nothing is refused."""
    assert not [f for f in marked.findings if f.severity is Severity.REFUSE]
    alike, mirrored = shown(marked, marked.machine)
    assert alike > 0.97
    assert mirrored < 0.85


def test_a_rewired_axis_is_seen_on_the_mark(marked):
    """The same program on a machine whose table turns the other way: the mark comes out mirrored."""
    axes = [
        replace(a, direction=tuple(-d for d in a.direction)) if a.word == "C" else a
        for a in marked.machine.axes
    ]
    rewired = replace(marked.machine, axes=tuple(axes))
    alike, mirrored = shown(marked, rewired)
    assert mirrored > 0.97
    assert alike < 0.85
