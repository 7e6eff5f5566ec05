"""Does the review's page say how days went, and 'n/a' where nothing can be said?"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.database.states import Role
from planner.services import people


@pytest.mark.parametrize("address", ["/review", "/review/paper", "/review/paper?paper=letter"])
def test_page_and_paper(client: Any, fill: Callable[..., None], address: str) -> None:
    """Without runs every figure is n/a, and the first sentence says that nothing can be said."""
    fill()
    page = client.get(address)
    assert page.status_code == 200
    text = page.get_data(as_text=True)
    assert "nothing can be said" in text
    assert "availability × effectiveness × quality ratio" in text and "n/a" in text
    assert "None" not in text


@pytest.mark.parametrize("address", ["/review", "/review/paper"])
def test_no_season(client: Any, address: str) -> None:
    """Before the first season the page says so."""
    assert client.get(address).status_code == 200


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("from=2026-10-21&to=2026-10-20", "the last day is before the first"),
        ("from=yesterday", "expected a day such as"),
        ("person_hour=-1", "expected a price"),
        ("person_hour=nan", "expected a price"),
        ("from=2020-01-01&to=2026-01-01", "400 days at most"),
    ],
)
def test_refusals(client: Any, fill: Callable[..., None], asked: str, words: str) -> None:
    """What cannot be meant is refused with what was expected."""
    fill()
    page = client.get(f"/review?{asked}")
    assert page.status_code == 422
    assert words in page.get_data(as_text=True)


def test_hours_curve_and_shifts_are_drawn(
    client: Any, fill: Callable[..., None], settings: Any, app: Any
) -> None:
    """One run of half an hour in the shift: bars add up to the shift, one of the planned is done."""
    fill()
    now = app.extensions["venue"].clock()
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        said = {"recorded_at": now, "recorded_by": "Tom"}
        ended = now - timedelta(minutes=10)
        db.add(
            tables.Run(
                job_id=1, machine_id=2, workpiece_id=1, preparation_id=1, outcome="finished", ended_at=ended,
                started_at=ended - timedelta(minutes=30), **said,
            )
        )  # fmt: skip
    factory.kw["bind"].dispose()
    page = client.get("/review").get_data(as_text=True)
    bars = re.findall(r'<rect x="[\d.]+" y="(\d+)" width="([\d.]+)" height="20"', page)
    for row in {y for y, _ in bars}:
        assert sum(float(wide) for y, wide in bars if y == row) == pytest.approx(520, abs=0.5)
    assert "1 of " in page and "planned lanterns were cut" in page
    assert "<h2>Shifts</h2>" in page


def test_ratings_and_rates_have_their_place(
    client: Any, fill: Callable[..., None], settings: Any, app: Any, queries_of: Callable[[str], int]
) -> None:
    """Two machines, ratings 9 and 5: the lower one is named; 1 of 2 scrapped has the bounds 2.5 % and 97.5 %.

    Bounds of Clopper and Pearson for 1 of 2 at 90 %: 1 - sqrt(0.95) = 2.53 % and sqrt(0.95) = 97.47 %.
    """
    fill()
    now = app.extensions["venue"].clock()
    factory = session_factory(settings.database_url)
    said = {"recorded_at": now, "recorded_by": "Tom"}

    def ran(job: int, machine: int, outcome: str, rating: int) -> None:
        with unit_of_work(factory) as db:
            reason = "rot" if outcome == "scrapped" else None
            times = {"started_at": now - timedelta(minutes=50), "ended_at": now - timedelta(minutes=10)}
            db.add(
                tables.Run(
                    job_id=job, machine_id=machine, workpiece_id=job, outcome=outcome, scrap_reason=reason,
                    **times, **said,
                )
            )  # fmt: skip
            if outcome == "finished":
                db.add(tables.LitCheck(job_id=job, rating=rating, **said))

    ran(1, 2, "finished", 9)
    few = queries_of("/review")
    ran(2, 3, "finished", 5)
    ran(3, 3, "scrapped", 0)
    page = " ".join(re.sub("<[^>]+>", " ", client.get("/review").get_data(as_text=True)).split())
    assert "Lowest by machine: Otter with 5.0 of 1." in page
    assert "scrapped on Otter 1 of 2" in page
    assert "Lowest by machine: Otter" in client.get("/review/paper").get_data(as_text=True)
    long_ago = client.get("/review?from=2020-01-01&to=2020-01-02").get_data(as_text=True)
    assert "Ratings by machine: nothing to compare yet" in long_ago  # the ratings of those days alone
    assert re.search(r"50\.0.% 2\.5.% and 97\.5.%", page)
    assert queries_of("/review") == few
    learned = client.get("/api/v1/learned").json
    assert learned["insights"][0]["groups"] == [["Otter", 1, 5.0], ["Heron", 1, 9.0]]
    factory.kw["bind"].dispose()


def test_a_keeper_says_the_prices_and_the_venue_sees_the_cost(
    app: Any, fill: Callable[..., None], settings: Any
) -> None:
    """An hour that needs 0.33 of a person, and 0.1 of a life: 0.33 x 30 + 0.1 x 40, and a piece of 2."""
    fill()
    now = app.extensions["venue"].clock()
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        said = {"recorded_at": now, "recorded_by": "Tom"}
        use = tables.CutterUse(cutter_id=1, metres=2.0, minutes=50.0, wear=0.1, **said)
        run = tables.Run(
            job_id=1, machine_id=2, workpiece_id=1, started_at=now - timedelta(hours=3),
            ended_at=now - timedelta(hours=2), outcome="finished", cutter_uses=[use], **said,
        )  # fmt: skip
        db.add(run)
    factory.kw["bind"].dispose()
    app.config["WTF_CSRF_ENABLED"] = False
    lead = app.test_client()
    assert lead.post("/venue/prices", data={"person_hour": "30"}).status_code == 403
    assert "no price is said yet" in lead.get("/venue").text
    keeper = _keeper(app, settings)
    sent = {"person_hour": "30", "cutter_life": "60", "piece": "2,00", "currency": "EUR"}
    own = {"type": ["3B", "6F"], "type_price": ["", "40"]}
    assert keeper.post("/venue/prices", data=sent | own).status_code == 302
    cost = f"{0.33 * 30 + 0.1 * 40 + 2:.2f} EUR"
    assert f"<dt>Cost a good lantern</dt><dd>{cost}</dd>" in lead.get("/venue").text
    assert f"<dt>Cost per good lantern</dt><dd>{cost}</dd>" in lead.get("/review").text
    assert lead.get("/api/v1/prices").json["cutters"] == {"6F": 40.0}
    refused = keeper.post("/venue/prices", data={"person_hour": "much"})
    assert refused.status_code == 422 and "expected a price" in refused.text


def _keeper(app: Any, settings: Any) -> Any:
    """Return a browser in which a keeper is signed in."""
    client = app.test_client()
    at = app.extensions["venue"].clock()
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        link = people.invite(db, Role.KEEPER, by="test", at=at)
        person = people.accept_invitation(db, link, "Ada", "apple ladder seven rain", at=at)
        token = people.open_sign_in(db, person.id, at=at)
    factory.kw["bind"].dispose()
    with client.session_transaction() as held:
        held["token"] = token
    return client
