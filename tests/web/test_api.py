"""Does the interface for programs do what its document says, and nothing for those who may not?"""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta

import jsonschema
import pytest
from openapi_spec_validator import validate as validate_document

import web
from planner.config import Settings
from planner.database import tables
from planner.database.session import session_factory, unit_of_work
from planner.services import people
from planner.services.export import SECRET, tables_to_export
from web.api import OPERATIONS
from web.api_document import description

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
READS = [one.rule for one in OPERATIONS if one.method == "GET" and "<" not in one.rule]


@pytest.fixture
def api(client):
    """Ask and send as a program of a signed-in lead does."""
    token = client.get("/api/v1/me").json["csrf_token"]

    def send(method, path, **body):
        headers = {"X-CSRFToken": token}
        return client.open(f"/api/v1{path}", method=method, json=body or None, headers=headers)

    return send


@pytest.fixture
def controller(app, fill, settings: Settings):
    """Report as the controller of Heron does."""
    fill(6)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        token = people.make_machine_token(db, 2, "controller", by="Ann", at=NOW)
    factory.kw["bind"].dispose()

    def report(*reports, held=token):
        sent = {"reports": list(reports)}
        head = {"Authorization": f"Bearer {held}"}
        return app.test_client().post("/api/v1/machine-reports", json=sent, headers=head)

    return report


def told(number, kind, minutes=0, **more):
    return {"event": str(number), "kind": kind, "at": (NOW + timedelta(minutes=minutes)).isoformat(), **more}


def test_the_document_is_one(client):
    """OpenAPI 3.1, judged by an independent validator, and served to everybody."""
    document = client.get("/api/v1/openapi.json").json
    validate_document(document)
    assert document["openapi"].startswith("3.1")


def test_every_route_is_in_the_document(app):
    """A route that is not described is found, and the other way round."""
    described = {
        (path.replace("{", "<").replace("}", ">"), method.upper())
        for path, methods in description()["paths"].items()
        for method in methods
    }
    there = {
        (str(rule).replace("<int:", "<"), method)
        for rule in app.url_map.iter_rules()
        if str(rule).startswith("/api/v1") and "openapi" not in str(rule)
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    assert described == there


@pytest.mark.parametrize("rule", [*READS, "/jobs/4", "/works/1", "/drafts/1"])
def test_answers_are_as_described(client, fill, settings, rule):
    """Every read gives JSON that fits its schema, judged by an independent library."""
    fill(6, packages=True)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.add(tables.Work(kind="forecast", recorded_at=NOW, recorded_by="Ines"))
        db.add(tables.Change(kind="up", words="Wren is up", recorded_at=NOW, recorded_by="Ines"))
    factory.kw["bind"].dispose()
    answer = client.get(f"/api/v1{rule}")
    assert answer.status_code == 200
    document = description()
    path = {"/jobs/4": "/jobs/{job_id}", "/works/1": "/works/{work_id}", "/drafts/1": "/drafts/{plan_id}"}
    said = document["paths"][f"/api/v1{path.get(rule, rule)}"]["get"]["responses"]["200"]["content"]
    schema = said["application/json"]["schema"] | {"components": document["components"]}
    jsonschema.Draft202012Validator(schema).validate(answer.json)


def test_a_breakdown_by_program(api, fill):
    """Reported, with the number to take it back and the draft that is being made; then taken back."""
    fill(6)
    down = api("POST", "/machines/2/down", hours=26, reason="belt").json
    assert down["words"] == "Heron is reported down for 26 h: belt"
    assert api("GET", f"/works/{down['work_id']}").json["state"] == "waiting"
    assert next(m for m in api("GET", "/machines").json if m["name"] == "Heron")["down"]["reason"] == "belt"
    assert "taken back" in api("POST", f"/changes/{down['change_id']}/undo").json["words"]


@pytest.mark.parametrize(
    ("path", "body", "told"),
    [
        ("/machines/2/down", {"hours": 1}, "'reason' is missing"),
        ("/machines/2/down", {"hours": "1", "reason": "x"}, "'hours' is no number"),
        ("/machines/2/down", {"hours": 1e9, "reason": "x"}, "expected 0.1 to 1440"),
        ("/machines/2/down", {"hours": True, "reason": "x"}, "'hours' is no number"),
        ("/machines/2/down", {"hours": 1, "reason": "x", "force": 1}, "'force' is not known here"),
        ("/cutters/1/out", {"state": "gone"}, "expected one of broken, dull, retired"),
        ("/pins", {"job_id": 4, "machine_id": 2, "start_at": "soon"}, "expected a time such as"),
    ],
)
def test_bodies_that_make_no_sense_say_what_was_expected(api, fill, path, body, told):
    """422, as JSON, in one line; nothing is kept."""
    fill(6)
    answer = api("POST", path, **body)
    assert answer.status_code == 422
    assert told in answer.json["error"]
    assert api("GET", "/changes").json == []


def test_a_change_needs_the_form_token(client, fill):
    """A cookie alone, which a browser sends from anywhere, changes nothing."""
    fill(3)
    answer = client.post("/api/v1/machines/2/up", json={})
    assert answer.status_code == 400
    assert answer.json["status"] == 400


def test_reports_count_once_in_any_order(controller, app):
    """Sent twice and out of order: each event is kept once, the run is opened and ended."""
    sent = [told(2, "end", 25), told(1, "start", 1, job_id=4), told(3, "fault", 9, said={"code": 12})]
    first = controller(*sent).json
    assert [one["kept"] for one in first] == [True, True, True]
    assert first[1]["answer"].startswith("job 4 is reported running")
    assert first[0]["answer"].startswith("job 4 is cut")
    again = controller(*sent, told(2, "end", 25)).json
    assert [one["kept"] for one in again] == [False] * 4
    assert app.test_client().get("/api/v1/jobs/4").json["state"] == "cut"


def test_late_reports_are_kept_and_told(controller):
    """A pause without a run, a start without a job, a clock that is ahead: kept, with what was made of it."""
    answers = controller(
        told("a", "pause", 3), told("b", "start", 0), told("c", "run_time", 30, said={"seconds": 1200})
    ).json
    assert "no run that it fits is open" in answers[0]["answer"]
    assert "no run is opened" in answers[1]["answer"]
    assert "clock is 30 min ahead" in answers[2]["answer"]


def test_a_token_speaks_for_its_machine_alone(controller, app):
    """No token, a wrong one: 401. With one, nothing but reports can be sent."""
    assert controller(told(1, "start"), held="").status_code == 401
    assert controller(told(1, "start"), held="machine-guessed").status_code == 401
    far = {"REMOTE_ADDR": "192.0.2.7"}
    assert app.test_client().get("/api/v1/jobs", environ_base=far).status_code == 401


@pytest.mark.parametrize(
    "report", ["x", {"event": "1"}, {"event": "1", "kind": "explode", "at": "2026-10-21T09:00:00Z"}]
)
def test_a_report_that_makes_no_sense_is_refused_as_a_whole(controller, report):
    """One bad report and none of them is kept, so that it can be sent again."""
    assert controller(told(7, "fault"), report).status_code == 422
    assert controller(told(7, "fault")).json[0]["kept"] is True


def test_every_table_leaves_as_csv_but_no_secret(client, fill):
    """Header and rows agree with the tables; what holds keys stays."""
    fill(6)
    counts = client.get("/api/v1/tables").json
    assert set(counts) == set(tables_to_export())
    assert not set(counts) & set(SECRET)
    for name in ("jobs", "machines", "plan_rows", "stations", "design_versions"):
        rows = list(csv.DictReader(io.StringIO(client.get(f"/api/v1/tables/{name}.csv").text)))
        assert len(rows) == counts[name]
        assert set(rows[0]) == {column.name for column in tables.Base.metadata.tables[name].columns}
    assert client.get("/api/v1/tables/people.csv").status_code == 404


def test_a_cell_is_no_formula(client, fill, settings):
    """What a spreadsheet would run is told to be text (OWASP, CSV injection)."""
    fill(3)
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        db.get(tables.Station, 1).name = "=HYPERLINK(1)"
    factory.kw["bind"].dispose()
    assert "'=HYPERLINK(1)" in client.get("/api/v1/tables/stations.csv").text


def test_no_input_breaks_the_server(settings, fill):
    """Generated from the document by an independent library: never a 500, whatever is sent."""
    import schemathesis

    fill(6)
    made = web.create_app(settings, clock=lambda: NOW, demo=True)
    made.config["WTF_CSRF_ENABLED"] = False
    schema = schemathesis.openapi.from_dict(json.loads(json.dumps(description())))
    client = made.test_client()
    tried = 0
    for found in schema.get_all_operations():
        one = found.ok()
        for case in _examples(one, 6):
            path = case.formatted_path
            answer = client.open(
                path, method=case.method, json=case.body if isinstance(case.body, dict | list) else None,
                query_string={k: str(v) for k, v in (case.query or {}).items()},
            )  # fmt: skip
            assert answer.status_code < 500, (case.method, path, case.body)
            answer.close()
            tried += 1
    assert tried >= 5 * len(OPERATIONS)
    made.extensions["venue"].factory.kw["bind"].dispose()


def _examples(one, count):
    from hypothesis import HealthCheck, Phase, given, settings

    out = []

    @given(case=one.as_strategy())
    @settings(
        max_examples=count, database=None, derandomize=True, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    def gather(case):
        out.append(case)

    gather()
    return out
