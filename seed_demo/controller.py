"""How does a controller report? `python -m seed_demo.controller ADDRESS TOKEN FILE`: an example to copy.

Reads reports from a file, one JSON object a line, and sends them in letters of at most a hundred. What was
answered is remembered beside the file, so that nothing is lost when the net or this script stops, and what is
sent twice is counted once. It only tells; it starts and stops nothing. Standard library alone.
"""

from __future__ import annotations

import json
import sys
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

LETTER, FIRST_WAIT_S, LONGEST_WAIT_S = 100, 1.0, 60.0


def send(address: str, token: str, reports: list[dict[str, object]]) -> list[dict[str, object]]:
    """Send one letter and return what was made of each report; an error where it was not answered."""
    body = json.dumps({"reports": reports, "clock": datetime.now(UTC).isoformat()}).encode()
    head = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    asked = urllib.request.Request(f"{address}/api/v1/machine-reports", body, head)
    with urllib.request.urlopen(asked, timeout=30) as answer:
        told: list[dict[str, object]] = json.load(answer)
        return told


def send_new(address: str, token: str, file: Path) -> int:
    """Send what was not answered yet; return how many reports were."""
    mark = file.with_suffix(".sent")
    done = int(mark.read_text()) if mark.exists() else 0
    lines = [line for line in file.read_text("utf-8").splitlines() if line.strip()]
    for start in range(done, len(lines), LETTER):
        letter = [json.loads(line) for line in lines[start : start + LETTER]]
        for told in send(address, token, letter):
            print(f"{told['event']}: {told['answer']}")
        mark.write_text(str(start + len(letter)))  # only now: a letter that is not answered is sent again
    return len(lines) - done


def main(arguments: list[str]) -> int:
    """Send what the file has, again and again, waiting longer while nobody answers."""
    if len(arguments) != 3:
        print(__doc__)
        return 2
    address, token, file = arguments[0].rstrip("/"), arguments[1], Path(arguments[2])
    wait_s = FIRST_WAIT_S
    while True:
        try:
            send_new(address, token, file)
            wait_s = FIRST_WAIT_S
        except urllib.error.HTTPError as refused:
            if refused.code < 500:
                print(f"refused: {refused.read().decode(errors='replace')[:300]}", file=sys.stderr)
                return 1
            wait_s = min(LONGEST_WAIT_S, 2 * wait_s)
        except OSError as lost:
            print(f"nobody answers ({lost}); again in {wait_s:.0f} s", file=sys.stderr)
            wait_s = min(LONGEST_WAIT_S, 2 * wait_s)
        time.sleep(wait_s)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
