"""From touches and a drawing to a proven program, on each machine of the season, and refusals on the way.

The piece is a foam sphere touched at 90 places with a tip of 1 mm: its shape, and so the proof, is known
without the engine. Limits of the proof: outline 0.15 mm, half of what the rules allow; depth 0.1 mm, a third
of it.
"""

import hashlib
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from engine.artwork import read_artwork
from engine.axes import from_axes
from engine.chart import Projection
from engine.errors import CannotBeDone, Stopped
from engine.files import read_cutters, read_machine, read_touches, uniform_wall
from engine.frames import unit_of
from engine.prepare import Names, outline_of_job, prepare, run_on, wanted_cut
from engine.program import read_programs
from engine.proof import virtual_cut
from engine.records import KeepOut, Placement, Severity
from engine.rules import rules_for
from seed_demo.fleet import cutters_file, machine_files

R, TIP = 70.0, 1.0
MIDDLE = np.array([2.0, -1.0, 3.0])  # of the sphere, in the seat frame
RULES = rules_for("foam")
SHELL = R + RULES.clearance_mm
CUTTERS = read_cutters(cutters_file(), "cutters.json")
MACHINES = {name: read_machine(text, name) for name, text in machine_files().items()}


def touches_csv():
    i = np.arange(90) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 90))
    rows = [f"{x:.5f},{y:.5f},{z:.5f}" for x, y, z in MIDDLE + (R + TIP) * unit]
    return f"# tip_radius_mm={TIP}\nx_mm,y_mm,z_mm\n" + "\n".join(rows) + "\n"


def drawing(path, width=16, height=16):
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}"><path fill-rule="evenodd" d="{path}"/></svg>'
    ).encode()


SQUARE = drawing("M0 0h16v16h-16z")
F_SHAPE = drawing("M0 0h30v9h-21v7h14v9h-14v15h-9z", 30, 40)
ISLAND = drawing("M0 0h40v40h-40z M12 12h16v16h-16z", 40, 40)


def job_on(machine, svg=SQUARE, placement=None, **more):
    return prepare(
        read_touches(touches_csv(), "touches.csv"),
        read_artwork(svg, "drawing.svg"),
        placement or Placement(0.0, 0.1),
        uniform_wall(15.0),
        CUTTERS,
        MACHINES[machine] if isinstance(machine, str) else machine,
        RULES,
        **more,
    )


@pytest.fixture(scope="module", params=MACHINES)
def square_job(request):
    return job_on(request.param)


@pytest.fixture(scope="module")
def letter_job():
    """An F, which no turning over turns into itself."""
    return job_on("Heron", F_SHAPE, Placement(0.0, 0.0))


# --- the proof -----------------------------------------------------------------------------------------


def test_the_program_cuts_what_was_drawn(square_job):
    """Read back, the outline is true to 0.15 mm, the depth to 0.1 mm, and nothing outside is hurt."""
    cut = square_job.cut
    assert 0 < cut.outline_max_mm <= 0.15
    assert cut.outline_median_mm <= cut.outline_p99_mm <= cut.outline_max_mm
    assert 0 < cut.depth_max_mm <= 0.1
    assert cut.outside_mm2 == 0
    assert cut.travel_inside_mm <= 0
    assert not [f for f in square_job.findings if f.severity is Severity.REFUSE]


def test_the_skin_is_the_sphere(square_job):
    """90 touches less the tip: the sphere and its middle, to a hundredth."""
    np.testing.assert_allclose(square_job.surface.origin_seat_mm, MIDDLE, atol=1e-3)
    np.testing.assert_allclose(square_job.surface.radius_mm, R, atol=0.01)


def test_the_hole_lies_where_it_was_placed(square_job):
    """The deepest of the virtual cut is round the placement, 15 mm of wall gone, and 16 mm wide and high."""
    cut = square_job.cut
    lon, lat = np.meshgrid(cut.longitude_rad, cut.latitude_rad)
    through = cut.depth_mm >= 15.0
    lon = np.remainder(lon[through] + np.pi, 2 * np.pi) - np.pi
    assert np.degrees([lon.mean(), lat[through].mean()]) == pytest.approx(np.degrees([0.0, 0.1]), abs=0.3)
    # the scale is true at latitude 0.1; a grid cell of the cut is about a quarter of a millimetre
    wide = (lon.max() - lon.min()) * R * np.cos(0.1)
    assert wide == pytest.approx(16.0, abs=0.8)


def test_travel_keeps_to_the_clearance_shell(square_job):
    """Sampled on the machine's own axes, a G0 of the program is outside the shell, or a retract.

    DEVELOPERS.md: `G0` runs only at or outside the clearance shell, apart from a straight retract along the
    cutter's axis. The tip's place comes from the reader and the machine's chain, not from the planned moves.
    """
    machine = square_job.machine
    read = read_programs([text for _, text in square_job.programs], machine)
    for i in range(1, len(read.axes)):
        if not read.rapid[i]:
            continue
        share = np.linspace(0, 1, 15)[:, None]
        tips, axes = from_axes(machine, read.axes[i - 1] + share * (read.axes[i] - read.axes[i - 1]))
        tips = tips - square_job.surface.origin_seat_mm
        far = np.linalg.norm(tips, axis=1)
        if read.rapid[i - 1]:
            # a chord of axes is not a chord in space; what the shell's own chord allowance leaves is kept
            assert far.min() >= SHELL - 0.1
        else:
            assert far[-1] >= SHELL - 0.01
            assert (np.diff(far) > 0).all()
            way = (tips[-1] - tips[0]) / np.linalg.norm(tips[-1] - tips[0])
            np.testing.assert_allclose(axes @ way, 1.0, atol=1e-5)


def test_the_axes_keep_their_limits_and_hit_the_tips(square_job):
    """No axis leaves its range, and forward through the chain the planned tips come back to 0.001 mm."""
    poses, machine = square_job.poses, square_job.machine
    for column, axis in enumerate(machine.axes):
        if axis.minimum is not None:
            assert poses.axes[:, column].min() >= axis.minimum - 1e-6
        if axis.maximum is not None:
            assert poses.axes[:, column].max() <= axis.maximum + 1e-6
    tips, _ = from_axes(machine, poses.axes)
    wanted = square_job.toolpath.tips_work_mm + MIDDLE
    np.testing.assert_allclose(tips[1:-1], wanted[1:-1], atol=2e-3)


def test_a_job_of_one_cutter_fits_no_other(square_job):
    """One opening, one cutter: it alone is named, fitted and put into one program, and nothing is changed."""
    used = {p.cutter for p in square_job.passes}
    assert len(used) == 1
    (cutter,) = used
    assert set(square_job.toolpath.cutter.tolist()) == used
    assert len(square_job.programs) == 1
    text = square_job.programs[0][1]
    assert [line for line in text.splitlines() if line.startswith("M6")] == [
        f"M6 T{cutter + 1} ({CUTTERS[cutter].name})"
    ]


def test_the_program_says_what_it_is_for(square_job):
    """Its head names scan (sha256 of the probe file, 12 digits) and machine: DEVELOPERS.md, program."""
    text = square_job.programs[0][1]
    digest = hashlib.sha256(touches_csv().encode()).hexdigest()[:12]
    assert f"(scan: {digest})" in text
    assert f"(machine: {square_job.machine.name})" in text
    assert text.rstrip().endswith("M2")


def test_time_and_wear_add_up(square_job):
    """Cutting takes at least its length at feed, and wear is a small share of a life."""
    run = square_job.run
    feed = max(CUTTERS[p.cutter].feed_mm_per_min for p in square_job.passes)
    assert run.cutting_s > 60 * run.cutting_mm / feed
    # contour of a 16 mm square, seven levels or so: more than 4 levels of 48 mm
    assert run.cutting_mm > 150
    assert run.total_s == pytest.approx(run.cutting_s + run.travel_s + run.change_s)
    assert all(0 <= share < 0.02 for share in square_job.wear)
    assert sum(square_job.wear) > 0


@pytest.mark.parametrize("latitude_deg", [30, 45])
def test_away_from_the_waist_the_outline_is_as_true(latitude_deg):
    """A square of 26 mm, whose skin grows smaller towards the stem, corners and all, to the same 0.15 mm."""
    job = job_on("Badger", drawing("M0 0h26v26h-26z", 26, 26), Placement(0.3, np.radians(latitude_deg)))
    assert 0 < job.cut.outline_max_mm <= 0.15


# --- the same again ------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_program():
    """Two runs are equal to the byte."""
    assert job_on("Badger").programs == job_on("Badger").programs


def test_steps_are_reported_in_order():
    """Every step is told once, counted up, of the same total."""
    told = []
    job_on("Badger", report=lambda done, total, note: told.append((done, total, note)))
    assert [done for done, _, _ in told] == list(range(len(told)))
    assert {total for _, total, _ in told} == {len(told)}
    assert told[0][2] == "shape of the piece"
    assert "virtual cut" in [note for _, _, note in told]


@pytest.mark.parametrize("asks", [0, 1, 3, 6])
def test_a_stop_is_heeded(asks):
    """When `stop` says so, at whichever step, the work ends and says that nothing was written."""
    left = [asks]

    def stop():
        left[0] -= 1
        return left[0] < 0

    with pytest.raises(Stopped, match="nothing was written"):
        job_on("Badger", stop=stop)


# --- mirrored ------------------------------------------------------------------------------------------


def turned_round(machine, word):
    axes = tuple(
        replace(a, direction=tuple(-v for v in a.direction)) if a.word == word else a for a in machine.axes
    )
    return replace(machine, axes=axes)


def test_a_rotary_axis_that_turns_the_other_way_is_found(letter_job):
    """The same program on a machine whose C turns the other way cuts a mirrored F: refused as mirrored."""
    job = letter_job
    read = read_programs([text for _, text in job.programs], job.machine)
    wanted = wanted_cut(job.layers, job.chart, None, job.passes)
    same = virtual_cut(read, job.machine, job.cutters, job.surface, job.wall, wanted, RULES)
    assert not [f for f in same.findings if f.severity is Severity.REFUSE]
    wrong = turned_round(job.machine, "C")
    cut = virtual_cut(read, wrong, job.cutters, job.surface, job.wall, wanted, RULES)
    assert ("mirrored", Severity.REFUSE) in [(f.rule, f.severity) for f in cut.findings]


def test_the_letter_stands_upright_and_reads_from_outside(letter_job):
    """On the skin, seen from outside, the F's stem is left (smaller longitude) and its top arm up."""
    cut = letter_job.cut
    through = cut.depth_mm >= 15.0
    lon, lat = np.meshgrid(np.remainder(cut.longitude_rad + np.pi, 2 * np.pi) - np.pi, cut.latitude_rad)

    def at(x, y):
        return through[np.unravel_index(np.argmin((lon - x / R) ** 2 + (lat - y / R) ** 2), lon.shape)]

    rim = 4.5  # half the width of a stroke
    assert at(-15 + rim, -15)  # foot of the stem: opened by its outline
    assert not at(10, -15)  # right of it, below the arms: skin
    assert at(15 - rim - 1, 20 - rim)  # end of the top arm


def test_turned_over_on_request_is_no_mistake():
    """`mirror` cuts the F turned over, and the proof agrees."""
    job = job_on("Heron", F_SHAPE, Placement(0.0, 0.0, mirror=True))
    assert not [f for f in job.findings if f.severity is Severity.REFUSE]
    assert job.cut.outline_max_mm <= 0.15


# --- refusals ------------------------------------------------------------------------------------------


def test_a_free_island_is_refused_with_reasons():
    """A ring would let its middle fall: the job is refused and the finding comes along."""
    with pytest.raises(CannotBeDone) as refused:
        job_on("Badger", ISLAND)
    assert [f for f in refused.value.findings if f.severity is Severity.REFUSE and "island" in f.rule]


def test_islands_are_held_on_request():
    """With bridges the same drawing is cut and proven, and says which bridges it got."""
    job = job_on("Wren", ISLAND, suggest_bridges=True)
    assert len(job.bridges) == 2
    assert len(job.layers.regions) == 2
    assert not job_on("Wren").bridges


def test_a_keep_out_under_the_design_refuses_it():
    """A clamp under the window: refused by its rule; the same clamp behind the piece does not matter."""
    with pytest.raises(CannotBeDone, match="clamp") as caught:
        job_on("Wren", keep_outs=[KeepOut("clamp", 0.0, 0.1, 10.0, 5.0)])
    assert "keep-out: clamp" in {f.rule for f in caught.value.findings}
    assert job_on("Wren", keep_outs=[KeepOut("clamp", np.pi, 0.1, 10.0, 5.0)]).programs


@pytest.mark.parametrize("projection", [Projection.EQUAL_AREA, Projection.STEREOGRAPHIC])
def test_on_other_charts_the_outline_is_as_true(projection):
    """The program cuts what that chart lays on the skin, to half of what the rules allow."""
    job = job_on("Heron", F_SHAPE, Placement(0.4, 0.5, 0.3), projection=projection)
    assert job.chart.projection == projection
    assert job.cut.outline_p99_mm <= 0.15
    assert job.cut.depth_max_mm <= 0.1


def test_a_place_out_of_reach_names_machine_and_pass():
    """Where an axis ends, machine, pass and axis are told, never a silent clip."""
    short = replace(
        MACHINES["Heron"],
        axes=tuple(replace(a, maximum=2.0) if a.word == "B" else a for a in MACHINES["Heron"].axes),
    )
    with pytest.raises(CannotBeDone, match=r"Heron") as refused:
        job_on(short, placement=Placement(0.0, np.radians(50)))
    assert refused.value.findings


def test_a_loose_probe_stops_the_job():
    """A first place that moved by 2 mm at its re-touch means that nothing on the piece can be trusted."""
    scan = read_touches(touches_csv(), "touches.csv")
    again = scan.centres_seat_mm[0] + [0.0, 0.0, 2.0]
    scan = replace(
        scan,
        centres_seat_mm=np.concatenate([scan.centres_seat_mm, [again]]),
        touch_numbers=np.append(scan.touch_numbers, scan.touch_numbers[0]),
        lines=np.append(scan.lines, 99),
    )
    layers = read_artwork(SQUARE, "drawing.svg")
    with pytest.raises(CannotBeDone, match=r"re-touched place moved by 2\.00 mm"):
        prepare(scan, layers, Placement(), uniform_wall(15.0), CUTTERS, MACHINES["Badger"], RULES)


# --- the same passes on other machines -----------------------------------------------------------------


def test_on_its_own_machine_the_estimate_is_the_run():
    """`run_on` the machine it was prepared for gives the times of the job itself."""
    job = job_on("Badger")
    run, wear = run_on(job, MACHINES["Badger"])
    assert run.cutting_s == pytest.approx(job.run.cutting_s, rel=0.01)
    assert run.total_s == pytest.approx(job.run.total_s, rel=0.02)
    assert wear == pytest.approx(job.wear, rel=0.01)


def test_an_outline_is_timed_like_the_job_on_another_machine():
    """What the planner times for Otter agrees with the job prepared afresh for Otter, to a tenth."""
    outline = outline_of_job(
        read_touches(touches_csv(), "touches.csv"),
        read_artwork(SQUARE, "drawing.svg"),
        Placement(0.0, 0.1),
        uniform_wall(15.0),
        CUTTERS,
        MACHINES["Badger"],
        RULES,
    )
    run, _ = run_on(outline, MACHINES["Otter"])
    assert run.cutting_s == pytest.approx(job_on("Otter").run.cutting_s, rel=0.1)


def test_names_reach_the_program():
    """Job and workpiece are on the program's head."""
    text = job_on("Badger", names=Names("moon", "L-017")).programs[0][1]
    assert "(job: moon)" in text
    assert "(workpiece: L-017)" in text


# --- scans that are not to be trusted ------------------------------------------------------------------


def lipped_csv():
    """A sphere with a lip at 30 to 36 deg of latitude by the front mark, touched from below as well."""
    i = np.arange(160) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 160))
    lon = np.radians([-6, -2, 2, 6] * 2)
    over, under = (unit_of(lon, np.radians([low] * 4 + [low + 5] * 4)) for low in (31, 30))
    rows = np.concatenate([80 * unit, 80 * over, 65 * under])
    return "x_mm,y_mm,z_mm\n" + "\n".join(f"{x:.4f},{y:.4f},{z:.4f}" for x, y, z in rows) + "\n"


def test_a_design_on_an_overhang_is_refused_with_a_picture():
    """The refusal names the region, and a picture shows piece and design; elsewhere the job is done."""
    scan = read_touches(lipped_csv(), "touches.csv")
    rest = (uniform_wall(15.0), CUTTERS, MACHINES["Heron"], RULES)
    design = read_artwork(SQUARE, "square.svg")
    with pytest.raises(CannotBeDone, match="overhangs") as refused:
        prepare(scan, design, Placement(0.0, np.radians(32)), *rest)
    assert {f.place for f in refused.value.findings if f.rule == "overhang" and f.place} == {"opening 1"}
    assert refused.value.picture.startswith("<svg") and "square.svg" in refused.value.picture
    assert prepare(scan, design, Placement(2.5, 0.0), *rest).passes


def test_a_refusal_that_no_picture_explains_has_none():
    """A free island is one wherever it lies."""
    with pytest.raises(CannotBeDone, match="island") as refused:
        job_on("Heron", ISLAND)
    assert refused.value.picture == ""


def test_an_old_scan_stops_the_job():
    """Hollow since nine hours, with four valid: refused; at five it is told."""
    text = "# state=hollow\n# taken_at=2026-10-21T06:00+00:00\n" + touches_csv()
    scan = read_touches(text, "touches.csv")
    rest = (Placement(0.0, 0.1), uniform_wall(15.0), CUTTERS, MACHINES["Heron"], RULES)
    design = read_artwork(SQUARE, "square.svg")
    with pytest.raises(CannotBeDone, match=r"9\.0 h old"):
        prepare(scan, design, *rest, now=datetime(2026, 10, 21, 15, tzinfo=UTC))
    job = prepare(scan, design, *rest, now=datetime(2026, 10, 21, 11, tzinfo=UTC))
    assert [f.rule for f in job.findings if f.severity is Severity.WARN] == ["scan age"]


def test_tabs_are_told_where_the_work_is_done():
    """A window of 40 mm leaves a slug on tabs: program and findings say that they are cut by hand."""
    job = job_on("Heron", drawing("M0 0h40v40h-40z", 40, 40))
    (told,) = [f for f in job.findings if f.rule == "slug tabs"]
    assert "by hand" in told.fix and told.place == "opening 1"
    assert any("hangs on" in text and "by hand" in text for _, text in job.programs)
    assert job.cut.outline_p99_mm < 0.15 and job.cut.depth_max_mm < 0.1
