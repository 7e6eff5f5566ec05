"""Do walks say what to replace, do two raters become three, and is life read from the walks?"""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, Refused
from planner.services import quality

AT = datetime(2026, 10, 24, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}
NIGHT = date(2026, 10, 24)


@pytest.fixture
def jobs(db: Session) -> list[tables.Job]:
    """Twelve lanterns in their places, cut on two machines at six in the morning."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=NIGHT,
        last_night=date(2026, 10, 27), dusk=time(17, 25), **BY,
    )  # fmt: skip
    season.nights = [tables.Night(night=NIGHT + timedelta(days=n), temperature_c=15.0) for n in range(4)]
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=99, received_on=NIGHT, **BY)
    machines = [
        tables.Machine(
            name=name, description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
        )
        for name in ("Wren", "Heron")
    ]
    out = []
    for n in range(12):
        station = tables.Station(
            season=season, name=f"Gate {n}", area="Gate", size_class="large", kind="through", least_rating=7
        )
        piece = tables.Workpiece(
            lot=lot, number=f"{n:04d}", diameter_mm=284, height_mm=256, state="placed", **BY
        )
        job = tables.Job(season=season, station=station, night=NIGHT, workpiece=piece, state="placed", **BY)
        db.add(
            tables.Run(
                job=job, machine=machines[n % 2], workpiece=piece, started_at=AT - timedelta(minutes=30),
                ended_at=AT, outcome="finished", **BY,
            )
        )  # fmt: skip
        out.append(job)
    db.add_all(out)
    db.flush()
    return out


def _walk(db: Session, job: tables.Job, verdict: str, day: int = 0, **more: Any) -> tables.NightWalk:
    at = AT + timedelta(days=day, hours=16)
    return quality.walk(db, job.id, NIGHT + timedelta(days=day), verdict, by="Bea", at=at, **more)


def test_list_of_a_walk(db: Session, jobs: list[tables.Job]) -> None:
    """Those for tonight come first, sound ones not at all; of two looks the later one counts."""
    _walk(db, jobs[0], "tomorrow", faults=["mould"])
    _walk(db, jobs[1], "tonight", faults=["eaten", "unknown"])
    _walk(db, jobs[2], "ok")
    _walk(db, jobs[3], "tonight")
    _walk(db, jobs[3], "ok")
    found = quality.replacements(db, jobs[0].season_id, NIGHT)
    assert [(r.station, r.verdict, r.why) for r in found] == [
        ("Gate 1", "tonight", "eaten"),
        ("Gate 0", "tomorrow", "mould"),
    ]


def test_a_sagging_stem_is_not_sound(db: Session, jobs: list[tables.Job]) -> None:
    """More than 5 % of its height lost: tomorrow."""
    assert _walk(db, jobs[0], "ok", sag=0.06).verdict == "tomorrow"
    assert _walk(db, jobs[1], "ok", sag=0.05).verdict == "ok"


def test_only_what_stands_is_walked_past(db: Session, jobs: list[tables.Job]) -> None:
    """A lantern that is not in its place, a rating of eleven, a verdict nobody knows."""
    jobs[0].state = "cut"
    with pytest.raises(Conflict, match="in its place"):
        _walk(db, jobs[0], "ok")
    with pytest.raises(Refused, match="rating"):
        _walk(db, jobs[1], "ok", rating=11)
    with pytest.raises(Refused, match="expected one of ok"):
        _walk(db, jobs[1], "maybe")


@pytest.mark.parametrize(
    ("ratings", "mean", "verdict"),
    [
        ([], None, "another rater"),
        ([8], 8, "another rater"),
        ([8, 7], 7.5, "show"),
        ([9, 6], 7.5, "third rater"),  # they differ by 3
        ([9, 6, 6], 6, "far"),  # the third stands with the six
        ([9, 6, 8], 8.5, "show"),
        ([4, 4], 4, "cut again"),
    ],
)
def test_two_raters_and_a_third(ratings: list[int], mean: float | None, verdict: str) -> None:
    """The trade's card: 7 and more in front, 5 and 6 far, below it is cut again."""
    found = quality.rated(ratings)
    assert (found.rating, found.verdict) == (mean, verdict)


def test_life_is_read_between_two_walks(db: Session, jobs: list[tables.Job]) -> None:
    """Cut at six; sound at ten in the evening, done two days on: 16 h and 64 h of six days."""
    for job in jobs[:5]:
        _walk(db, job, "ok")
        _walk(db, job, "tonight", day=2)
    _walk(db, jobs[5], "ok", day=1)
    _walk(db, jobs[6], "tonight", day=1, faults=["eaten"])  # squirrels say nothing of its life
    stays = quality.stays(db, jobs[0].season_id)
    assert stays[0].used_sound == pytest.approx(16 / 24 / 6)
    assert stays[0].used_until == pytest.approx(64 / 24 / 6)
    assert stays[5].used_until == stays[6].used_until == float("inf")
    found = quality.refit_life(db, jobs[0].season_id)
    assert found is not None and found.ended == 5
    assert found.overall[0] * found.groups["lot L-1"][0] < 0.8  # they lasted less than half a life


def _picture(kind: str) -> bytes:
    kept = io.BytesIO()
    Image.new("RGB", (8, 6), (200, 120, 20)).save(kept, kind)
    return kept.getvalue()


def test_photo(db: Session, jobs: list[tables.Job], tmp_path: Path) -> None:
    """Kept under its digest with its exposure; what cannot be opened, or is too large, is not."""
    check = tables.LitCheck(job=jobs[0], rating=8, **BY)
    db.add(check)
    db.flush()
    said: dict[str, Any] = {"by": "Ann", "at": AT}
    for kind, ending in (("JPEG", ".jpg"), ("PNG", ".png")):
        content = _picture(kind)
        kept = quality.keep_photo(db, check.id, content, "1/4 s  f/4", tmp_path, **said)
        assert kept.photo == sha256(content).hexdigest()[:24] + ending and kept.exposure == "1/4 s f/4"
        assert (tmp_path / kept.photo).read_bytes() == content
    spoiled = (_picture("GIF"), b"\xff\xd8\xff\xe0picture", b"", _picture("PNG")[:-9], b"<svg/>")
    for content in (*spoiled, _picture("PNG") + b"0" * quality.LARGEST_PHOTO):
        with pytest.raises(Refused, match="no JPEG or PNG"):
            quality.keep_photo(db, check.id, content, "1/4 s f/4", tmp_path, **said)
    check.void("mistaken", "Ann", AT)
    with pytest.raises(Conflict, match="was put right"):
        quality.keep_photo(db, check.id, _picture("PNG"), "1/4 s f/4", tmp_path, **said)
    assert len(list(tmp_path.iterdir())) == 2
