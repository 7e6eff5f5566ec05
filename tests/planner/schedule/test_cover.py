"""Is the first dark night found, and is its cause the one that was made?"""

from __future__ import annotations

import numpy as np
import pytest

from planner.schedule.cover import Losses, Sort, Stock, play, to_order

NO_LOSSES = Losses(0, 0, 0)


def nights(*counts):
    return np.array([[count] for count in counts])


def test_order_by_yields():
    """(120 + 144) / (0.92 x 0.94 x 0.96) = 318, worked by hand."""
    assert to_order(120 + 144, Losses()) == 318
    assert to_order(100, NO_LOSSES) == 100


def test_produce_runs_out():
    """25 pieces last for 20 and 4; the third night lacks two of three, a later delivery makes up for them."""
    sort = Sort("large", {"Wren": 10}, lots=("L-1", "L-2"))
    cover = play(
        {"large": nights(20, 4, 3, 0)},
        [sort],
        [Stock("L-1", 25), Stock("L-2", 9, 3)],
        {"Wren": [1000] * 4},
        [1000] * 4,
        losses=NO_LOSSES,
        running=1.0,
    )
    assert cover.dark[:, 0].tolist() == [0, 0, 2, 0]
    dark = cover.first_dark()
    assert dark is not None
    assert (dark.night, dark.chance, dark.stations) == (2, 1.0, 2.0)
    assert dark.cause == "no sound piece left for large"


def test_scrap_uses_produce():
    """One piece in five is scrapped: 40 pieces become 32 lanterns."""
    sort = Sort("large", {"Wren": 1}, lots=("L-1",))
    stocks = [Stock("L-1", 40)]
    for wanted, dark in ((32, 0), (33, 1)):
        cover = play(
            {"large": nights(wanted)}, [sort], stocks, {"Wren": [999]}, [999], losses=Losses(0.2, 0, 0)
        )
        assert cover.dark[0, 0] == dark


@pytest.mark.parametrize(("down", "dark"), [((), 0), (("Otter",), 0), (("Otter", "Heron"), 5)])
def test_hours_of_the_machines_that_can(down, dark):
    """Hall's condition: 20 large need 200 min of Heron and Otter, whatever Stoat has left over."""
    machines = {"Heron": 10.0, "Otter": 10.0, "Wren": 10.0}
    sorts = [
        Sort("large", {m: v for m, v in machines.items() if m not in down}, lots=("L",)),
        Sort("root", {"Stoat": 5.0}, lots=("R",)),
    ]
    cover = play(
        {"large": nights(20), "root": nights(10)},
        sorts,
        [Stock("L", 50), Stock("R", 50)],
        {**{m: [0.0 if m in down else 150.0] for m in machines}, "Stoat": [1000.0]},
        [9999.0],
        losses=NO_LOSSES,
        running=1.0,
    )
    assert cover.dark[0, 0] == dark
    if dark:
        assert cover.causes[0] == "too few hours on Wren for large"


def test_benches_are_hours_too():
    """30 lanterns of 20 person-minutes need 600; 500 leave five dark."""
    cover = play(
        {"large": nights(30)},
        [Sort("large", {"Wren": 1}, bench_min=20, lots=("L",))],
        [Stock("L", 99)],
        {"Wren": [999]},
        [500],
        losses=NO_LOSSES,
    )
    assert (cover.dark[0, 0], cover.causes[0]) == (5, "too few hours at the benches")


def test_no_machine_at_all():
    """A sort that no machine can carve is dark from the first night on, and the next sort is not."""
    cover = play(
        {"large": nights(3), "root": nights(2)},
        [Sort("large", {}, lots=("L",)), Sort("root", {"Stoat": 5}, lots=("R",))],
        [Stock("L", 9), Stock("R", 9)],
        {"Stoat": [600]},
        [600],
        losses=NO_LOSSES,
    )
    assert (cover.dark[0, 0], cover.causes[0]) == (3, "no machine for large")
    assert cover.first_dark(1.0) is None
