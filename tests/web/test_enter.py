"""Can a venue enter its season through the pages and the API, each by who may, and take it back?"""

from __future__ import annotations

import io
from base64 import b64encode
from typing import Any

import pytest

from planner.services.sheets import SHEETS
from seed_demo.fleet import machine_files

SEASON = {
    "name": "Autumn", "site": "Hill Farm", "time_zone": "Europe/London", "opening_night": "2026-10-24",
    "last_night": "2026-10-26", "dusk": "17:40", "placed_before_dusk_min": "45",
}  # fmt: skip


def _token(client: Any) -> str:
    text = client.get("/enter/seasons").get_data(as_text=True)
    return str(text.split('name="csrf_token" value="')[1].split('"')[0])


def _post(client: Any, address: str, **form: Any) -> Any:
    return client.post(
        address, data={"csrf_token": _token(client)} | form, content_type="multipart/form-data",
        follow_redirects=True,
    )  # fmt: skip


def test_an_empty_house_says_what_comes_first(client: Any) -> None:
    """Without a season the first page leads to the form; with one the next sheet is named."""
    assert "Enter the season" in client.get("/").get_data(as_text=True)
    assert "Next: when and where is it lit?" in client.get("/enter").get_data(as_text=True)
    told = _post(client, "/enter/seasons", **SEASON)
    assert told.status_code == 200 and "season Autumn, 3 nights" in told.get_data(as_text=True)
    assert "Next: how warm will the nights be?" in client.get("/enter").get_data(as_text=True)


@pytest.mark.parametrize("sheet", [sheet.name for sheet in SHEETS])
def test_every_sheet_has_its_page_and_its_table(client: Any, sheet: str) -> None:
    """Form, empty table and the meaning of every column."""
    page = client.get(f"/enter/{sheet}").get_data(as_text=True)
    empty = client.get(f"/enter/{sheet}.csv")
    assert empty.mimetype == "text/csv"
    for column in empty.get_data(as_text=True).strip().split(","):
        assert f'<th scope="row">{column}</th>' in page


def test_nights_stations_and_a_machine(client: Any) -> None:
    """All nights in one form; stations by the table; a machine with its file; what is wanted then."""
    _post(client, "/enter/seasons", **SEASON)
    told = _post(
        client,
        "/enter/nights/all",
        **{"night 2026-10-24": "11", "night 2026-10-25": "", "night 2026-10-26": "9"},
    )
    assert "2 nights" in told.get_data(as_text=True)
    assert 'name="night 2026-10-24" type="number" step="0.5" min="-60" max="60" value="11"' in told.get_data(
        as_text=True
    )
    table = io.BytesIO(b"name,area,size\nLane 1,Lane,large\nLane 2,Lane,large\n")
    told = _post(client, "/enter/stations/table", table=(table, "stations.csv"))
    assert "2 rows: station Lane 1 and others" in told.get_data(as_text=True)
    file = (io.BytesIO(machine_files()["Heron"].encode()), "heron.json")
    told = _post(client, "/enter/machines", file=file, largest_mm="360", fixtures="ring")
    assert "machine Heron" in told.get_data(as_text=True)
    assert "Heron" in client.get("/machines").get_data(as_text=True)
    wanted = client.get("/wanted").get_data(as_text=True)
    assert "2 stations want a lantern" in wanted and "no lantern yet" in wanted
    told = _post(client, "/wanted", night="2026-10-24", station="1")
    assert "1 lanterns are asked for" in told.get_data(as_text=True)
    assert "1 station wants a lantern" in client.get("/wanted").get_data(as_text=True)


@pytest.mark.parametrize(
    ("address", "form", "status", "words"),
    [
        ("/enter/seasons", SEASON | {"dusk": "late"}, 422, "Dusk is &#39;late&#39;"),
        ("/enter/stations", {"name": "x", "area": "y", "size": "large"}, 422, "enter the season first"),
        ("/enter/people", {}, 404, "no sheet"),
        ("/enter/stations/table", {}, 422, "choose a CSV file"),
        ("/enter/machines", {"largest_mm": "300", "fixtures": "ring"}, 422, "Machine file is missing"),
        ("/enter/nights/all", {}, 422, "Nothing to enter"),
        ("/wanted", {"night": "soon"}, 422, "no season yet"),
    ],
)
def test_refused_in_words(client: Any, address: str, form: dict[str, str], status: int, words: str) -> None:
    """What was wrong, and nothing kept."""
    told = _post(client, address, **form)
    assert told.status_code == status
    assert words in told.get_data(as_text=True)


def test_two_files_of_one_name(client: Any) -> None:
    """Touches and walls that bear one name could be taken for each other: refused, nothing kept."""
    told = _post(
        client, "/enter/pieces", number="1", lot="A-1", diameter_mm="280", height_mm="250",
        walls=(io.BytesIO(b"a"), "piece.csv"), touches=(io.BytesIO(b"b"), "piece.csv"),
    )  # fmt: skip
    assert told.status_code == 422
    assert "wo files are called" in told.get_data(as_text=True)


def test_a_row_in_a_strange_encoding(client: Any) -> None:
    """A table that is no UTF-8 names its line."""
    told = _post(client, "/enter/lots/table", table=(io.BytesIO(b"name,variety\n\xff\xfe,x\n"), "lots.csv"))
    assert told.status_code == 422 and "not UTF-8" in told.get_data(as_text=True)


def test_the_same_through_the_api(client: Any) -> None:
    """Sheets are listed; rows come in whole with their files, or not at all; nights want what is missing."""
    token = {"X-CSRFToken": _token(client)}
    names = [sheet["name"] for sheet in client.get("/api/v1/sheets").get_json()]
    assert names == [sheet.name for sheet in SHEETS]
    assert client.post("/api/v1/sheets/seasons", json={"rows": [SEASON]}, headers=token).status_code == 200
    file = b64encode(machine_files()["Wren"].encode()).decode()
    row = {"file": "w.json", "largest_mm": 320, "fixtures": "ring", "highest_mm": None}
    made = client.post(
        "/api/v1/sheets/machines", json={"rows": [row], "files": {"w.json": file}}, headers=token
    )
    assert made.status_code == 200 and "machine Wren" in made.get_json()["words"]
    rows = [
        {"name": "Lane 1", "area": "Lane", "size": "large"},
        {"name": "Lane 1", "area": "Lane", "size": "XL"},
    ]
    twice = client.post("/api/v1/sheets/stations", json={"rows": rows}, headers=token)
    assert twice.status_code == 409 and client.get("/api/v1/wanted").get_json() == []
    client.post("/api/v1/sheets/stations", json={"rows": rows[:1]}, headers=token)
    assert [want["station"] for want in client.get("/api/v1/wanted").get_json()] == ["Lane 1"]
    asked = client.post("/api/v1/wanted", json={"night": "2026-10-24"}, headers=token)
    assert asked.status_code == 200
    for wrong in ({"rows": [{"colour": 1}]}, {"rows": [{"name": []}]}, {"rows": [{}], "files": {"x": "?"}}):
        assert client.post("/api/v1/sheets/lots", json=wrong, headers=token).status_code == 422
