"""Can people do their day's work in a browser, with hands and with keys alone? Stories, told to the end."""

from __future__ import annotations

import re
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from waitress.server import create_server

from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.services.preparing import inputs_of
from planner.worker import next_done

playwright = pytest.importorskip("playwright.sync_api")
NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
CHROMIUM = Path("/usr/bin/chromium")  # where Debian puts it
SLOW_MS = 120_000  # drawn without a graphics card, on a computer that others use too
RING = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="120mm" viewBox="0 0 120 120">'
    '<path class="opening" fill-rule="evenodd" d="M10 10 H110 V110 H10 Z M40 40 H80 V80 H40 Z"/></svg>'
)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="no /usr/bin/chromium on this computer"),
    # the browser's driver ends its pipes when the interpreter does
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def browser():
    soft = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=str(CHROMIUM), args=soft)
        yield opened
        opened.close()


@pytest.fixture
def served(app, settings: Settings):
    """The pages, with a worker beside them."""
    server = create_server(app, host="127.0.0.1", port=0, threads=4)
    server.task_dispatcher.queue_logger.disabled = True
    threading.Thread(target=server.run, daemon=True).start()
    factory = session_factory(settings.database_url)
    end = threading.Event()

    def work() -> None:
        while not end.is_set():
            if not next_done(settings, factory, "test", lambda: NOW):
                end.wait(0.2)

    worker = threading.Thread(target=work, daemon=True)
    worker.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    end.set()
    worker.join(30)
    server.close()
    factory.kw["bind"].dispose()


@pytest.fixture
def page(browser):
    opened = browser.new_page(viewport={"width": 1024, "height": 768})
    opened.set_default_timeout(SLOW_MS)
    yield opened
    opened.close()


@pytest.fixture
def season(fill, settings: Settings) -> None:
    """Twelve open jobs that every machine can take; job 4 is ready on Heron, with scan, mark and cutter."""
    fill(12, packages=True)
    said = {"recorded_at": NOW, "recorded_by": "Ines"}
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.query(tables.Breakdown).delete()
        for job in db.query(tables.Job):
            job.state, job.run_times = "prepared", []
        db.flush()
        for job in db.query(tables.Job):
            job.run_times = [
                tables.RunTime(
                    machine_id=m, eligible=True, run_min=21, wear={"6F": 0.001},
                    preparation_id=job.id if m == 1 + job.id % 3 else None,
                )
                for m in (1, 2, 3)
            ]  # fmt: skip
        for machine in (1, 2, 3):
            db.add(
                tables.Cutter(
                    name=f"6F-1{machine}", type_name="6F", description={"name": "6F"}, machine_id=machine,
                    state="fitted", **said,
                )
            )  # fmt: skip
        db.add(
            tables.Scan(
                workpiece_id=4, taken_at=NOW - timedelta(hours=1), state="hollow", clamp_number=0,
                tip_radius_mm=1, points=[[1.0, 0, 0], [0, 1, 0], [0, 0, 1]], touches=3, digest="0",
                original="x", **said,
            )
        )  # fmt: skip
        db.flush()
        db.get(tables.Preparation, 4).inputs_digest = inputs_of(db, 4).digest("Heron")
    factory.kw["bind"].dispose()


def press(page, role, name):
    """Reach a control by keyboard and press it, as somebody without a mouse does."""
    control = page.get_by_role(role, name=name, exact=True).first
    control.focus()
    page.keyboard.press("Enter")


def test_a_newcomers_ten_minutes(served, page, tmp_path, request):
    """No season, no machine: drop in a drawing, see it lit on a sphere, mend a bridge, print the sheet."""
    drawing = tmp_path / "ring.svg"
    drawing.write_text(RING)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.goto(f"{served}/try")
    page.set_input_files("input[type=file]", drawing)
    press(page, "button", "See it glow")
    page.wait_for_selector("#stage[data-drawn=yes]")
    page.wait_for_selector("#verdict[data-judged=yes]")
    assert "Not like this" in page.inner_text("#verdict")
    assert "hangs on nothing" in page.inner_text("#findings")
    page.screenshot(path=request.config.cache.mkdir("screens") / "try_on.png", full_page=True)
    page.focus("#grip")
    page.keyboard.press("ArrowRight")
    assert page.input_value("input[name=lon]") == "2"
    press(page, "button", "Put the bridges in")
    page.wait_for_url(re.compile(r"/try/2"))
    page.wait_for_selector("#verdict[data-judged=yes]")
    assert "It holds" in page.inner_text("#verdict")
    page.focus("#print-it")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/try/2/sheet"))
    assert "TRIAL: no program" in page.inner_text("main")
    page.emulate_media(media="print")
    assert page.locator("nav.screen").is_hidden()
    assert said == []  # the drawing library writes no style into the page, which the policy forbids


def test_the_leads_morning(served, season, page):
    """What will be lit, what is missing, a fresh plan looked at and taken: with keys alone."""
    page.goto(f"{served}/tonight")
    assert "11 of 12 will be lit" in page.inner_text("h1")
    assert "no XL piece is hollowed" in page.inner_text("main")
    press(page, "button", "Plan anew from now")
    page.wait_for_url(re.compile(r"/drafts/\d+$"))
    assert "What moves, and why" in page.inner_text("main")
    press(page, "button", "Take this plan")
    page.wait_for_url(re.compile(r"/tonight"))
    assert "is in force" in page.inner_text("main")


def test_a_breakdown_and_its_plan(served, season, page):
    """Two taps, then what moved and why, then taken, then taken back."""
    page.goto(f"{served}/tonight")
    page.get_by_text("Heron is down", exact=True).click()
    page.locator("details[open]").get_by_role("button", name="belt", exact=True).click()
    page.wait_for_url(re.compile(r"/drafts/\d+$"))
    assert "Heron is reported down: belt" in page.inner_text("table")
    page.get_by_role("button", name="Take this plan").click()
    page.wait_for_url(re.compile(r"/tonight"))
    assert "reported down" in page.inner_text("main")
    page.get_by_role("button", name=re.compile(r"Take back\s*: plan")).click()
    page.wait_for_load_state()
    assert "taken back: plan" in page.inner_text("main")


def test_a_breakdown_by_keys_alone(served, season, page):
    """The fold opens with Enter, the reason is a button; the draft is put away and the plan stays."""
    page.goto(f"{served}/tonight")
    fold = page.locator("summary", has_text="Otter is down")
    fold.focus()
    page.keyboard.press("Enter")
    spindle = page.locator("details[open]").get_by_role("button", name="spindle", exact=True)
    spindle.focus()
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/drafts/\d+$"))
    assert "Otter is reported down: spindle" in page.inner_text("table")
    press(page, "button", "Put it away")
    page.wait_for_url(re.compile(r"/tonight"))
    assert "the plan in force stays" in page.inner_text("main")


def test_what_ifs_stand_side_by_side(served, season, page):
    """Two questions, two drafts, one table; each column says what it was asked for."""
    for machine in ("Heron", "Otter"):
        page.goto(f"{served}/tonight")
        page.locator("summary", has_text="What if?").click()
        page.get_by_label("A machine is down").select_option(label=machine)
        page.get_by_role("button", name="Try it").click()
        page.wait_for_url(re.compile(r"/drafts/\d+$"))
    page.get_by_role("link", name="All drafts side by side").click()
    head = page.inner_text("table.sides thead")
    assert "what if Heron is down for 26 h" in head
    assert "what if Otter is down for 26 h" in head
    assert page.locator("table.sides tbody tr").count() >= 5


def test_a_job_is_dragged_on_the_chart(served, season, page):
    """Pulled from its lane to another one, the form below says where it would go; it is left again."""
    page.goto(f"{served}/")
    page.get_by_role("button", name="Move jobs").click()
    bar = page.locator("a[data-job='10'] rect.bar")
    bar.scroll_into_view_if_needed()
    box, lane = bar.bounding_box(), page.locator("svg.strip rect.lane").nth(1).bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2 + 60, lane["y"] + lane["height"] / 2, steps=6)
    page.mouse.up()
    assert "Orangery 10 to Otter" in page.inner_text("#move-tray output")
    press(page, "button", "Leave it")
    assert page.locator("#move-tray").is_hidden()


def test_a_stale_edit_is_told(served, season, page, settings):
    """Somebody else chose another piece meanwhile: nothing is kept, and the page says what to do."""
    page.goto(f"{served}/jobs/4")
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        said = {"recorded_at": NOW, "recorded_by": "Ines"}
        db.add(tables.Workpiece(id=99, lot_id=1, number="0199", diameter_mm=280, height_mm=230, **said))
        db.flush()
        db.add(
            tables.Scan(
                workpiece_id=99, taken_at=NOW, state="whole", clamp_number=0, tip_radius_mm=1, touches=3,
                points=[[1.0, 0, 0], [0, 1, 0], [0, 0, 1]], digest="1", original="x", **said,
            )
        )  # fmt: skip
    page.goto(f"{served}/jobs/4")
    with unit_of_work(factory) as db:
        db.get(tables.Job, 4).priority = 5  # its revision goes up
    factory.kw["bind"].dispose()
    page.get_by_role("button", name="Take it").click()
    assert "Changed meanwhile" in page.inner_text("h1")
    assert "Nothing of yours was kept" in page.inner_text("main")
    page.get_by_role("link", name="Back, and look again").click()
    page.wait_for_url(re.compile(r"/jobs/4"))


def test_the_wall_fits_one_screen(served, fill, browser):
    """A hundred and twenty stations on a screen of 1920 by 1080: nothing to scroll."""
    fill(120)
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.set_default_timeout(SLOW_MS)
    for address in ("/wall", "/wall/season"):
        page.goto(served + address)
        height, width = page.evaluate(
            "[document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
        )
        assert (height <= 1080, width <= 1920) == (True, True), address
    page.close()


def test_a_job_is_moved_by_keys_on_the_chart(served, season, page):
    """Arrow keys choose time and machine, Enter asks; the draft keeps it there."""
    page.goto(f"{served}/")
    press(page, "button", "Move jobs")
    bar = page.locator("a[data-job='10']")
    bar.focus()
    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowDown")
    assert "Orangery 10 to Otter" in page.inner_text("#move-tray output")
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/drafts/\d+$"))
    assert "pinned by Demo lead" in page.inner_text("main")


def test_a_hands_job_from_tag_to_lit_check(served, season, page):
    """The tag, six checks, start, finished, rated, in place: with keys alone."""
    page.goto(f"{served}/floor")
    page.get_by_label("Or type or scan the piece's tag").focus()
    page.keyboard.type("0104")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/floor/2\?"))
    assert "is the right one" in page.inner_text("main")
    for box in page.locator("input[name=check]").all():
        box.focus()
        page.keyboard.press("Space")
    press(page, "button", "I start it now")
    page.wait_for_selector("text=is being cut on Heron")
    press(page, "button", "Finished")
    page.wait_for_url(re.compile(r"/lit-check"))
    press(page, "button", "8")
    page.wait_for_selector("text=8 of 10")
    press(page, "button", "It stands in its place")
    page.wait_for_url(re.compile(r"/jobs/4$"))
    assert "in place" in page.inner_text("main")
