"""`lanternwright touches`: plan, look, suggest, refit; every refusal is one clear line with its exit code."""

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from engine.files import read_touches
from engine.frames import unit_of
from planner.cli import main

MIDDLE = np.array([0.0, 0.0, 120.0])


def body(unit):
    x, y, z = unit.T
    ribs = 3 * np.cos(8 * np.arctan2(y, x)) * (1 - z**2) ** 2
    return 110 - 12 * z**2 + 5 * x * (1 - z**2) + 3 * x * y - 2 * y * z + ribs


def probe_file(path, unit, turn=None, numbers=None):
    points = body(unit)[:, None] * unit @ (np.eye(3) if turn is None else turn).T + MIDDLE
    numbers = np.arange(len(unit)) if numbers is None else numbers
    rows = [f"{x:.5f},{y:.5f},{z:.5f},{n}" for (x, y, z), n in zip(points.tolist(), numbers, strict=True)]
    path.write_text("\n".join(["x_mm,y_mm,z_mm,touch", *rows]) + "\n")
    return path


@pytest.fixture
def piece(tmp_path):
    i = np.arange(160) + 0.5
    return probe_file(
        tmp_path / "piece.csv", unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(-0.75 + 1.5 * i / 160))
    )


def run(*words, code=0):
    result = CliRunner().invoke(main, ["touches", *map(str, words)])
    assert result.exit_code == code, result.output
    return result.output


def test_a_plan_is_written(tmp_path):
    """Thirty meridians for ten ribs, the first three places again at the end, minutes told."""
    said = run("plan", "--ribs", 10, "--out", tmp_path / "plan.csv")
    with (tmp_path / "plan.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert rows[-3]["touch"] == "1"
    assert f"{len(rows)} touches, about {len(rows) * 4 / 60:.0f} min" in said
    part = run("plan", "--ribs", 10, "--west", -40, "--east", 40, "--out", tmp_path / "part.csv")
    assert int(part.split(": ")[1].split()[0]) < len(rows)


def test_a_look_tells_what_is_known(piece, tmp_path):
    """Middle, noise and deviation in words, and a picture."""
    said = run("look", "--touches", piece, "--out", tmp_path / "known.svg")
    assert "160 places, middle at " in said
    assert "mm RMS" in said
    assert (tmp_path / "known.svg").read_text().startswith("<svg")


def test_suggestions_are_listed_and_written(piece, tmp_path):
    """In the order of use, with expected tip centres that lie on the piece, and a picture."""
    said = run(
        "suggest", "--touches", piece, "--count", 4, "--out", tmp_path / "next.csv", "--picture",
        tmp_path / "next.svg", "--north", 50, "--south", -50,
    )  # fmt: skip
    assert said.count("longitude") == 4
    with (tmp_path / "next.csv").open() as file:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    assert len(rows) == 4
    for row in rows:
        relative = np.array([row["x_mm"], row["y_mm"], row["z_mm"]]) - MIDDLE
        size = np.linalg.norm(relative)
        assert size == pytest.approx(body(relative[None] / size)[0], abs=0.5)
        assert relative @ [row["i"], row["j"], row["k"]] < 0
    assert ">4</text>" in (tmp_path / "next.svg").read_text()


def test_a_re_clamped_piece_is_carried_on(piece, tmp_path):
    """Turned by 1.5 deg: the new probe file is the old one turned, and the design's place is told."""
    turn = Rotation.from_euler("zx", [1.5, 0.2], degrees=True).as_matrix()
    lon = np.radians(np.arange(9) * 47.0)
    again = probe_file(tmp_path / "again.csv", unit_of(lon, np.resize([-0.4, 0.1, 0.6], 9)), turn)
    said = run(
        "refit", "--touches", piece, "--again", again, "--out", tmp_path / "moved.csv", "--pose",
        tmp_path / "pose.json", "--longitude", 10, "--accept-mm", 0.3,
    )  # fmt: skip
    assert said.startswith("refit: ")
    pose = json.loads((tmp_path / "pose.json").read_text())
    assert pose["verdict"] == "refit"
    found = np.degrees(Rotation.from_matrix(pose["rotation"]).as_rotvec())
    assert found[2] == pytest.approx(1.5, abs=0.3)
    old, new = (read_touches(p.read_text(), p.name).centres_seat_mm for p in (piece, tmp_path / "moved.csv"))
    moved = old @ np.array(pose["rotation"]).T + np.array(pose["shift_mm"])
    np.testing.assert_allclose(new, moved, atol=1e-3)
    longitude = float(said.split("--longitude ")[1].split()[0])
    assert longitude == pytest.approx(11.5, abs=0.3)


def test_a_piece_to_be_probed_afresh_ends_with_3(piece, tmp_path):
    """Nothing is written for it but the verdict."""
    turn = Rotation.from_euler("y", 9, degrees=True).as_matrix()
    lon = np.radians(np.arange(9) * 47.0)
    again = probe_file(tmp_path / "again.csv", unit_of(lon, np.resize([-0.4, 0.1, 0.6], 9)), turn)
    said = run("refit", "--touches", piece, "--again", again, "--out", tmp_path / "moved.csv", code=3)
    assert said.startswith("rescan: ")
    assert not (tmp_path / "moved.csv").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("suggest", "--touches", "{piece}", "--west", "10"), "both or neither"),
        (("suggest", "--touches", "{piece}", "--north", "89"), "at most 85"),
        (("look", "--touches", "{folder}/none.csv"), "No such file"),
        (("refit", "--touches", "{piece}", "--again", "{folder}/few.csv"), "5 distinct places"),
        (("refit", "--touches", "{piece}", "--again", "{piece}", "--accept-mm", "2"), "limits 2 and 1.2"),
    ],
)
def test_refusals_are_one_line(piece, tmp_path, words, says):
    """Exit 2 and one line with what was expected."""
    probe_file(tmp_path / "few.csv", unit_of(np.arange(5.0), np.resize([-0.4, 0.1, 0.6], 5)))
    filled = [w.format(piece=piece, folder=tmp_path) for w in words]
    said = run(*filled, code=2)
    assert says in said
    assert len(said.strip().splitlines()) == 1
