"""Does every page answer its question in words, in few statements, with strict headers?"""

from __future__ import annotations

import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

import web
from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.errors import Conflict
from web.access import OPEN, allow

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
PAGES = (
    "/", "/tonight", "/floor", "/jobs", "/plan", "/workpieces", "/designs", "/machines", "/cutters",
    "/venue", "/changes", "/wall", "/wall/season", "/drafts", "/choosing", "/benches",
    "/wanted",
)  # fmt: skip
LISTS = (
    "/", "/tonight", "/floor", "/floor/2", "/jobs", "/jobs?q=fox", "/jobs/1", "/plan", "/workpieces",
    "/designs", "/machines", "/cutters", "/venue", "/changes", "/export", "/paper/pick", "/paper/bench",
    "/paper/walk", "/api/v1/jobs", "/api/v1/plan", "/wall", "/wall/season", "/drafts",
    "/venue?person_hour=20&cutter_life=30",
)  # fmt: skip


def words_of(answer):
    return " ".join(answer.get_data(as_text=True).split())


@pytest.mark.parametrize("address", PAGES)
def test_an_empty_database_has_pages_that_say_so(client, address):
    """A venue on its first day sees a sentence, the caution and no error."""
    answer = client.get(address)
    text = words_of(answer)
    assert answer.status_code == 200
    assert " yet." in text.split("<h1")[1].split("</h1>")[0]
    assert "does not guard, stop or supervise a machine" in text


@pytest.mark.parametrize("address", (*PAGES, "/jobs/1", "/nowhere", "/works.json", "/static/pages.css"))
def test_every_answer_has_strict_headers(client, fill, address):
    """No page may load, run or embed anything that is not ours."""
    fill()
    answer = client.get(address)
    headers = answer.headers
    answer.close()
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"


@pytest.mark.parametrize("address", (*PAGES, "/jobs/1", "/nowhere"))
def test_no_page_has_inline_script_or_style(client, fill, address):
    """The strict policy would silently drop them."""
    fill(packages=True)
    text = client.get(address).get_data(as_text=True)
    assert "style=" not in text
    assert "<style" not in text
    assert " on" + "click" not in text
    assert all("src=" in part.split(">")[0] for part in text.split("<script")[1:])
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in text


def test_the_season_page_begins_with_the_answer(client, fill):
    """Six lanterns wanted, five planned days before dusk; the sixth is told undone with its reason."""
    fill(6)
    text = words_of(client.get("/"))
    heading = text.split('<h1 class="answer">')[1].split("</h1>")[0]
    assert "5 of 6</span> planned to be lit at 17:25 on Sat 24 Oct" in heading
    # 08:15 on Wednesday to 17:25 on Saturday, both summer time
    assert 'Sat 24 Oct, <span class="whole">in 3 days 9 h</span>.' in heading
    assert "Gate 6 (job 6): no XL piece is hollowed." in text
    assert "1 of 3 machines, as reported" in text


def test_a_job_that_ends_after_it_is_due_is_late_not_lit(client, fill, settings):
    """What is late counts neither as lit nor as missing, and says by how much."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        season = db.get(tables.Season, 1)
        row = db.query(tables.PlanRow).filter_by(job_id=5).one()
        row.end_at = season.due_at(season.opening_night) + timedelta(minutes=65)
    factory.kw["bind"].dispose()
    text = words_of(client.get("/"))
    assert "4 of 6</span>" in text
    assert "Gate 5</a> by 1 h 05" in text


def test_the_next_job_is_the_first_that_starts_after_now(client, fill):
    """Jobs 10 to 12 start at 06:05 + 3 x 46 min = 08:23 local; the first by machine name is on Heron."""
    fill(12)
    said = words_of(client.get("/")).split("Next</span>")[1].split("</p>")[0]
    assert "Orangery 10</a>" in said
    assert "on Heron at" in said
    assert "08:23 today" in said
    assert "(in 8 min)" in said


def test_without_a_plan_the_page_tells_how_far_the_work_is(client, fill, settings):
    """Progress in words and as a bar, and a page that reloads without scripts."""
    fill(4, planned=False)
    _add_work(settings, state="running", done=37, total=120, note="Lime Walk 7", seconds_ago=2)
    text = words_of(client.get("/"))
    assert "No plan yet" in text
    assert 'Preparing jobs</strong>: <span class="work-words">37 of 120</span>' in text
    assert '<progress value="37" max="120"' in text
    assert '<meta http-equiv="refresh"' in text
    told = client.get("/works.json").json
    assert (told["works"][0]["done"], told["works"][0]["total"]) == (37, 120)
    assert told["mark"] == "1:running"


def test_a_worker_that_fell_silent_is_told(client, fill, settings):
    """A heartbeat older than 30 s means that nobody works on it."""
    fill(1, planned=False)
    _add_work(settings, state="running", done=3, total=9, note="", seconds_ago=95)
    text = words_of(client.get("/"))
    assert "stopped at 3 of 9; no sign of life from the worker since 08:13" in text
    assert "<progress" not in text
    told = client.get("/works.json").json
    assert (told["works"], told["mark"]) == ([], "1:running!")


def test_work_that_broke_off_says_why(client, fill, settings):
    """The newest work failed: its error stands on the first page."""
    fill(1, planned=False)
    _add_work(settings, state="failed", done=3, total=9, note="", seconds_ago=95, error="the disk is full")
    assert "broke off at 3 of 9</span>: the disk is full" in words_of(client.get("/"))


def _add_work(settings, *, seconds_ago, **columns):
    now = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        heard = now - timedelta(seconds=seconds_ago)
        db.add(
            tables.Work(kind="prepare", heartbeat_at=heard, recorded_at=now, recorded_by="Ines", **columns)
        )
    factory.kw["bind"].dispose()


def test_a_survey_is_no_program(client, fill, settings):
    """Timed on all machines, nothing written: the page says so, and stops nobody for an old refusal."""
    fill(4)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        stop = {"severity": "refuse", "rule": "island", "text": "region 2 falls out", "fix": "add a bridge"}
        db.execute(update(tables.RunTime).values(preparation_id=None))
        db.execute(
            update(tables.Preparation).values(
                inputs_digest="survey", state="refused", folder="", findings=[stop]
            )
        )
    factory.kw["bind"].dispose()
    text = words_of(client.get("/jobs/4"))
    assert "Prepared</span>:" not in text
    assert "region 2 falls out" not in text
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.execute(update(tables.RunTime).values(eligible=False, reason="region 2 falls out", run_min=None))
    factory.kw["bind"].dispose()
    text = words_of(client.get("/jobs/4"))
    assert "No machine takes it" in text
    assert "region 2 falls out" in text


def test_the_wall_shows_every_station(client, fill):
    """Each station is a tile with shape and word; the first sentence is that of the lead's page."""
    fill(9)
    text = words_of(client.get("/wall"))
    assert "8 of 9</span> will be lit at 17:25" in text
    assert text.count('<li class="tile') == 9
    assert text.count('<span class="hidden"> cut</span>') == 3
    assert "Orangery <span" in text
    season = words_of(client.get("/wall/season"))
    assert "Today: 8 jobs" in season
    assert season.count('<rect class="bar ') == 8


def test_benches_have_lanes_of_their_own(client, fill, settings):
    """Two steps at once at a bench of two places stand in two lanes; carrier plates are no lane."""
    fill(4)
    factory = session_factory(settings.database_url)
    said = {"recorded_at": NOW, "recorded_by": "Ines"}
    with unit_of_work(factory) as db:
        db.add_all(
            [
                tables.Bench(id=1, name="Hollowing", kind="bench", steps=["hollow"], places=2, **said),
                tables.Bench(id=2, name="Plates", kind="carrier", steps=[], places=9, **said),
            ]
        )
        db.flush()
        for job_id, bench in ((2, 1), (3, 1), (1, 2)):
            at = NOW + timedelta(minutes=job_id)
            db.add(
                tables.BenchRow(
                    plan_id=1, job_id=job_id, step="hollow", bench_id=bench,
                    start_at=at, end_at=at + timedelta(minutes=30),
                )
            )  # fmt: skip
    factory.kw["bind"].dispose()
    text = words_of(client.get("/"))
    assert text.count('class="bench-name"') == 2
    assert "Hollowing 1</text>" in text
    assert "Hollowing 2</text>" in text
    assert "Plates" not in text
    assert text.count("<td>hollow</td><td>Hollowing</td>") == 2


def test_the_venue_reckons_with_prices_of_its_own(client, fill, settings):
    """Without a price no cost is told; with one it is; what is no price is refused."""
    fill(4)
    none = words_of(client.get("/venue"))
    assert "no price is said yet" in none and "Cost a good lantern" not in none
    assert "Cost a good lantern" in words_of(client.get("/venue?person_hour=20&cutter_life=30"))
    assert client.get("/venue?person_hour=much").status_code == 422


def test_drafts_stand_side_by_side(client, fill, settings):
    """Each draft is a column; what is less or more than as it is, is told in words."""
    fill(4)
    factory = session_factory(settings.database_url)
    said = {"recorded_at": NOW, "recorded_by": "Ines"}
    with unit_of_work(factory) as db:
        for number, undone in ((2, 1), (3, 5)):
            kept = {
                "asked for because": f"what if {number}",
                "follows plan": 1,
                "tiers of the plan in force": {"undone": 2},
            }
            db.add(
                tables.Plan(
                    id=number, season_id=1, state="draft", start_at=NOW, seed=1, seconds=1, versions=kept,
                    tiers={"undone": {"value": undone, "bound": 0, "status": "feasible"}}, **said,
                )
            )  # fmt: skip
    factory.kw["bind"].dispose()
    text = words_of(client.get("/drafts"))
    assert "2 drafts beside plan 1" in text
    assert "▼</span> 1</span>, 1 less than as it is" in text
    assert "▲</span> 5</span>, 3 more than as it is" in text


def test_state_is_told_by_word_and_shape(client, fill):
    """Colour alone never tells a state."""
    fill(6)
    text = words_of(client.get("/jobs"))
    assert '<span class="shape" aria-hidden="true">●</span> cut</span>' in text
    assert '<span class="shape" aria-hidden="true">○</span> prepared</span>' in text


def test_jobs_are_searched_on_the_server(client, fill):
    """Every word must stand somewhere; a per cent sign means itself."""
    fill(9)
    text = words_of(client.get("/jobs?q=orangery+FOX"))
    # 1, 4 and 7 stand in the Orangery; of these the even one shows Running Fox
    assert "1 job found" in text
    assert "Orangery 4" in text
    assert "Orangery 1<" not in text
    assert "no jobs found" in words_of(client.get("/jobs?q=%25"))


def test_jobs_page_on_the_server(client, fill):
    """Fifty rows a page, each job on exactly one page."""
    fill(60)
    first, second = (client.get(f"/jobs?page={n}").get_data(as_text=True) for n in (1, 2))
    names = [text.split("<tbody>")[1].count("<tr>") for text in (first, second)]
    assert names == [50, 10]
    assert "51 to 60 of 60" in words_of(client.get("/jobs?page=2"))
    assert "ends before page 9" in words_of(client.get("/jobs?page=9"))
    for odd in ("0", "-3", "x", "99999999999999999999"):
        assert client.get(f"/jobs?page={odd}").status_code == 200


def test_a_job_page_shows_what_is_needed_to_judge_it(client, fill):
    """Answer, findings with fixes, minutes or why not, wear, proof figures, downloads."""
    fill(6, packages=True)
    text = words_of(client.get("/jobs/4"))
    assert "Prepared</span>: a program is written for Heron and nothing stops it, 1 thing to mind" in text
    assert "8 readings only, thinnest 17.2 mm" in text
    assert "What helps: gauge the back as well" in text
    assert "280 mm is more than its 170 mm" in text
    assert "0.125 mm" in text
    assert "1.0 %" in text  # of life taken: 0.0097
    assert "12° left of the front mark, 5° above the waist" in text
    assert "/jobs/4/files/program.nc" in text
    assert "/jobs/4/sheet" in text
    assert "opening 1 outline" in text


def test_a_refused_preparation_is_not_to_be_cut(client, fill, settings):
    """One finding that stops the job decides the first sentence."""
    fill(4)
    stop = {"severity": "refuse", "rule": "island", "text": "region 2 falls out", "fix": "add a bridge"}
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.execute(update(tables.Preparation).values(state="refused", findings=[stop]))
    factory.kw["bind"].dispose()
    text = words_of(client.get("/jobs/4"))
    assert "Not to be cut as it is</span>: 1 finding stops it" in text
    assert "region 2 falls out" in text


def test_text_from_the_database_is_escaped(client, fill, settings):
    """A name is text, never markup."""
    fill(5)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.execute(update(tables.Station).where(tables.Station.id == 4).values(name="<b>Gate</b> & co"))
    factory.kw["bind"].dispose()
    for address in ("/", "/jobs", "/jobs/4"):
        text = client.get(address).get_data(as_text=True)
        assert "<b>Gate" not in text
        assert "&lt;b&gt;Gate&lt;/b&gt; &amp; co" in text


def test_refused_designs_show_their_reasons(client, fill):
    """Bad Badge is refused, with the rule, the figures and what helps."""
    fill()
    text = words_of(client.get("/designs"))
    assert "Bad Badge is refused; nothing stops the other 2." in text
    assert "the bridge beside opening 3 is 1.2 mm wide" in text
    assert "measured 1.2 mm, allowed 6 mm" in text
    assert "widen it to 6 mm" in text
    assert client.get("/designs/1/artwork").mimetype == "image/svg+xml"
    assert "sandbox" in client.get("/designs/1/artwork").headers["Content-Security-Policy"]


def test_a_design_that_no_machine_can_cut_is_refused(client, fill, settings):
    """What the preparing found against a design stands beside it, unless some machine can cut it."""
    fill(4)
    stop = {"severity": "refuse", "rule": "island", "text": "region 2 falls out", "fix": "add a bridge"}
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.execute(update(tables.Preparation).values(state="refused", findings=[stop]))
        # jobs 2 and 4 show the first design, Running Fox; 1 and 3 show Moth Pair, which can still be cut
        db.execute(
            update(tables.RunTime)
            .where(tables.RunTime.job_id.in_((2, 4)))
            .values(eligible=False, reason="region 2 falls out")
        )
    factory.kw["bind"].dispose()
    text = words_of(client.get("/designs"))
    assert "Bad Badge and Running Fox are refused; nothing stops the other 1." in text
    assert text.count("region 2 falls out") == 1


def test_machines_say_who_reported_what(client, fill):
    """A state is what somebody reported, with when; a missing proof mark is told."""
    fill()
    text = words_of(client.get("/machines"))
    assert "Wren is reported down; 2 of 3 machines are not." in text
    assert "reported down</span> by Ines" in text
    assert "(40 min ago)" in text
    assert "No valid proof mark</span> Otter and Wren" in text
    assert "<button" not in text


def test_cutters_come_by_machine_the_most_worn_first(client, fill):
    """Fitted ones by machine, then the store; a low life is told by word, shape and bar."""
    fill()
    text = words_of(client.get("/cutters"))
    assert "6F-02 has less than a fifth of life left." in text
    assert text.index("<h2>Heron") < text.index("<h2>Wren") < text.index("<h2>On no machine")
    assert 'aria-label="8 % of life left"' in text


def test_the_plan_page_tells_value_bound_and_word(client, fill):
    """A tier whose bound equals its value cannot be bettered; the other by the difference at most."""
    fill()
    text = words_of(client.get("/plan"))
    assert "leaves 1 lantern undone" in text
    assert "no plan can be better" in text
    assert "may be bettered by 28 at most" in text
    assert "ortools" in text
    assert "<dt>Seed</dt><dd>7</dd>" in text


@pytest.mark.parametrize("address", LISTS)
def test_the_number_of_statements_does_not_grow_with_the_rows(fill, queries_of, settings, address):
    """Forty jobs are read with as many statements as six; the most has the page that counts every table."""
    fill(40)
    many = queries_of(address)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        for table in (tables.PlanRow, tables.RunTime, tables.Preparation, tables.Job):
            column = tables.PlanRow.job_id if table is tables.PlanRow else getattr(table, "job_id", table.id)
            db.query(table).filter(column > 6).delete()
    factory.kw["bind"].dispose()
    assert queries_of(address) == many
    assert many <= 60


def test_errors_are_told_in_words_and_in_json(app, client):
    """404, 409 and 500 have a page each; an address that ends in .json gets JSON."""

    def changed():
        raise Conflict("somebody else changed job 4 in the meantime")

    def broken():
        raise ZeroDivisionError

    for rule, view in (("/changed", changed), ("/broken", broken), ("/broken.json", broken)):
        app.add_url_rule(rule, rule, allow(OPEN)(view))
    for address, status, words in (
        ("/nowhere", 404, "This is not here"),
        ("/jobs/99", 404, "There is no job 99"),
        ("/changed", 409, "Somebody else changed job 4"),
        ("/broken", 500, "This page broke"),
    ):
        answer = client.get(address)
        assert answer.status_code == status
        assert words in words_of(answer)
    assert client.get("/nowhere.json").json == {"error": "This is not here", "status": 404}
    assert client.get("/broken.json").json["status"] == 500


def test_a_database_without_tables_is_told(tmp_path):
    """Not a broken page, but what is missing."""
    made = web.create_app(Settings(f"sqlite:///{tmp_path / 'bare.db'}", tmp_path, "UTC"))
    answer = made.test_client().get("/", follow_redirects=True)
    made.extensions["venue"].factory.kw["bind"].dispose()
    assert answer.status_code == 503
    assert "The database does not answer" in words_of(answer)


def test_the_web_loads_no_solver_and_no_plots():
    """The web process stays small: neither solver nor plots nor compiled kernels are imported."""
    asked = "import web, sys; print(sorted({'ortools', 'matplotlib', 'numba', 'scipy'} & set(sys.modules)))"
    root = Path(__file__).parents[2]
    told = subprocess.run([sys.executable, "-c", asked], cwd=root, capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_a_long_plan_has_two_weeks_of_buttons_and_a_date(client, fill, settings):
    """Forty days do not push the chart off the screen; any of them can be asked for."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        row = db.get(tables.PlanRow, 1)
        row.start_at, row.end_at = (at + timedelta(days=40) for at in (row.start_at, row.end_at))
    factory.kw["bind"].dispose()
    text = client.get("/").get_data(as_text=True)
    days = re.findall(r'href="[^"]*#day-(\d{4}-\d\d-\d\d)"', text)
    assert (days[0], days[-1]) == ("2026-10-21", "2026-11-03")
    assert 'name="day" min="2026-10-21" max="2026-11-30"' in text
    later = client.get("/?day=2026-11-30").get_data(as_text=True)
    assert 'id="day-2026-11-30"' in later
