"""`lanternwright chart`: sizes along the skin of a ball of known radius, by closed forms."""

import math

import numpy as np
import pytest
from click.testing import CliRunner

from engine.chart import Projection
from planner.cli import main
from planner.commands.charting import _PROJECTIONS


@pytest.fixture
def files(tmp_path):
    i = np.arange(90) + 0.5
    lon, lat = i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 90)
    rows = zip(
        100 * np.cos(lat) * np.cos(lon), 100 * np.cos(lat) * np.sin(lon), 100 * np.sin(lat), strict=True
    )
    (tmp_path / "touches.csv").write_text(
        "x_mm,y_mm,z_mm\n" + "".join(f"{x:.5f},{y:.5f},{z:.5f}\n" for x, y, z in rows)
    )
    (tmp_path / "window.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="100mm" viewBox="0 0 120 100">'
        '<path d="M0 0h120v100h-120z"/></svg>'
    )
    return tmp_path


def run(files, *more, code=0):
    words = ["chart", "--artwork", str(files / "window.svg"), "--touches", str(files / "touches.csv"), *more]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == code, result.output
    return result.output


def test_sizes_on_a_ball(files):
    """On the waist of R = 100: 120 mm across, 2 R gd(0.5) = 96.1 mm up, tanh(0.5) / 0.5 of the area."""
    said = run(files, "--latitude", "0", "--picture", str(files / "picture.svg"))
    up = 200 * math.atan(math.sinh(0.5))
    assert f"120.0 x {up:.1f} mm along the skin, 92 % of the area" in said
    assert (files / "picture.svg").read_text().startswith("<svg")


def test_as_drawn(files):
    """To come out 100 mm high it is drawn 2 R asinh(tan(0.5)) high, in proportion."""
    said = run(files, "--latitude", "0", "--as-drawn", "height")
    factor = 2 * math.asinh(math.tan(0.5))
    assert f"--width-mm {120 * factor:.1f} makes its height as drawn" in said


def test_every_projection_can_be_chosen(files):
    """The command's list is the engine's."""
    assert list(_PROJECTIONS) == list(Projection)
    assert run(files, "--projection", "equal-area").startswith("equal-area: 120.0 x 100.0 mm drawn are")
    assert "100 % of the area" in run(files, "--projection", "equal-area")


def test_what_does_not_fit_is_refused(files):
    """Exit 2 and one line."""
    said = run(files, "--width-mm", "900", "--as-drawn", "height", code=2)
    assert "cannot come out as big as drawn" in said
    assert len(said.strip().splitlines()) == 1
