"""Does a job give the files of its package, and nothing else?"""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(
    ("name", "media"),
    [
        ("lit.png", "image/png"),
        ("flat.svg", "image/svg+xml"),
        ("job.json", "application/json"),
        ("sheet.html", "text/html"),
        ("program.nc", "text/plain"),
    ],
)
def test_known_files_come_with_their_type(client, fill, name, media):
    """Every file of a job package (DEVELOPERS.md) is served as what it is."""
    fill(3, packages=True)
    answer = client.get(f"/jobs/2/files/{name}")
    assert answer.status_code == 200
    assert answer.mimetype == media
    answer.close()


@pytest.mark.parametrize(
    "name",
    [
        "secret.txt",
        "program_1.nc",  # known by name, not there
        "program_x.nc",
        "program.nc.txt",
        "..%2Fheron%2Fsecret.txt",
        "..%2F..%2F..%2Fseason.db",
        "%2e%2e%2f%2e%2e%2fseason.db",
        "..%5C..%5Cseason.db",
        "lit.png%00.txt",
        "%2Fetc%2Fpasswd",
        ".%2Flit.png",
    ],
)
def test_other_names_are_refused(client, fill, name):
    """No name outside the list and no way out of the folder."""
    fill(3, packages=True)
    assert client.get(f"/jobs/2/files/{name}").status_code == 404


def test_a_folder_outside_the_packages_is_refused(client, fill, settings, tmp_path):
    """Even a row that names a folder elsewhere gives nothing, nor does a link that leads out."""
    from sqlalchemy import update

    from planner.database import tables
    from planner.database.session import session_factory, unit_of_work

    fill(3, packages=True)
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "job.json").write_text("{}")
    (settings.packages / "way_out").symlink_to(outside)
    factory = session_factory(settings.database_url)
    for folder in ("../../outside", str(outside), "way_out"):
        with unit_of_work(factory) as db:
            db.execute(update(tables.Preparation).values(folder=folder))
        assert client.get("/jobs/2/files/job.json").status_code == 404
        assert client.get("/jobs/2").status_code == 200
    factory.kw["bind"].dispose()


@pytest.mark.parametrize("folder", ["..%2F..", "../..", "job_1/../../..", "nowhere"])
def test_small_pictures_stay_inside_the_packages(client, fill, folder):
    """The picture's address is a path under the packages' folder, never out of it."""
    fill(1, packages=True)
    assert client.get(f"/pictures/{folder}/small.jpg").status_code == 404


def test_a_small_picture_is_small(client, fill):
    """A chart of 120 lanterns loads 120 of them."""
    fill(1, packages=True)
    answer = client.get("/pictures/job_1/heron/small.jpg")
    assert answer.mimetype == "image/jpeg"
    assert len(answer.data) < 8000


def test_the_sheet_may_have_its_own_style_and_no_script(client, fill):
    """Its style and data: pictures are allowed, scripts and frames are not."""
    fill(1, packages=True)
    answer = client.get("/jobs/1/files/sheet.html")
    policy = answer.headers["Content-Security-Policy"]
    assert "style-src 'unsafe-inline'" in policy
    assert "img-src data:" in policy
    assert "script-src" not in policy
    assert "default-src 'none'" in policy
    answer.close()


def test_a_program_is_kept_under_a_name_that_says_whose_it_is(client, fill):
    """Two downloads must not be mixed up: job and machine stand in the file's name."""
    fill(3, packages=True)
    answer = client.get("/jobs/2/files/program.nc")
    assert "job_2_Otter_program.nc" in answer.headers["Content-Disposition"]
    answer.close()


def test_a_job_without_a_package_says_so(client, fill):
    """A row without its folder on this computer: the page stands, the files are not there."""
    fill(1)
    assert "folder is not on this computer" in client.get("/jobs/1").get_data(as_text=True)
    assert client.get("/jobs/1/sheet").status_code == 404
