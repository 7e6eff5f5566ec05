"""Are pieces chosen for the whole day at once, for the reasons of the trade, and by people first?"""

from __future__ import annotations

import random
from itertools import permutations

import numpy as np
import pytest

from planner.schedule.choosing import LEFT_OUT, Blemish, ChoiceRules, Piece, Wish, choose_pieces, judge


def wish(name="Lime Walk 1", **changes):
    return Wish(**{"name": name, "kind": "squash", "size_class": "large", "width_mm": 200} | changes)


def piece(number="0101", **changes):
    return Piece(**{"number": number, "kind": "squash", "diameter_mm": 284, "wall_mm": 22} | changes)


def test_not_one_by_one():
    """The first lantern could take either piece, the second only one: both are served."""
    store = [piece("smooth", age_days=5), piece("ribbed", rib_mm=8, age_days=1)]
    through, relief = wish("through"), wish("relief", treatment="relief")
    # one by one the through cut would take the oldest, which is the only one that bears the relief
    assert choose_pieces([through], store)[0].piece == "smooth"
    chosen = {choice.wish: choice.piece for choice in choose_pieces([through, relief], store)}
    assert chosen == {"through": "ribbed", "relief": "smooth"}


@pytest.mark.parametrize("seed", range(20))
def test_as_good_as_every_order(seed):
    """The sum of points is the least of all ways to share out the pieces."""
    rng = random.Random(seed)
    wishes = [
        wish(
            f"lantern {n}",
            width_mm=rng.choice([150, 220, 400]),
            treatment=rng.choice(["through", "relief"]),
            priority=rng.randint(1, 3),
        )
        for n in range(4)
    ]
    store = [
        piece(
            f"{n:04d}",
            diameter_mm=rng.uniform(255, 315),
            rib_mm=rng.choice([0, 3, 8]),
            wall_mm=rng.uniform(12, 30),
            age_days=rng.randint(0, 9),
        )
        for n in range(4)
    ]
    rules = ChoiceRules()
    judged = [[judge(w, p, rules, store) for p in store] for w in wishes]
    cost = [
        [LEFT_OUT * w.priority if one.barred else one.points for one in row]
        for w, row in zip(wishes, judged, strict=True)
    ]
    best = min(sum(cost[w][p] for w, p in enumerate(order)) for order in permutations(range(4)))
    chosen = choose_pieces(wishes, store)
    found = sum(
        LEFT_OUT * w.priority if c.piece is None else c.points for w, c in zip(wishes, chosen, strict=True)
    )
    assert found == pytest.approx(best)
    numbers = [choice.piece for choice in chosen if choice.piece is not None]
    assert len(numbers) == len(set(numbers))


def test_a_person_wins():
    """What a person chose stays, is given to nobody else, and what speaks against it is said."""
    store = [piece("good"), piece("small", diameter_mm=240)]
    chosen = choose_pieces([wish("a", chosen="small"), wish("b")], store)
    assert [choice.piece for choice in chosen] == ["small", "good"]
    assert chosen[0].reasons[0] == "chosen by a person"
    assert "wrong size: 240 mm across" in chosen[0].reasons[1]


@pytest.mark.parametrize(
    ("wanted", "there", "reason"),
    [
        ({"kind": "turnip"}, {}, "wrong kind"),
        ({}, {"diameter_mm": 250}, "wrong size"),
        ({"width_mm": 480}, {}, "too small for the picture"),
        ({"treatment": "relief"}, {"rib_mm": 7}, "ribs too high for a relief"),
        ({"treatment": "relief"}, {"wall_mm": 13}, "wall too thin"),
        ({"width_mm": 0}, {"blemishes": (Blemish(90, 20),)}, "blemished"),
    ],
)
def test_what_cannot_be(wanted, there, reason):
    """Each rule bars a piece by itself, and the lantern says why it has none."""
    assert choose_pieces([wish(**wanted)], [piece(**there)])[0].piece is None
    assert choose_pieces([wish(**wanted)], [piece(**there)])[0].reasons == (f"1 of 1 pieces: {reason}",)


def test_the_oldest_sound_piece_first():
    """Of two alike the older one is taken."""
    chosen = choose_pieces([wish()], [piece("young", age_days=1), piece("old", age_days=8)])[0]
    assert chosen.piece == "old" and "8 d in store, the oldest" in chosen.reasons


def test_the_scarce_piece_goes_to_the_urgent_lantern():
    """One piece for two lanterns: priority decides, and the other one says so."""
    chosen = choose_pieces([wish("a", priority=1), wish("b", priority=3)], [piece()])
    assert [choice.piece for choice in chosen] == [None, "0101"]
    assert chosen[0].reasons == ("1 of 1 pieces: given to another lantern",)


def test_the_picture_turns_away_from_a_blemish():
    """Picture of 200 mm, blemish of 30 mm in front: turned by half of both and the gap, on 5 deg steps.

    By hand: (200 + 30) / 2 + 8 = 123 mm on a girth of pi x 284 = 892 mm are 49.6 deg.
    """
    chosen = choose_pieces([wish()], [piece(blemishes=(Blemish(0, 30),))])[0]
    assert chosen.longitude_deg == 50
    two = piece(blemishes=(Blemish(0, 30), Blemish(60, 30)))
    assert choose_pieces([wish()], [two])[0].longitude_deg == -50
    ring = piece(blemishes=tuple(Blemish(float(a), 30) for a in np.arange(0, 360, 60)))
    assert choose_pieces([wish()], [ring])[0].piece is None


def test_an_empty_store_and_an_empty_day():
    """No pieces: every lantern says so; no lanterns: nothing."""
    assert choose_pieces([wish()], [])[0].reasons == ("no piece in store",)
    assert choose_pieces([], [piece()]) == ()
