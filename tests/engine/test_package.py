"""A job package is complete or not there at all, and says on paper what the program holds."""

import hashlib
import json
import os
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from engine.artwork import read_artwork
from engine.files import digest_of, read_cutters, read_machine, uniform_wall
from engine.frames import unit_of
from engine.package import (
    CAUTION,
    CHECKS,
    describe,
    flat_svg,
    sheet_html,
    write_all_or_nothing,
    write_package,
)
from engine.prepare import Names, prepare
from engine.records import Placement, ProbeScan
from engine.rules import rules_for
from seed_demo.fleet import cutters_file, machine_files

SVG = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="16mm" viewBox="0 0 40 16">'
    b'<path d="M0 0h14v16h-14z"/><path d="M24 0h16v16h-16z"/></svg>'
)


def a_scan():
    i = np.arange(90) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 90))
    return ProbeScan(
        np.array([2.0, -1.0, 3.0]) + 70 * unit, 0.0, np.arange(90), np.arange(90) + 2, "0123456789ab"
    )


@pytest.fixture(scope="module")
def job():
    machine = read_machine(machine_files()["Badger"], "Badger")
    return prepare(
        a_scan(),
        read_artwork(SVG, "two <windows>.svg"),
        Placement(0.5, 0.1),
        uniform_wall(15.0),
        read_cutters(cutters_file(), "cutters"),
        machine,
        rules_for("foam"),
        names=Names("moon & stars", "L-017"),
    )


def test_every_file_of_the_package_is_there(job, tmp_path):
    """DEVELOPERS.md, job package: job.json, program, sheet, lit look and flat picture, and nothing else."""
    write_package(job, tmp_path / "season" / "moon")
    names = {p.name for p in (tmp_path / "season" / "moon").iterdir()}
    assert names == {"job.json", "program.nc", "sheet.html", "lit.png", "flat.svg"}
    assert [p.name for p in (tmp_path / "season").iterdir()] == ["moon"]


def test_job_json_comes_back(job, tmp_path):
    """What is written is what was described, and numbers, names and hashes are those of the job."""
    said = write_package(job, tmp_path / "moon")
    read = json.loads((tmp_path / "moon" / "job.json").read_text())
    assert read == json.loads(json.dumps(said))
    files = read.pop("files")
    assert read == json.loads(json.dumps(describe(job)))
    folder = tmp_path / "moon"
    assert files == {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.name != "job.json"
    }
    assert read["job"] == "moon & stars"
    assert read["inputs"]["scan"] == "0123456789ab"
    assert read["inputs"]["artwork"] == digest_of(SVG)
    assert read["inputs"]["machine"] == digest_of(machine_files()["Badger"])
    np.testing.assert_allclose(read["frame"]["origin_mm"], [2.0, -1.0, 3.0], atol=1e-3)
    assert read["frame"]["rotation"] == np.eye(3).tolist()
    assert read["design"] == {
        "name": "two <windows>.svg",
        "width_mm": 40.0,
        "height_mm": 16.0,
        "longitude_deg": pytest.approx(28.6479, abs=1e-4),
        "latitude_deg": pytest.approx(5.7296, abs=1e-4),
        "turn_deg": 0.0,
        "mirror": False,
    }
    assert sorted(row["pass"] for row in read["operations"]) == ["opening 1 pocket", "opening 2 pocket"]
    seconds = read["seconds"]
    assert seconds["total"] == pytest.approx(
        seconds["cutting"] + seconds["travel"] + seconds["changes"], abs=0.2
    )
    assert read["deepest_mm"] == pytest.approx(15 + job.rules.overshoot_mm, abs=0.1)
    assert read["programs"] == ["program.nc"]
    assert [c["name"] for c in read["cutters"]] == [job.cutters[job.passes[0].cutter].name]


def test_no_number_in_job_json_is_not_a_number(job):
    """job.json is JSON for any reader: no NaN and no Infinity."""
    json.dumps(describe(job), allow_nan=False)


def test_the_program_on_disk_is_the_proven_one(job, tmp_path):
    """Byte by byte what the virtual cut read."""
    write_package(job, tmp_path / "moon")
    assert (tmp_path / "moon" / "program.nc").read_text() == job.programs[0][1]


def test_the_sheet_holds_what_the_hand_must_check(job, tmp_path):
    """Piece, machine, every check and the caution stand on it; names are not taken for markup."""
    write_package(job, tmp_path / "moon")
    sheet = (tmp_path / "moon" / "sheet.html").read_text()
    for words in ("L-017", "Badger", "moon &amp; stars", "two &lt;windows&gt;.svg", CAUTION, *CHECKS):
        assert words in sheet
    assert "<windows>" not in sheet
    assert "TURNED OVER" not in sheet
    assert "isolate" in sheet
    assert "http://" not in sheet.replace("http://www.w3.org/2000/svg", "")  # nothing is fetched


def test_the_pictures_are_pictures(job, tmp_path):
    """lit.png begins as PNG does (ISO/IEC 15948); flat.svg is well formed, numbered in the order of the
    passes.
    """
    write_package(job, tmp_path / "moon")
    assert (tmp_path / "moon" / "lit.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    svg = ElementTree.fromstring((tmp_path / "moon" / "flat.svg").read_text())
    assert svg.tag.endswith("svg")
    numbers = [t.text for t in svg.iter("{http://www.w3.org/2000/svg}text") if (t.text or "").isdigit()]
    assert numbers == ["1", "2"]


def test_the_flat_picture_is_seen_from_outside(job):
    """The first window lies left (x from -20 to -6), as in the drawing: SVG's y runs down, x
    as on the sheet.
    """
    svg = ElementTree.fromstring(flat_svg(job))
    regions = [p for p in svg.iter("{http://www.w3.org/2000/svg}path") if p.get("class") == "opening"]
    starts = [float(p.get("d").lstrip("M").split()[0].split(",")[0]) for p in regions]
    assert len(starts) == 2
    assert starts[0] < -5
    assert starts[1] > 3


# --- all or nothing ------------------------------------------------------------------------------------

FILES = {"job.json": b"{}", "lit.png": b"png", "program.nc": b"M2\n"}


def failing_after(count, real):
    left = [count]

    def call(*arguments, **named):
        left[0] -= 1
        if left[0] < 0:
            raise OSError(28, "No space left on device")
        return real(*arguments, **named)

    return call


@pytest.mark.parametrize("good", [0, 1, 2])
def test_a_full_disk_leaves_nothing(tmp_path, monkeypatch, good):
    """When any of the files cannot be written there is no folder and nothing beside it."""
    monkeypatch.setattr(Path, "write_bytes", failing_after(good, Path.write_bytes))
    with pytest.raises(OSError, match="No space"):
        write_all_or_nothing(tmp_path / "moon", FILES)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_the_earlier_package(tmp_path, monkeypatch):
    """The package that was there stays whole when the next one cannot be written."""
    write_all_or_nothing(tmp_path / "moon", FILES)
    monkeypatch.setattr(Path, "write_bytes", failing_after(1, Path.write_bytes))
    with pytest.raises(OSError, match="No space"):
        write_all_or_nothing(tmp_path / "moon", {name: b"new" for name in FILES})
    assert {p.name: p.read_bytes() for p in (tmp_path / "moon").iterdir()} == FILES
    assert [p.name for p in tmp_path.iterdir()] == ["moon"]


@pytest.mark.parametrize("good", [0, 1, 2])
def test_a_failing_move_leaves_no_mixture(tmp_path, monkeypatch, good):
    """When moving in fails half way, no program of one job lies beside the job.json of another."""
    write_all_or_nothing(tmp_path / "moon", FILES)
    monkeypatch.setattr(os, "replace", failing_after(good, os.replace))
    with pytest.raises(OSError, match="No space"):
        write_all_or_nothing(tmp_path / "moon", {name: b"new" for name in FILES})
    monkeypatch.undo()
    left = {p.name: p.read_bytes() for p in (tmp_path / "moon").iterdir()}
    assert left in (FILES, {})


def test_programs_of_an_earlier_package_go(tmp_path):
    """A job that now needs one program leaves no second one of the old job beside it."""
    old = {"job.json": b"{}", "program_1.nc": b"M2", "program_2.nc": b"M2"}
    write_all_or_nothing(tmp_path / "moon", old)
    (tmp_path / "moon" / "notes.txt").write_text("the hand's own")
    write_all_or_nothing(tmp_path / "moon", FILES)
    assert {p.name for p in (tmp_path / "moon").iterdir()} == {*FILES, "notes.txt"}


def test_findings_that_differ_by_their_place_alone_are_told_once(job):
    """Seven narrow openings are one line with seven names, not seven lines."""
    said = describe(job)
    narrow = {
        "severity": "warn", "rule": "slot width", "fix": "widen it", "measured": None, "allowed": None,
        "unit": "", "longitude_deg": None, "latitude_deg": None,
    }  # fmt: skip
    places = [f"opening {n}" for n in (3, 4, 7)]
    said["findings"] = [narrow | {"text": f"{place} is narrow", "place": place} for place in places]
    sheet = sheet_html(said, b"", "")
    assert sheet.count("is narrow") == 1
    assert "opening 3 is narrow: widen it. The same: opening 4, opening 7." in sheet
