"""Does anything here rest on a formula that is often told and wrong? One test for each such trap.

The first, about a printed northing, stands with its map, `test_snyders_ellipsoidal_mercator`;
the fifth, about the tip of a probe, with the skin: `test_the_tip_is_taken_off_along_the_normal_...`.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import Polygon, box

from engine.offset import offset_region
from engine.skin_metric import metric_of
from tests.bench.order import _read_clustered, grown_clusters

TOP = Path(__file__).parents[2]
CLUSTERED = TOP.parent / "shared" / "data" / "gtsplib" / "39rat195.gtsp"
PLAIN = metric_of(-100.0, -100.0, 4.0, np.ones((3, 60, 60)) * np.array([1.0, 0, 1])[:, None, None])
L_SHAPE = box(0, 0, 40, 40) - box(10, 10, 40, 40)


def eroded_mm2(shape, radius):
    return sum(Polygon(ring).area for ring in offset_region(shape, PLAIN, radius).contours)


@pytest.mark.parametrize("corners", [3, 4, 6])
def test_the_area_inside_an_offset_is_not_steiner_s_with_a_minus(corners):
    """A - P r + r2 sum cot(alpha / 2) for convex polygons, and not A - P r + pi r2 (that is for growing).

    cot(alpha / 2) sums to 3 sqrt(3) for the triangle, 4 for the square, 6 / sqrt(3) for the hexagon.
    """
    angle = 2 * np.pi * np.arange(corners) / corners
    shape = Polygon(30 * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    cot = corners / np.tan(np.pi * (corners - 2) / corners / 2)
    assert cot == pytest.approx({3: 3 * np.sqrt(3), 4: 4, 6: 6 / np.sqrt(3)}[corners])
    found = eroded_mm2(shape, 5)
    assert found == pytest.approx(shape.area - 5 * shape.length + 25 * cot, abs=0.05)
    assert abs(found - (shape.area - 5 * shape.length + 25 * np.pi)) > 5


def test_a_mitred_buffer_is_not_what_a_round_cutter_leaves():
    """At each reflex corner of 90 deg a mitre eats (1 - pi / 4) r2 more: 256 against 257.931 mm2 of the L."""
    mitred = shapely.buffer(L_SHAPE, -3, join_style="mitre").area
    assert mitred == pytest.approx(256)
    found = eroded_mm2(L_SHAPE, 3)
    assert found == pytest.approx(700 - 160 * 3 + 9 * (5 - np.pi / 4), abs=0.04)
    assert found - mitred == pytest.approx((1 - np.pi / 4) * 9, abs=0.04)


def test_clusters_are_grown_on_rounded_distances_from_the_farthest_node():
    """Rebuilt so, all 39 sets of the published file agree; on unrounded distances ten of them do.

    Fischetti, Salazar Gonzalez, Toth, Operations Research 45(3), 1997, 378-394; the file is GTSPLIB's.
    """
    if not CLUSTERED.exists():
        pytest.skip(f"{CLUSTERED.name} does not lie beside the project")
    rounded, published = _read_clustered(CLUSTERED)
    rows = CLUSTERED.read_text().split("NODE_COORD_SECTION")[1].split("GTSP_SET")[0].strip().splitlines()
    places = np.array([[float(v) for v in row.split()[1:3]] for row in rows])
    exact = np.linalg.norm(places[:, None] - places[None], axis=2)
    wanted = {tuple(sorted(nodes.tolist())) for nodes in published}
    agree = [
        sum(tuple(sorted(nodes.tolist())) in wanted for nodes in grown_clusters(distances))
        for distances in (rounded, exact)
    ]
    assert agree == [39, 10]


def test_no_outdated_bound_of_a_benchmark_is_quoted():
    """Bounds of the flexible job shops mk06, mk10 and mk15 that old collections carry are not used here.

    Brandimarte, Annals of Operations Research 41, 1993: now known are 57, 189 to 193 and 333; the old lists
    say 33 to 58, 175 to 197 and 283 to 341.
    """
    old = re.compile(r"mk06\D{1,12}(33|58)\b|mk10\D{1,12}(175|197)\b|mk15\D{1,12}(283|341)\b", re.IGNORECASE)
    assert old.search("mk06 58") and not old.search("mk06 57")
    places = [p for folder in ("tests", "planner") for p in (TOP / folder).rglob("*.py")]
    quoting = [str(p.relative_to(TOP)) for p in places if p != Path(__file__) and old.search(p.read_text())]
    assert quoting == []
