"""Is a trial judged as a job would be, and do bridges hold what hung on nothing?"""

from __future__ import annotations

import json
import math
from base64 import b64decode
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from planner.errors import NotFound, Refused
from planner.services import trying
from planner.services.preparing import JobInputs

_HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="120mm" viewBox="0 0 120 120">'
_RING = '<path class="opening" fill-rule="evenodd" d="M10 10 H110 V110 H10 Z M40 40 H80 V80 H40 Z"/>'
_SQUARE = '<path class="opening" d="M20 20 H100 V100 H20 Z"/>'


def _inputs(drawing: str, **changed: Any) -> JobInputs:
    """Return the practice sphere's inputs with a drawing."""
    said: dict[str, Any] = {
        "job_id": 0, "label": "trial", "workpiece": "foam sphere", "kind": "foam",
        "touches": trying.sphere_touches(), "tip_radius_mm": 0.0,
        "walls": "longitude_deg,latitude_deg,wall_mm,sigma_mm\n0,0,25,0.2\n",
        "artwork": f"{_HEAD}{drawing}</svg>".encode(), "artwork_name": "a.svg", "treatment": None,
        "width_mm": 120.0, "longitude_deg": 0.0, "latitude_deg": 0.0, "turn_deg": 0.0, "mirror": False,
        "cutters": json.dumps(trying._PRACTICE_CUTTERS), "machines": (),
    }  # fmt: skip
    return JobInputs(**(said | changed))


def test_the_practice_sphere_is_a_sphere() -> None:
    """Expected: radius 140 mm everywhere, and the chart of a sphere, q = asinh(tan(latitude))."""
    skin = trying.skin_of(_inputs(_SQUARE))
    assert np.abs(np.array(skin["radius_mm"]) - 140.0).max() < 0.2
    chart = skin["chart"]
    at = np.radians(chart["first_deg"] + chart["step_deg"] * np.arange(len(chart["isometric"])))
    assert np.abs(np.array(chart["isometric"]) - np.arcsinh(np.tan(at))).max() < 0.01
    assert np.abs(np.array(chart["parallel_mm"]) - 140.0 * np.cos(at)).max() < 0.2


def test_the_pattern_is_open_where_the_drawing_is() -> None:
    """The ring covers 100 x 100 less 40 x 40 mm of its own 100 x 100 mm box: 84 % is open."""
    pattern = trying.pattern_of(_inputs(_RING))
    light = np.frombuffer(b64decode(pattern["light"]), np.uint8).reshape(pattern["rows"], pattern["columns"])
    assert light[light.shape[0] // 2, light.shape[1] // 2] == 0
    assert light[5, 5] == 255
    assert float((light > 127).mean()) == pytest.approx(0.84, abs=0.01)


def test_an_island_is_found_and_hung_on_bridges() -> None:
    """Before: the middle falls out. After: nothing refuses, and the middle is still there."""
    inputs = _inputs(_RING)
    before = trying.judge(inputs)
    assert [f["rule"] for f in before if f["severity"] == "refuse"] == ["free island"]
    assert trying.can_bridge(before[0])
    mended = replace(inputs, artwork=trying.with_bridges(inputs), artwork_name="b.svg")
    assert [f for f in trying.judge(mended) if f["severity"] == "refuse"] == []
    pattern = trying.pattern_of(mended)
    light = np.frombuffer(b64decode(pattern["light"]), np.uint8).reshape(pattern["rows"], pattern["columns"])
    assert light[light.shape[0] // 2, light.shape[1] // 2] == 0
    assert 0.6 < float((light > 127).mean()) < 0.84  # bridges take something away, not the picture


def test_what_holds_is_not_mended() -> None:
    """A plain square has neither island nor thin bridge."""
    with pytest.raises(Refused, match="no island and no thin bridge"):
        trying.with_bridges(_inputs(_SQUARE))


def test_widths_that_help_go_by_proportion() -> None:
    """A bridge of 4 mm that needs 8 is as wide as needed at twice the size; a latitude shrinks it."""
    bridge = {"rule": "bridge width", "measured": 4.0, "allowed": 8.0}
    assert trying.size_remedies(bridge, 100.0) == (("larger", 200),)
    high = {"rule": "latitude", "measured": 80.0, "allowed": 60.0}
    assert trying.size_remedies(high, 100.0) == (("smaller", 75),)
    assert trying.size_remedies({"rule": "open share", "measured": 4.0, "allowed": 8.0}, 100.0) == ()


def test_a_trial_of_nothing_is_refused(db: Session) -> None:
    """A design that is not there, and places that are none."""
    with pytest.raises(NotFound):
        trying.trial_inputs(db, trying.Trial(999))
    assert math.isclose(trying.SPHERE_MM, 280.0)
