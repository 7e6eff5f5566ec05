"""Can a hand keep a cutter's ledger on a page, and does it say what to change and to buy?"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

import pytest

from planner.database import tables
from planner.database.session import session_factory, unit_of_work

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
SAID = {"recorded_at": NOW, "recorded_by": "Ines"}
LAW = {"exponent": 0.25, "constant_m_per_min": 600}


@pytest.fixture
def shop(fill, settings):
    """Six jobs and the cutters 6F-01 (on Heron), 6F-02 (on Wren, 8 % left) and 3B-01 (in the store)."""
    fill(6)
    factory = session_factory(settings.database_url)
    yield factory
    factory.kw["bind"].dispose()


def lived(factory, count):
    """Give so many more cutters a life each at three speeds; every fourth one is still alive."""
    with unit_of_work(factory) as db:
        for n in range(count):
            rpm = (9_000, 12_000, 15_000)[n % 3]
            minutes = (600 / (math.pi * 0.006 * rpm)) ** 4 * (1.2, 0.9)[n % 2]
            cutter = tables.Cutter(
                name=f"6F-9{n:02d}", type_name="6F", life_left=0.5, state="stored",
                description={"diameter_mm": 6.0, "rpm": rpm, "life": LAW}, **SAID,
            )  # fmt: skip
            use = tables.CutterUse(cutter=cutter, metres=minutes / 10, minutes=minutes, wear=0.1, **SAID)
            run = tables.Run(
                job_id=1, machine_id=2, workpiece_id=1, started_at=NOW - timedelta(hours=9),
                ended_at=NOW - timedelta(hours=8), outcome="finished", cutter_uses=[use], **SAID,
            )  # fmt: skip
            db.add(run)
            db.flush()
            if n % 4:
                at = NOW - timedelta(hours=7)
                db.add(tables.CutterEntry(cutter_id=cutter.id, kind="dull", happened_at=at, **SAID))


def post(client, address, page="/cutters/1", **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)[1]
    return client.post(address, data={"csrf_token": token, **fields}, follow_redirects=True)


def words(answer):
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())


def number_of(factory, name):
    with unit_of_work(factory) as db:
        return db.query(tables.Cutter).filter_by(name=name).one().id


def test_a_cutters_way_on_its_page(client, shop):
    """Fitted, inspected, dull by its wear, sharpened, broken: each in one form, all in the ledger."""
    there = f"/cutters/{number_of(shop, '3B-01')}"
    fitted = post(client, f"{there}/ledger", kind="fitted", machine=3, stick_out_mm="42,5")
    assert "3B-01: fitted on Otter" in words(fitted)
    assert "on Otter, stick-out 42.5 mm" in words(fitted)
    post(client, f"{there}/ledger", kind="inspected", look="frayed skin", wear_mm="0.12")
    worn = post(client, f"{there}/ledger", kind="inspected", wear_mm="0.31")
    assert "3B-01: dull" in words(worn)
    assert "100 % of life left" in words(post(client, f"{there}/ledger", kind="sharpened"))
    broken = post(client, f"{there}/ledger", kind="broken")
    assert "only what an inspection sees is still written down" in words(broken)
    token = client.get("/api/v1/me").json["csrf_token"]
    kinds = [line["kind"] for line in client.get(f"/api/v1{there}/ledger").json]
    assert kinds == ["fitted", "inspected", "inspected", "dull", "sharpened", "broken"]
    again = client.post(f"/api/v1{there}/ledger", json={"kind": "retired"}, headers={"X-CSRFToken": token})
    assert again.status_code == 409


@pytest.mark.parametrize(
    ("fields", "status", "said"),
    [
        ({"kind": "fitted", "machine": 3}, 422, "its machine and its stick-out"),
        ({"kind": "fitted", "machine": 3, "stick_out_mm": "much"}, 422, "expected a number of millimetres"),
        ({"kind": "fitted", "machine": 3, "stick_out_mm": "nan"}, 422, "stick-out is nan"),
        ({"kind": "inspected"}, 422, "flank wear in mm, or how the cut looks"),
        ({"kind": "eaten"}, 422, "expected one of issued"),
    ],
)
def test_what_a_line_needs(client, shop, fields, status, said):
    """What is missing or unknown is named, and the ledger stays empty."""
    answer = post(client, "/cutters/1/ledger", **fields)
    assert answer.status_code == status
    assert said in words(answer).replace("Stick-out", "stick-out")
    assert client.get("/api/v1/cutters/1/ledger").json == []


def test_a_machine_that_is_not_there(client, shop):
    """A cutter cannot be fitted on a machine of no such number."""
    answer = post(client, "/cutters/1/ledger", kind="fitted", machine=99, stick_out_mm="40")
    assert answer.status_code == 404


def test_a_new_one_like_it(client, shop):
    """It is of the same type, sharp, in the store; a mark stands once."""
    answer = post(client, "/cutters/1/issue", name="6F-07")
    assert "6F-07: in the store, 100 % of life left" in words(answer)
    assert post(client, "/cutters/1/issue", name="6F-07").status_code == 409


def test_the_change_list_follows_the_plan(client, shop):
    """Wren's cutter has 8 % left and each of its jobs takes 5 %: it wears out in the second open one."""
    with unit_of_work(shop) as db:
        for time in db.query(tables.RunTime).filter_by(machine_id=1):
            if time.eligible:
                time.wear = {"6F": 0.05}
        later = NOW + timedelta(hours=1)
        for number, job in enumerate((3, 6)):
            row = db.query(tables.PlanRow).filter_by(job_id=job).first()
            if row is None:
                row = tables.PlanRow(plan_id=1, job_id=job, machine_id=1, cutters=[])
                db.add(row)
            row.machine_id = 1
            row.start_at = later + timedelta(hours=number)
            row.end_at = row.start_at + timedelta(minutes=30)
        db.flush()
    due = client.get("/api/v1/cutters/needs").json["due"]
    assert [(one["cutter"], one["machine"], one["job_id"]) for one in due] == [("6F-02", "Wren", 6)]
    assert "Change list" in words(client.get("/cutters"))


def test_the_curve_has_its_points_and_a_table(client, shop):
    """Twelve lives, nine of them worn: a circle and a row each; the law lies where they were made."""
    lived(shop, 12)
    text = client.get("/cutters").text
    assert text.count("<circle") == 12 and text.count("<polyline") == 3
    assert text.count("lasted at least so long</title>") == 3
    assert "Taylor's law from 9 worn cutters and 3 that may last longer" in text.replace("&#39;", "'")
    exponent = float(re.search(r"exponent (0\.\d+)", text)[1])
    assert exponent == pytest.approx(0.25, abs=0.05)
    assert text.count("m/min</td>") == 12


def test_no_law_from_few(client, shop):
    """From two lives no law is made; the page says why and shows the points."""
    lived(shop, 2)
    assert "No law yet" in client.get("/cutters").text


def test_as_many_questions_for_many_cutters(client, shop, queries_of):
    """Sixty lives are read with as many statements as three, on the list and on a cutter's page."""
    lived(shop, 3)
    few = queries_of("/cutters"), queries_of("/cutters/1")
    with unit_of_work(shop) as db:
        for n in range(57):
            db.add(tables.Cutter(name=f"9B-{n}", type_name="9B", description={}, life_left=1.0, **SAID))
    assert (queries_of("/cutters"), queries_of("/cutters/1")) == few
