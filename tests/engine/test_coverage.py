"""The picture of what is known: every touch, the cells' colours, overhangs and suggestions are on it."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import shapely

from engine.coverage import coverage_svg
from engine.frames import unit_of
from engine.records import ProbeScan
from engine.surface import fit_surface

SVG = "{http://www.w3.org/2000/svg}"


def fitted():
    i = np.arange(100) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(0.75 * (1 - 2 * i / 100)))
    rng = np.random.default_rng(0)
    centres = (80 - 6 * unit[:, 2] ** 2 + 0.1 * rng.standard_normal(100))[:, None] * unit
    return fit_surface(ProbeScan(centres, 0.0, np.arange(100), np.arange(100), "0"))[0]


def drawn(**more):
    return ET.fromstring(coverage_svg(fitted(), title="piece <7>", **more))


def test_every_touch_is_a_dot_at_its_place():
    """One hundred touches, one hundred dots; the northernmost lies highest."""
    surface = fitted()
    dots = ET.fromstring(coverage_svg(surface)).findall(f"{SVG}circle")
    assert len(dots) == 100
    heights = [float(dot.get("cy")) for dot in dots]
    z = surface.points_seat_mm[:, 2] - surface.origin_seat_mm[2]
    assert int(np.argmin(heights)) == int(np.argmax(z / np.linalg.norm(surface.points_seat_mm, axis=1)))


def test_the_colour_tells_the_deviation():
    """Cells have as many colours as classes of deviation occur, and unknown caps differ from the waist."""
    surface = fitted()
    unknown = replace(
        surface, deviation_mm=np.where(np.arange(31)[:, None] < 4, 3.0, 0.05) * np.ones((31, 60))
    )
    cells = [r for r in ET.fromstring(coverage_svg(unknown)).findall(f"{SVG}rect") if r.get("stroke") is None]
    colours = [r.get("fill") for r in cells if r.get("fill", "").startswith("#")]
    assert len(colours) == 31 * 60
    assert len(set(colours)) == 2
    assert colours.count(colours[0]) == 4 * 60


def test_overhangs_designs_and_suggestions_are_shown():
    """Hatched cells, an outline that breaks at the back, and numbers in the order of use."""
    masked = np.zeros((31, 60), bool)
    masked[20, 5:8] = True
    surface = replace(fitted(), masked=masked)
    outline = shapely.box(np.radians(170), -0.2, np.radians(190), 0.2)
    text = coverage_svg(surface, outlines=[outline], suggested_deg=np.array([[10.0, 20.0], [30.0, -5.0]]))
    root = ET.fromstring(text)
    hatched = [r for r in root.findall(f"{SVG}rect") if r.get("fill") == "url(#hatch)"]
    assert len(hatched) == 3 + 1  # and the legend's
    assert any((p.get("d") or "").count("M") > 1 for p in root.findall(f"{SVG}path"))
    said = [t.text for t in root.findall(f"{SVG}text")]
    assert "1" in said
    assert "2" in said


def test_a_title_cannot_break_the_picture():
    """What a file is called is text and nothing else."""
    assert drawn().find(f"{SVG}text").text == "piece <7>"
