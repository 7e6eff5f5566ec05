"""Where does the cutter stand along the program's moves? The machine's chain as its file defines it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from engine.frames import normalised
from engine.records import (
    Bools,
    Floats,
    Ints,
    Machine,
    ReadProgram,
)

if TYPE_CHECKING:
    pass

_TURN_DEG = 1.0  # longest turn of the rotary axes between two samples
_RAPID_MM = 2.0  # longest way of the tip between two samples of a rapid


def _turned(vectors: Floats, along: Floats, angle_rad: Floats) -> Floats:
    """Return vectors (n, 3) turned by angles (n,) about a unit direction through the origin (Rodrigues)."""
    c, s = np.cos(angle_rad)[:, None], np.sin(angle_rad)[:, None]
    found: Floats = vectors * c + np.cross(along, vectors) * s + along * (vectors @ along)[:, None] * (1 - c)
    return found


def tips_of(machine: Machine, axes: Floats) -> tuple[Floats, Floats]:
    """Return where the cutter stands in the seat frame for given values of the axes.

    Parameters
    ----------
    machine : Machine
        The axis chain.
    axes : ndarray (n, k)
        Values in the order of `machine.axes` [mm, deg].

    Returns
    -------
    tuple of ndarray (n, 3)
        Tips in the seat frame [mm] and unit directions from the tip into the holder [-].
    """
    n = len(axes)
    tip = np.broadcast_to(np.asarray(machine.cutter_tip_at_zero_mm, float), (n, 3))
    direction = np.broadcast_to(normalised(np.asarray(machine.cutter_axis, float)), (n, 3))
    columns = list(enumerate(machine.axes))
    cutter_side = [(i, axis, 1.0) for i, axis in reversed(columns) if axis.moves == "cutter"]
    work_side = [(i, axis, -1.0) for i, axis in columns if axis.moves == "work"]
    for i, axis, sign in cutter_side + work_side:
        along = normalised(np.asarray(axis.direction, float))
        if axis.kind == "linear":
            tip = tip + sign * axes[:, i, None] * along
        else:
            angle = sign * np.radians(axes[:, i])
            through = np.asarray(axis.through, float)
            tip = _turned(tip - through, along, angle) + through
            direction = _turned(direction, along, angle)
    return tip - np.asarray(machine.seat_mm, float), normalised(direction)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Places of the cutter along the moves, in order; `row` is the program row of the move's end."""

    tip: Floats  # (n, 3) work frame
    direction: Floats  # (n, 3)
    row: Ints  # (n,)

    def only(self, keep: Bools | Ints) -> Samples:
        """Return some of the places. Places kept [-]."""
        return Samples(self.tip[keep], self.direction[keep], self.row[keep])


def samples_of(program: ReadProgram, machine: Machine, origin_mm: Floats, spacing_mm: float) -> Samples:
    """Sample every move linearly in the axes, so finely that tips lie at most `spacing_mm` apart.

    Places [mm].
    """
    if len(program.axes) < 2:
        return Samples(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int64))
    start, change = program.axes[:-1], np.diff(program.axes, axis=0)
    rotary = np.array([axis.kind == "rotary" for axis in machine.axes])
    turn = np.abs(change[:, rotary]).sum(axis=1)
    longest = np.where(program.rapid[1:], _RAPID_MM, spacing_mm)
    # first by turn, so that an arc is not taken for its chord; then by the way of the tip
    pieces = np.maximum(np.ceil(turn / _TURN_DEG), 1).astype(np.int64)
    move = np.repeat(np.arange(len(pieces)), pieces)
    piece = count_up(pieces)
    begin, end = piece / pieces[move], (piece + 1) / pieces[move]
    from_tip, _ = tips_of(machine, start[move] + begin[:, None] * change[move])
    to_tip, _ = tips_of(machine, start[move] + end[:, None] * change[move])
    way = np.linalg.norm(to_tip - from_tip, axis=1)
    parts = np.maximum(np.ceil(way / longest[move] - 1e-9), 1).astype(np.int64)
    which = np.repeat(np.arange(len(parts)), parts)
    share = begin[which] + (end - begin)[which] * (count_up(parts) + 1) / parts[which]
    tip, direction = tips_of(machine, start[move[which]] + share[:, None] * change[move[which]])
    return Samples(tip - origin_mm, direction, move[which] + 1)


def count_up(counts: Ints) -> Ints:
    """Return 0 .. c-1 for each count c, one after another. Counts [-]."""
    found: Ints = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return found
