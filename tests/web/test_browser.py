"""Do the pages work in a browser, on a tablet and on the wall? Screenshots are kept for people to look at."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from waitress.server import create_server

from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.database.states import Role
from planner.services import people
from web.paper import KINDS

playwright = pytest.importorskip("playwright.sync_api")
Axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe
NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
CHROMIUM = Path("/usr/bin/chromium")  # where Debian puts it
PAGES = {
    "tonight": "/tonight", "season": "/", "floor": "/floor", "floor_machine": "/floor/2", "try": "/try",
    "jobs": "/jobs", "job": "/jobs/4", "move": "/jobs/10/move", "lit_check": "/jobs/4/lit-check",
    "plan": "/plan", "draft": "/drafts/1", "pieces": "/workpieces", "designs": "/designs",
    "machines": "/machines", "cutters": "/cutters", "venue": "/venue", "paper": "/paper",
    "changes": "/changes", "export": "/export", "sign_in": "/sign-in", "missing": "/nowhere",
    "wall": "/wall", "wall_season": "/wall/season", "drafts": "/drafts", "piece": "/workpieces/4",
    "review": "/review", "review_paper": "/review/paper", "venue_cost": "/venue?person_hour=20",
    "choosing": "/choosing", "benches": "/benches", "enter": "/enter", "enter_pieces": "/enter/pieces",
    "enter_nights": "/enter/nights", "wanted": "/wanted", "walk": "/walk", "cutter": "/cutters/1",
    "machine_checks": "/machines/checks", "photos": "/photos", "lasting": "/lasting",
    "waiting": "/drafts/waiting/1", "try_on": "/try/1", "trial_paper": "/try/1/sheet",
    "sheet": "/jobs/4/sheet", **{f"paper_{kind}": f"/paper/{kind}" for kind in KINDS},
}  # fmt: skip
INVITED = {"password": "/password", "people": "/people"}  # for whoever has signed in as a keeper
# what is asked for by GET and is no page: pictures, files, JSON, and ways that lead on to a page
NO_PAGES = (
    "/drafts/waiting/1.json", "/enter/pieces.csv", "/floor/2/jobs/4/look.png", "/jobs/4/files/lit.png",
    "/library/plotly.js", "/photos/no.jpg", "/pictures/job_4/heron/small.jpg", "/static/pages.css",
    "/tag?number=0104", "/tag/0104", "/try/1/findings.json", "/try/1/pattern.json", "/try/1/skin.json",
    "/try/works/1.json", "/units/inch", "/works.json", "/designs/1/artwork", "/workpieces/4/unrolled.svg",
)  # fmt: skip
WCAG = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
# targets that are shown and lower than 48 px; a tick counts with the label that holds it
LOW = """[...document.querySelectorAll('.button, button, input, select, summary, nav a, .check, .tick')]
  .filter(one => one.offsetHeight && one.offsetHeight < 48)
  .filter(one => !(one.type === 'checkbox' && one.closest('label')))
  .map(one => one.outerHTML.slice(0, 90))"""
SIZES = ((1024, 768, "dark"), (1920, 1080, "light"))

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="no /usr/bin/chromium on this computer"),
    # the browser's driver ends its pipes when the interpreter does
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture
def filled(fill, settings):
    """Forty jobs with packages, and a draft that waits for the worker."""
    fill(40, packages=True)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        said = {"recorded_at": NOW, "recorded_by": "Ines"}
        asked = {"season_id": 1, "why": "Wren is down"}
        db.add(tables.Work(id=1, kind="draft plan", state="waiting", arguments=asked, **said))
    yield factory
    factory.kw["bind"].dispose()


@pytest.fixture
def address(app, filled):
    server = create_server(app, host="127.0.0.1", port=0, threads=4)
    server.task_dispatcher.queue_logger.disabled = True  # a full queue on a slow computer is no error
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield opened
        opened.close()


def test_every_page_is_in_the_list(app, client, filled):
    """A new page is opened, photographed and judged with the others; what is no page is not shown as one."""
    at = app.url_map.bind("127.0.0.1")
    seen = {
        at.match(path.partition("?")[0])[0]
        for path in (*PAGES.values(), *INVITED.values(), *NO_PAGES)
        if path != "/nowhere"
    }
    seen.add("people.welcome")  # opened on the way to the pages of a keeper
    pages = {
        rule.endpoint
        for rule in app.url_map.iter_rules()
        if "GET" in (rule.methods or ()) and not rule.rule.startswith("/api/")
    }
    assert pages - seen == set()
    answers = {path: client.get(path) for path in NO_PAGES}
    shown = {path: answer.mimetype for path, answer in answers.items() if answer.status_code == 200}
    assert [path for path, kind in shown.items() if kind == "text/html"] == []


@pytest.mark.parametrize(("width", "height", "scheme"), SIZES)
def test_every_page_opens_without_complaint(browser, address, request, filled, width, height, scheme):
    """No error on the console, nothing wider than the screen, body text 16 px or more, no barrier (axe).

    The rules are those of axe-core for WCAG 2.2 A and AA; the screenshots stay in pytest's cache.
    """
    kept = request.config.cache.mkdir("screens")
    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
    said: list[str] = []
    # warnings are the browser's advice to the library that draws in the round
    page.on("console", lambda one: said.append(f"{page.url} {one.text}") if one.type != "warning" else None)
    page.on("pageerror", lambda error: said.append(f"{page.url} {error}"))
    wrong = []
    for name, path in PAGES.items():
        page.goto(address + path, wait_until="networkidle")
        wrong += looked_at(page, kept / f"{name}_{width}.png")
    with unit_of_work(filled) as db:
        token = people.invite(db, Role.KEEPER, by="test", at=NOW)
    page.goto(f"{address}/welcome/{token}")
    wrong += looked_at(page, kept / f"welcome_{width}.png")
    page.fill("input[name=name]", f"Ada {width}")
    page.fill("input[name=password]", "apple ladder seven rain")
    page.click("text=Begin")
    for name, path in INVITED.items():
        page.goto(address + path, wait_until="networkidle")
        wrong += looked_at(page, kept / f"{name}_{width}.png")
    page.close()
    assert wrong == []
    # the browser itself reports the answer 404 of the page that is not there
    assert [one for one in said if "/nowhere" not in one] == []


def looked_at(page, picture):
    """Keep a picture of the page that is open, and return what is wrong with it."""
    page.screenshot(path=picture, full_page=True)
    barriers = Axe().run(page, options=WCAG).response["violations"]
    wrong = [f"{one['id']}: {one['nodes'][0]['html'][:160]}" for one in barriers]
    wrong += [f"lower than 48 px: {one}" for one in page.evaluate(LOW)]
    if page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") < 16:
        wrong.append("text below 16 px")
    if page.evaluate("document.documentElement.scrollWidth") > page.viewport_size["width"]:
        wrong.append("wider than the screen")
    return [f"{picture.stem}: {one}" for one in wrong]


def test_lists_filter_as_one_types(browser, address):
    """Rows of the page at once, a paged list from the server a moment later."""
    page = browser.new_page()
    page.goto(f"{address}/workpieces")
    page.fill("input[data-filters]", "0107")
    assert page.locator("#piece-rows tbody tr:visible").count() == 1
    page.goto(f"{address}/jobs")
    page.fill("input[name=q]", "orangery 37")
    playwright.expect(page.locator("#list tbody tr")).to_have_count(1)
    assert "Orangery 37" in page.inner_text("#list")
    assert "q=orangery" in page.url
    page.close()


def test_progress_stays_fresh(browser, address, settings):
    """Words and bar follow the work; when it ends, the page is loaded again."""
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        said = {"recorded_at": NOW, "recorded_by": "Ines"}
        work = tables.Work(kind="prepare", state="running", done=3, total=9, **said)
        db.add(work)
        db.get_one(tables.Work, 1).state = "done"  # the draft's, so that one work is left
    page = browser.new_page()
    page.goto(address)
    words = page.locator(".work-words")
    playwright.expect(words).to_have_text("3 of 9")
    with unit_of_work(factory) as db:
        db.get(tables.Work, work.id).done = 7
    playwright.expect(words).to_have_text("7 of 9")
    assert page.locator("progress").evaluate("bar => bar.value") == 7
    with unit_of_work(factory) as db:
        db.get(tables.Work, work.id).state = "done"
    playwright.expect(page.locator("#works")).to_be_hidden()
    page.close()
    factory.kw["bind"].dispose()


def test_the_skip_link_and_focus(browser, address):
    """The first tab stop leads past the navigation, and it is seen."""
    page = browser.new_page()
    page.goto(address)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    page.close()


def test_pages_read_without_scripts(browser, address):
    """All words are there when no script runs."""
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{address}/jobs?q=gate+5")
    assert "Gate 5" in page.inner_text("main")
    page.goto(address)
    assert "planned to be lit" in page.inner_text("h1")
    context.close()
