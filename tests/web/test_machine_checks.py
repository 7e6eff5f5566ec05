"""Are checks of machines kept on their page and drawn against their limits?"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.services.machine_checks import Reading, Trend
from web.machine_checks import drawn


def keep(client, machine_id=2, **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/machines/checks").text)[1]
    return client.post(
        f"/machines/{machine_id}/checks", data={"csrf_token": token, **fields}, follow_redirects=True
    )


def test_a_reading_is_drawn_and_told(client, fill, queries_of):
    """A reading within the limit is done, one beyond is not passed; the number of questions stays."""
    fill(6)
    few = queries_of("/machines/checks")
    assert "Something is due at" in client.get("/machines/checks").text
    page = keep(client, kind="ring gauge", value="0,12").text
    assert "+0.12 mm, 0.3 mm are allowed" in page and "<circle" in page
    page = keep(client, kind="ring gauge", value="0.5", words="tip worn").text
    assert "not passed" in page
    assert queries_of("/machines/checks") == few


def test_a_turn_that_misses_takes_the_proof_mark(client, fill):
    """Heron has a proof mark; after a full turn that came back 0.4 deg off it is told as unproved."""
    fill(6)
    before = client.get("/machines").text
    keep(client, kind="full turn", value="0.4")
    after = client.get("/machines").text
    assert after.count("none that counts") == before.count("none that counts") + 1


@pytest.mark.parametrize("fields", [{"kind": "ring gauge"}, {"kind": "cleaned", "value": "1"}, {"kind": "x"},
                                    {"kind": "ring gauge", "value": "wide"}])  # fmt: skip
def test_what_cannot_be_is_refused(client, fill, fields):
    """A reading without its number, a tick with one, what nobody knows."""
    fill(6)
    assert keep(client, **fields).status_code == 422


def test_the_same_by_program(client, fill):
    """A tick by program stands in the list."""
    fill(6)
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/machines/checks").text)[1]
    said, head = {"kind": "cleaned", "words": "strip cutters too"}, {"X-CSRFToken": token}
    assert client.post("/api/v1/machines/2/checks", json=said, headers=head).status_code == 200
    heron = next(one for one in client.get("/api/v1/machine-checks").json if one["machine"] == "Heron")
    assert [tick["due"] for tick in heron["ticks"] if tick["kind"] == "cleaned"] == [False]


def test_places_in_the_picture():
    """Nought in the middle, the limit above it by its share of the highest, times from left to right."""

    at = datetime(2026, 10, 1, tzinfo=UTC)
    readings = tuple(Reading(at + timedelta(days=n), v, True, "Ann") for n, v in enumerate((0.0, 0.3, -0.3)))
    found = drawn(Trend("ring gauge", "mm", 0.3, readings, None, None))
    assert [x for x, _ in found.places] == [10, 300, 590]
    assert found.places[0][1] == found.nought == 60
    assert found.places[1][1] == found.limits[0] == pytest.approx(60 - 55 / 1.1)
    assert found.places[2][1] == found.limits[1] == pytest.approx(60 + 55 / 1.1)
