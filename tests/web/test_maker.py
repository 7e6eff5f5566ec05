"""Can somebody drop in a drawing, see what breaks, mend it and print it, without a machine?"""

from __future__ import annotations

import re

import pytest

_RING = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="120mm" viewBox="0 0 120 120">'
    b'<path class="opening" fill-rule="evenodd" d="M10 10 H110 V110 H10 Z M40 40 H80 V80 H40 Z"/></svg>'
)


def send(client, content, file_name, **fields):
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/try").text)[1]
    rows = {"csrf_token": token, **fields}
    parts = [f'--cut\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in rows.items()]
    head = f'--cut\r\nContent-Disposition: form-data; name="file"; filename="{file_name}"\r\n\r\n'
    body = "".join([*parts, head]).encode() + content + b"\r\n--cut--\r\n"
    return client.post("/try", data=body, content_type="multipart/form-data; boundary=cut")


def test_a_drawing_is_seen_judged_mended_and_printed(client):
    """On an empty database, with no machine: the foam sphere is always there."""
    sent = send(client, _RING, "my ring.svg")
    address = sent.headers["Location"]
    assert address == "/try/1"
    assert "My ring" in client.get(address).text
    skin = client.get(f"{address}/skin.json").json
    assert (skin["piece"], skin["kind"]) == ("foam sphere", "foam")
    assert client.get(f"{address}/pattern.json").json["columns"] == 420
    found = client.get(f"{address}/findings.json?lat=0").json["findings"]
    assert [(f["rule"], f["bridge"]) for f in found if f["severity"] == "refuse"] == [("free island", True)]
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(address).text)[1]
    mended = client.post(f"{address}/mend", data={"csrf_token": token, "lat": "0"})
    assert mended.headers["Location"] == "/try/2?lat=0"
    after = client.get("/try/2/findings.json?lat=0").json["findings"]
    assert [f for f in after if f["severity"] == "refuse"] == []
    sheet = client.get("/try/2/sheet?lat=0").text
    assert "TRIAL: no program" in sheet
    assert "My ring, version 2" in sheet
    assert client.get("/try/1").status_code == 200  # the version before is kept


@pytest.mark.parametrize(
    ("content", "file_name", "status", "told"),
    [
        (b"MZ\x90", "carve.exe", 422, "of a kind that is not taken"),
        (b"", "empty.svg", 422, "empty"),
        (b"<svg", "broken.svg", 422, "broken.svg"),
        (b"no picture", "a.png", 422, "a.png"),
        (b"x" * 20_000_001, "large.png", 422, "larger than 20 MB"),
    ],
)
def test_files_that_are_not_taken_say_why(client, content, file_name, status, told):
    """Kind, content and size: one line that says what was wrong, and nothing is kept."""
    answer = send(client, content, file_name)
    assert answer.status_code == status
    assert told in answer.text.lower() or told in answer.text
    assert client.get("/try/1").status_code == 404


def test_a_body_beyond_all_sizes_is_cut_off(client):
    """More than a design and its form are never read."""
    kind = "multipart/form-data; boundary=x"
    assert client.post("/try", data=b"x" * 23_000_000, content_type=kind).status_code == 413


def test_a_name_that_is_a_path_is_only_a_name(client):
    """Folders in a file's name lead nowhere."""
    sent = send(client, _RING, "../../etc/ring.svg", name="<b>Ring</b>")
    text = client.get(sent.headers["Location"]).text
    assert "&lt;b&gt;Ring&lt;/b&gt;" in text
    assert "<b>Ring" not in text


def test_places_that_make_no_sense_are_refused_in_words(client):
    """Not a number, infinite, beyond the poles: 422 with the limits."""
    send(client, _RING, "ring.svg")
    for odd in ("lat=nan", "lat=1e308", "lat=inf", "width=1e9", "lon=-1e9"):
        answer = client.get(f"/try/1/findings.json?{odd}")
        assert answer.status_code == 422, odd
        assert "expected" in answer.json["error"]


def test_the_library_is_served_from_its_own_package(client):
    """Nothing is fetched from elsewhere; the answer may be kept."""
    answer = client.get("/library/plotly.js")
    assert answer.mimetype == "text/javascript"
    assert "max-age" in answer.headers["Cache-Control"]
    assert len(answer.data) > 1_000_000
    answer.close()
