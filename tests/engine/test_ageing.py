"""A scan's age and a piece's weight against the trade's hours, just inside and just outside each limit."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from engine.ageing import age_findings, shrunk_mm, valid_h, weight_findings
from engine.errors import BadInput
from engine.files import read_touches
from engine.records import PieceState, ProbeScan, Rules, Severity
from engine.surface import surface_of

NOW = datetime(2026, 10, 21, 12, tzinfo=UTC)
BALL = surface_of(lambda d: np.full(d.shape[:-1], 140.0))
RULES = Rules()


def scan(hours, state):
    return ProbeScan(np.eye(3), 1.0, np.arange(3), np.arange(3), "0", state, NOW - timedelta(hours=hours))


@pytest.mark.parametrize(
    ("state", "hours"),
    [(PieceState.WHOLE, 24), (PieceState.HOLLOW, 4), (PieceState.HOLLOW_COLD, 12), (None, 4)],
)
def test_each_state_has_its_hours(state, hours):
    """Common practice: whole 24 h, hollow 4, hollow and cold 12; up to twice that a warning, then refused.

    Where nobody said what the piece was, the shortest of them counts.
    """
    assert age_findings(scan(hours - 0.05, state), BALL, NOW, RULES) == ()
    (warned,) = age_findings(scan(hours + 0.05, state), BALL, NOW, RULES)
    assert (warned.severity, warned.measured, warned.allowed) == (Severity.WARN, hours + 0.05, hours)
    (still,) = age_findings(scan(2 * hours - 0.05, state), BALL, NOW, RULES)
    (refused,) = age_findings(scan(2 * hours + 0.05, state), BALL, NOW, RULES)
    assert (still.severity, refused.severity) == (Severity.WARN, Severity.REFUSE)
    assert refused.allowed == 2 * hours and "probe" in refused.fix and refused.unit == "h"


def test_hours_are_settings():
    """A venue's own hours go before the trade's."""
    own = Rules(scan_valid_hollow_h=6)
    assert valid_h(PieceState.HOLLOW, own) == 6
    assert age_findings(scan(5.5, PieceState.HOLLOW), BALL, NOW, own) == ()


def test_shrinking_follows_the_water():
    """4 % a day for 4 h: 140 (1 - (1 - 0.04 / 6)^(1/3)) = 0.312 mm; a whole piece in a day 0.070 mm."""
    assert shrunk_mm(140, PieceState.HOLLOW, 4, RULES) == pytest.approx(0.3118, abs=1e-4)
    assert shrunk_mm(140, PieceState.WHOLE, 24, RULES) == pytest.approx(0.0700, abs=1e-4)
    assert shrunk_mm(140, PieceState.HOLLOW_COLD, 12, RULES) == pytest.approx(
        shrunk_mm(140, PieceState.HOLLOW, 4, RULES), rel=0.01
    )
    (told,) = age_findings(scan(6, PieceState.HOLLOW), BALL, NOW, RULES)
    assert "shrunk by 0.5 mm" in told.text


def test_nothing_is_judged_that_nobody_knows():
    """No time in the file, or none given: no finding. A time ahead is refused."""
    plain = ProbeScan(np.eye(3), 1.0, np.arange(3), np.arange(3), "0")
    assert age_findings(plain, BALL, NOW, RULES) == ()
    assert age_findings(scan(99, PieceState.HOLLOW), BALL, None, RULES) == ()
    assert age_findings(scan(-0.2, PieceState.HOLLOW), BALL, NOW, RULES) == ()
    with pytest.raises(BadInput, match="before now"):
        age_findings(scan(-0.3, PieceState.HOLLOW), BALL, NOW, RULES)


@pytest.mark.parametrize(("now_kg", "count"), [(5.83, 0), (5.81, 1)])
def test_a_piece_that_dried_is_probed_afresh(now_kg, count):
    """6 kg: 3 % is 180 g (common practice)."""
    weighed = replace(scan(1, PieceState.HOLLOW), weight_kg=6.0)
    found = weight_findings(weighed, now_kg, RULES)
    assert len(found) == count
    if found:
        assert found[0].severity is Severity.REFUSE and found[0].measured == pytest.approx(3.17, abs=0.01)
    assert weight_findings(weighed, None, RULES) == weight_findings(scan(1, None), now_kg, RULES) == ()
    with pytest.raises(BadInput, match="weight 0 kg"):
        weight_findings(weighed, 0.0, RULES)


def ball_file(*comments):
    i = np.arange(40) + 0.5
    z = 1 - 2 * i / 40
    turn = i * np.pi * (3 - np.sqrt(5))
    rows = 80 * np.stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z], axis=1)
    body = "\n".join(",".join(f"{v:.5f}" for v in row) for row in rows)
    return "\n".join([*comments, "x_mm,y_mm,z_mm", body]) + "\n"


def test_a_file_says_state_time_and_weight():
    """In comments ahead of the header; a file that says neither is as good as before."""
    found = read_touches(ball_file("# state=hollow cold", "# taken_at=2026-10-21T08:10+02:00"), "a.csv")
    assert found.state is PieceState.HOLLOW_COLD
    assert found.taken_at == datetime(2026, 10, 21, 6, 10, tzinfo=UTC)
    plain = read_touches(ball_file(), "a.csv")
    assert plain.state is None and plain.taken_at is None and plain.weight_kg is None
    assert read_touches(ball_file("# weight_kg=6.2"), "a.csv").weight_kg == 6.2


@pytest.mark.parametrize(
    ("comment", "says"),
    [
        ("# state=wet", "line 1: state is 'wet', expected one of whole, hollow, hollow cold"),
        ("# taken_at=yesterday", "line 1: taken_at is 'yesterday', expected a time with its zone"),
        ("# taken_at=2026-10-21T08:10", "expected a time with its zone"),
        ("# weight_kg=heavy", "line 1: weight_kg"),
    ],
)
def test_a_state_or_time_that_makes_no_sense_is_refused_with_its_line(comment, says):
    """In one line."""
    with pytest.raises(BadInput, match=says):
        read_touches(ball_file(comment), "a.csv")
