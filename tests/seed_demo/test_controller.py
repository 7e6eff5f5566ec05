"""Does the example of a controller send each report until it is answered, and say which clock it goes by?"""

from __future__ import annotations

import json
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from seed_demo import controller


@pytest.fixture
def answering():
    """A server that does not answer the second letter once, and keeps what it was sent."""
    got, letters = [], [0]

    class Door(BaseHTTPRequestHandler):
        def do_POST(self):
            letters[0] += 1
            sent = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            assert self.headers["Authorization"] == "Bearer machine-x" and sent["clock"]
            if letters[0] == 2:
                self.send_response(503)
                self.end_headers()
                return
            got.extend(one["event"] for one in sent["reports"])
            body = json.dumps([{"event": one["event"], "answer": "kept"} for one in sent["reports"]]).encode()
            self.send_response(200)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    with HTTPServer(("127.0.0.1", 0), Door) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}", got
        server.shutdown()


def test_what_is_not_answered_is_sent_again(answering, tmp_path):
    """250 reports: the letter that failed goes again, nothing is lost, what is new is sent alone."""
    address, got = answering
    file = tmp_path / "reports.jsonl"
    file.write_text("".join(json.dumps({"event": str(n), "kind": "fault"}) + "\n" for n in range(250)))
    with pytest.raises(OSError):
        controller.send_new(address, "machine-x", file)
    assert controller.send_new(address, "machine-x", file) == 150
    assert sorted(got, key=int) == [str(n) for n in range(250)]
    with file.open("a") as more:
        more.write('{"event": "250", "kind": "fault"}\n')
    assert controller.send_new(address, "machine-x", file) == 1
    assert got[-1] == "250"
