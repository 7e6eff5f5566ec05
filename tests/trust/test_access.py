"""Does nobody get in who should not, and nothing out? Lines of OWASP ASVS 4.0.3, level 1, as tests."""

# ruff: noqa: E501 - what is tried stands as it comes
from __future__ import annotations

import io
import re
import threading
from base64 import b32decode
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from flask import Flask
from sqlalchemy import select
from waitress.server import create_server

import web
from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import reading, session_factory, unit_of_work
from planner.errors import Refused
from planner.services import people, second_factor
from tests.bench.pages import fill
from web.command import show_second_factor

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
PASSWORD = "apple ladder seven rain"
TOP = Path(__file__).parents[2]
CHROMIUM = Path("/usr/bin/chromium")  # where Debian puts it
EVIL = (
    "{{7*191}}",
    "${7*191}",
    "<script>alert(1)</script>",
    '"><img src=x>',
    "=cmd|' /C calc'!A0",
    "a\r\nX-Evil: 1",
)


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    folder = tmp_path_factory.mktemp("access")
    made = Settings(f"sqlite:///{folder / 'a.db'}", folder, "Europe/London")
    migrate.upgrade(made.database_url)
    factory = session_factory(made.database_url)
    with unit_of_work(factory) as db:
        fill(db, 6)
    factory.kw["bind"].dispose()
    return made


@pytest.fixture
def app(settings: Settings) -> Iterator[Flask]:
    made = web.create_app(settings, clock=lambda: NOW)
    yield made
    made.extensions["venue"].factory.kw["bind"].dispose()


@pytest.fixture
def signed_in(app: Flask) -> Callable[..., Any]:
    """Give a browser of somebody with a role, signed in by the page."""
    app.config["WTF_CSRF_ENABLED"] = False
    number = iter(range(10**9))

    def browser(role: str = "keeper", password: str = PASSWORD) -> Any:
        with unit_of_work(app.extensions["venue"].factory) as db:
            token = people.invite(db, role, by="test", at=NOW)
            name = f"{role} {next(number)} {token[:5]}"
        client = app.test_client()
        assert client.post(f"/welcome/{token}", data={"name": name, "password": password}).status_code == 302
        client.called = name
        return client

    return browser


@pytest.mark.parametrize(
    "password",
    ["short", "x" * 129, "aaaaaaaaaaaa", "abcabcabcabc", "password1234", "qwertyuiopas", "abcdefghijkl", "112233112233",
     "Halloween2026!", "lanternwright", "ines-ines-2026"],
)  # fmt: skip
def test_passwords_that_are_too_short_long_or_common_are_refused(password: str) -> None:
    """2.1.1, 2.1.2, 2.1.7: length, and what stands at the head of lists of broken ones."""
    with pytest.raises(Refused):
        people._good_password(password, "Ines")


@pytest.mark.parametrize(
    "password",
    ["apple ladder seven rain " * 3, "🎃 Straße ねこ O'Hara", "applesladderrain", "q" * 60 + "wertäü"],
)
def test_long_passwords_of_any_signs_are_taken(password: str) -> None:
    """2.1.2, 2.1.3, 2.1.4, 2.1.9: 64 characters, spaces, any script; nothing is cut off."""
    assert people._good_password(password, "Ines") == password
    kept = people.key_of(password)
    assert people.fits(password, kept) and not people.fits(password[:-1], kept)


def test_a_password_is_changed_with_the_old_one(signed_in: Callable[..., Any]) -> None:
    """2.1.5, 2.1.6, 3.3.3: a wrong old one changes nothing; afterwards every device signs in anew."""
    client, new = signed_in("viewer"), "seven other quiet words"
    assert client.post("/password", data={"old": "not this one", "new": new}).status_code == 422
    assert client.get("/jobs").status_code == 200
    assert client.post("/password", data={"old": PASSWORD, "new": "short"}).status_code == 422
    assert client.post("/password", data={"old": PASSWORD, "new": new}).status_code == 302
    assert client.get("/jobs").status_code == 302
    said = {"name": client.called, "password": PASSWORD}
    assert client.post("/sign-in", data=said).status_code == 422
    assert client.post("/sign-in", data=said | {"password": new}).status_code == 302


def test_a_change_of_credentials_is_told_at_the_next_sign_in(
    signed_in: Callable[..., Any], app: Flask
) -> None:
    """2.2.3, 2.5.5: a new password and a new role stand on the next page, and on that of changes for everybody."""
    client, keeper, new = signed_in("hand"), signed_in("keeper"), "seven other quiet words"
    client.post("/password", data={"old": PASSWORD, "new": new})
    page = client.post("/sign-in", data={"name": client.called, "password": new}, follow_redirects=True)
    assert f"the password of {client.called} was changed, at 127.0.0.1" in page.text
    assert "tell a keeper if that is wrong" in page.text
    with reading(app.extensions["venue"].factory) as db:
        number = db.scalar(select(tables.Person.id).where(tables.Person.name == client.called))
    keeper.post(f"/people/{number}", data={"role": "viewer", "active": "on"})
    page = client.post("/sign-in", data={"name": client.called, "password": new}, follow_redirects=True)
    assert f"{client.called} is viewer now" in page.text and f"by {keeper.called}" in page.text
    assert f"the password of {client.called} was changed" in keeper.get("/changes").text
    other = keeper.post("/sign-in", data={"name": keeper.called, "password": PASSWORD}, follow_redirects=True)
    assert f"the password of {client.called}" not in other.text
    with reading(app.extensions["venue"].factory) as db:
        late = people.lately_changed(db, client.called, at=NOW + timedelta(days=people.TOLD_DAYS))
    assert late == ()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_password_can_be_seen_and_is_rated(app: Flask) -> None:
    """2.1.8, 2.1.12: a button shows what was typed, a meter rates a new one; what is refused is never called good."""
    driver_of = pytest.importorskip("playwright.sync_api").sync_playwright
    if not CHROMIUM.exists():
        pytest.skip(f"no {CHROMIUM} on this computer")
    with unit_of_work(app.extensions["venue"].factory) as db:
        token = people.invite(db, "viewer", by="test", at=NOW)
    server = create_server(app, host="127.0.0.1", port=0, threads=2)
    threading.Thread(target=server.run, daemon=True).start()
    with driver_of() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{server.effective_port}/welcome/{token}")
        field, meter = page.locator("input[name=password]"), page.locator("meter")
        rated = {}
        for password in ("short", "aaaaaaaaaaaa", "abcabcabcabc", "apple ladder s", PASSWORD):
            field.fill(password)
            rated[password] = meter.evaluate("meter => meter.value")
        assert list(rated.values()) == [0, 1, 1, 2, 4]
        assert field.get_attribute("type") == "password"
        page.get_by_role("button", name="Show").click()
        assert field.get_attribute("type") == "text" and field.input_value() == PASSWORD
        page.get_by_role("button", name="Hide").click()
        assert field.get_attribute("type") == "password"
        browser.close()
    server.close()


@pytest.mark.parametrize(
    ("seconds", "code"),
    [(59, "94287082"), (1111111109, "07081804"), (1111111111, "14050471"), (1234567890, "89005924"),
     (2000000000, "69279037"), (20000000000, "65353130")],
)  # fmt: skip
def test_codes_are_those_of_the_standard(seconds: int, code: str) -> None:
    """RFC 6238, appendix B, SHA-1 (from memory)."""
    assert second_factor.code_of(b"12345678901234567890", seconds // 30, 8) == code


def test_a_code_works_once_and_for_a_short_time() -> None:
    """RFC 6238, 5.2: one step to either side, never a step that was used or lies before it; nothing else counts."""
    secret, now = b"12345678901234567890", datetime.fromtimestamp(1234567890, UTC)
    step = 1234567890 // 30
    for around in (-1, 0, 1):
        typed = second_factor.code_of(secret, step + around)
        assert second_factor.step_of(secret, f" {typed[:3]} {typed[3:]}", 0, at=now) == step + around
        assert second_factor.step_of(secret, typed, step + around, at=now) is None
    for wrong in (
        second_factor.code_of(secret, step + 2),
        second_factor.code_of(secret, step - 2),
        "",
        "x",
        "\u0663" * 6,
    ):
        assert second_factor.step_of(secret, wrong, 0, at=now) is None


def test_keepers_show_a_second_factor_where_it_is_asked_for(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """4.3.1: the password alone, a wrong code or one used before let no keeper in; others need none."""
    monkeypatch.setenv("LANTERNWRIGHT_SECOND_FACTOR", "1")
    made = web.create_app(settings, clock=lambda: NOW)
    made.config["WTF_CSRF_ENABLED"] = False
    factory = made.extensions["venue"].factory
    with unit_of_work(factory) as db:
        links = {role: people.invite(db, role, by="test", at=NOW) for role in ("keeper", "lead")}
    for role, link in links.items():
        client = made.test_client()
        client.post(f"/welcome/{link}", data={"name": f"coded {role}", "password": PASSWORD})
        assert client.get("/jobs").status_code == (302 if role == "keeper" else 200)
    monkeypatch.setenv("LANTERNWRIGHT_DATABASE_URL", settings.database_url)
    monkeypatch.setenv("LANTERNWRIGHT_FOLDER", str(settings.folder))
    told = CliRunner().invoke(show_second_factor, ["--person", "nobody"])
    assert told.exit_code == 2 and told.output == "lanternwright: there is no person 'nobody'\n"
    shown = CliRunner().invoke(show_second_factor, ["--person", "coded keeper"]).output
    secret = b32decode(re.search("secret=([A-Z2-7]+)", shown)[1])  # type: ignore[index]
    right = second_factor.code_of(secret, int(NOW.timestamp()) // 30)
    wrong = f"{(int(right) + 1) % 1_000_000:06}"
    said = {"name": "coded keeper", "password": PASSWORD}
    answers = [
        made.test_client().post("/sign-in", data=said | {"code": code}).status_code
        for code in ("", wrong, right, right)
    ]
    assert answers == [422, 422, 302, 422]
    lead = made.test_client().post("/sign-in", data={"name": "coded lead", "password": PASSWORD})
    assert lead.status_code == 302
    factory.kw["bind"].dispose()


def test_the_cookie_is_for_this_host_and_no_script(
    settings: Settings, signed_in: Callable[..., Any], app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    """3.1.1, 3.4.1 to 3.4.5, 14.4.5: HttpOnly and SameSite always; Secure, `__Host-` and HSTS behind HTTPS."""
    client = signed_in("viewer")
    set_again = client.post("/sign-in", data={"name": client.called, "password": PASSWORD})
    cookie = set_again.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Lax" in cookie and "Path=/" in cookie and "Domain" not in cookie
    assert "token" not in set_again.headers["Location"]
    monkeypatch.setenv("LANTERNWRIGHT_HTTPS", "1")
    behind = web.create_app(settings, clock=lambda: NOW)
    behind.config["WTF_CSRF_ENABLED"] = False
    there = behind.test_client().post("/sign-in", data={"name": client.called, "password": PASSWORD})
    assert there.headers["Set-Cookie"].startswith("__Host-lanternwright=")
    assert "Secure" in there.headers["Set-Cookie"]
    assert there.headers["Strict-Transport-Security"].startswith("max-age=15724800")
    behind.extensions["venue"].factory.kw["bind"].dispose()


def test_a_token_that_was_signed_out_is_nobody(signed_in: Callable[..., Any], app: Flask) -> None:
    """3.3.1: the cookie of before, sent again, opens nothing; nor does one after 14 hours (3.3.2)."""
    client = signed_in("viewer")
    kept = client.get_cookie("lanternwright").value
    client.post("/sign-out")
    client.set_cookie("lanternwright", kept)
    assert client.get("/jobs").status_code == 302
    late = signed_in("viewer")
    venue = app.extensions["venue"]
    app.extensions["venue"] = type(venue)(venue.settings, venue.factory, lambda: NOW + timedelta(hours=15))
    assert late.get("/jobs").status_code == 302
    app.extensions["venue"] = venue


def test_a_forged_or_changed_cookie_is_nobody(app: Flask, signed_in: Callable[..., Any]) -> None:
    """3.5.3, 4.1.2: signed by another key, or one sign changed."""
    client = signed_in("keeper")
    kept = client.get_cookie("lanternwright").value
    middle = len(kept) // 2
    client.set_cookie(
        "lanternwright", kept[:middle] + ("A" if kept[middle] != "A" else "B") + kept[middle + 1 :]
    )
    assert client.get("/people").status_code == 302


@pytest.mark.parametrize("evil", EVIL)
def test_what_people_type_is_only_text(signed_in: Callable[..., Any], evil: str) -> None:
    """5.2.5, 5.3.1, 5.3.3: no template, no markup, no header comes of a query, a name or a reason."""
    client = signed_in("keeper")
    for address in ("/jobs", "/workpieces", "/sign-in"):
        answer = client.get(address, query_string={"q": evil, "next": evil, "state": evil})
        assert "X-Evil" not in answer.headers
        assert (
            "1337" not in answer.text
            and "<script>alert" not in answer.text
            and "<img src=x>" not in answer.text
        )
    made = client.post("/tokens", data={"machine": "1", "name": evil})
    assert made.status_code < 500 and "X-Evil" not in made.headers
    assert "<script>alert" not in made.text and "1337" not in made.text


@pytest.mark.parametrize("evil", EVIL[:5])
def test_no_cell_of_an_export_begins_a_formula(signed_in: Callable[..., Any], app: Flask, evil: str) -> None:
    """OWASP, CSV injection: every text cell of every exported table that would begin a formula is quoted."""
    client = signed_in("keeper")
    with unit_of_work(app.extensions["venue"].factory) as db:
        for row in db.scalars(select(tables.Station).limit(3)):
            row.area = evil
    for table in client.get("/api/v1/tables").get_json():
        answer = client.get(f"/api/v1/tables/{table}.csv")
        assert answer.headers["Content-Disposition"] == f"attachment; filename={table}.csv"
        assert not re.search(r'(^|,)"?[=@][A-Za-z]', answer.text, re.MULTILINE), table


@pytest.mark.parametrize(
    "name",
    [
        "../../secret",
        "..\\..\\secret",
        "/etc/passwd",
        "a\x00.svg",
        "con.svg",
        "a" * 3000 + ".svg",
        "x.svg\r\nX-Evil: 1",
    ],
)
def test_names_of_uploads_are_only_names(
    signed_in: Callable[..., Any], app: Flask, settings: Settings, name: str
) -> None:
    """12.3.1 to 12.3.5: whatever a file is called, no file of that name is read or written."""
    client = signed_in("lead")
    before = {
        path: path.stat().st_mtime for path in settings.folder.rglob("*") if path.suffix not in (".db", "")
    }
    for rule in app.url_map.iter_rules():
        if (
            "POST" in (rule.methods or ())
            and "<" not in str(rule)
            and not str(rule).startswith(("/api", "/sign", "/people"))
        ):
            part = (io.BytesIO(b"<svg xmlns='http://www.w3.org/2000/svg'/>"), name)
            answer = client.post(str(rule), data={"file": part, "artwork": part[:0] or "x"})
            assert answer.status_code < 500, rule
            assert "X-Evil" not in answer.headers
            answer.close()
    after = {
        path: path.stat().st_mtime for path in settings.folder.rglob("*") if path.suffix not in (".db", "")
    }
    assert {p: t for p, t in after.items() if "-wal" not in p.name and "-shm" not in p.name} == {
        p: t for p, t in before.items() if "-wal" not in p.name and "-shm" not in p.name
    }


@pytest.mark.parametrize(("file_name", "kind"), [("a.svg", "image/svg+xml"), ("a.png", "image/png")])
def test_a_drawing_comes_back_as_a_picture_in_which_nothing_runs(
    signed_in: Callable[..., Any], app: Flask, file_name: str, kind: str
) -> None:
    """5.2.7, 12.4.2, 12.5.2: whatever bytes were kept come with the type of their name, in a sandbox without scripts."""
    with unit_of_work(app.extensions["venue"].factory) as db:
        kept = db.get(tables.DesignVersion, 1)
        assert kept is not None
        kept.artwork, kept.file_name = b"<svg onload='alert(1)'><script>alert(1)</script></svg>", file_name
    answer = signed_in("viewer").get("/designs/1/artwork")
    rules = answer.headers["Content-Security-Policy"]
    assert answer.mimetype == kind and answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in rules and "allow-scripts" not in rules and "default-src 'none'" in rules
    assert "script-src" not in rules
    with unit_of_work(app.extensions["venue"].factory) as db:
        kept = db.get(tables.DesignVersion, 1)
        assert kept is not None
        kept.file_name = "a.html"
    assert signed_in("viewer").get("/designs/1/artwork").status_code == 404


def test_every_answer_of_the_interface_is_a_file_of_its_type(signed_in: Callable[..., Any]) -> None:
    """8.2.1, 14.4.1, 14.4.2, 14.4.4: type, no sniffing, no caching, and nothing that opens as a page."""
    answer = signed_in("keeper").get("/api/v1/jobs")
    assert answer.headers["Content-Type"] == "application/json"
    assert answer.headers["Content-Disposition"] == 'attachment; filename="api.json"'
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "no-store" in answer.headers["Cache-Control"]


def test_a_wrong_method_or_an_unknown_address_tells_nothing(signed_in: Callable[..., Any]) -> None:
    """4.3.2, 7.4.1, 13.2.1, 14.3.2, 14.3.3: no listing, no debugger, no version, other methods refused."""
    client = signed_in("keeper")
    for address in (
        "/static/",
        "/static/../secret",
        "/.git/config",
        "/secret",
        "/console",
        "/jobs/../../secret",
    ):
        assert client.get(address).status_code in (302, 404), address
    for method in ("PUT", "DELETE", "PATCH", "TRACE"):
        answer = client.open("/api/v1/jobs", method=method)
        assert answer.status_code == 405
        assert "Werkzeug" not in answer.text and "Traceback" not in answer.text


def test_fields_that_are_not_asked_for_are_refused(signed_in: Callable[..., Any]) -> None:
    """5.1.1, 5.1.2: one more key, or a number where a word belongs, and nothing is kept."""
    client = signed_in("lead")
    for body in (
        {"hours": 2, "reason": "x", "role": "keeper"},
        {"hours": "2", "reason": "x"},
        [1],
        {"hours": 1e308},
    ):
        assert client.post("/api/v1/machines/1/down", json=body).status_code == 422


def test_no_secret_stands_in_the_database(app: Flask, signed_in: Callable[..., Any]) -> None:
    """2.4.1, 3.2.2, 7.1.1: passwords, tokens of people and machines are kept as keys and digests alone."""
    client = signed_in("keeper")
    shown = client.post("/tokens", data={"machine": "1", "name": "trial"}).text
    token = re.search(r"machine-[\w-]{40,}", shown)
    assert token is not None
    with client.session_transaction() as held:
        person = held["token"]
    with reading(app.extensions["venue"].factory) as db:
        kept = " ".join(
            str(tuple(row))
            for table in tables.Base.metadata.sorted_tables
            for row in db.execute(select(table))
        )
    for secret in (token[0], person, PASSWORD):
        assert secret not in kept
    assert token[0] not in client.get("/people").text  # shown once


def test_every_line_of_level_one_is_answered() -> None:
    """DEVELOPERS.md answers each line of level 1, and names only tests that are there."""
    text = (TOP / "DEVELOPERS.md").read_text()
    part = text[text.index("### Access") : text.index("## Changes")]
    told = set(re.findall(r"(?<![\d.])(\d{1,2}\.\d{1,2}\.\d{1,2})(?![\d.])", part))
    assert set(LEVEL_ONE.split()) - told == set()
    for name in set(re.findall(r"`(test_\w+)`", part)):
        assert any(f"def {name}(" in path.read_text() for path in (TOP / "tests").rglob("test_*.py")), name


# the lines of OWASP ASVS 4.0.3 with a mark under level 1, by its published table
LEVEL_ONE = """
2.1.1 2.1.2 2.1.3 2.1.4 2.1.5 2.1.6 2.1.7 2.1.8 2.1.9 2.1.10 2.1.11 2.1.12 2.2.1 2.2.2 2.2.3 2.3.1 2.5.1 2.5.2 2.5.3
2.5.4 2.5.5 2.5.6 2.7.1 2.7.2 2.7.3 2.7.4 2.8.1 3.1.1 3.2.1 3.2.2 3.2.3 3.3.1 3.3.2 3.4.1 3.4.2 3.4.3 3.4.4 3.4.5
3.7.1 4.1.1 4.1.2 4.1.3 4.1.5 4.2.1 4.2.2 4.3.1 4.3.2 5.1.1 5.1.2 5.1.3 5.1.4 5.1.5 5.2.1 5.2.2 5.2.3 5.2.4 5.2.5
5.2.6 5.2.7 5.2.8 5.3.1 5.3.2 5.3.3 5.3.4 5.3.5 5.3.6 5.3.7 5.3.8 5.3.9 5.3.10 5.5.1 5.5.2 5.5.3 5.5.4 6.2.1 7.1.1
7.1.2 7.4.1 8.2.1 8.2.2 8.2.3 8.3.1 8.3.2 8.3.3 8.3.4 9.1.1 9.1.2 9.1.3 10.3.1 10.3.2 10.3.3 11.1.1 11.1.2 11.1.3
11.1.4 11.1.5 12.1.1 12.3.1 12.3.2 12.3.3 12.3.4 12.3.5 12.4.1 12.4.2 12.5.1 12.5.2 12.6.1 13.1.1 13.1.3 13.2.1
13.2.2 13.2.3 13.3.1 14.2.1 14.2.2 14.2.3 14.3.2 14.3.3 14.4.1 14.4.2 14.4.3 14.4.4 14.4.5 14.4.6 14.4.7 14.5.1
14.5.2 14.5.3
"""
