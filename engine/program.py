"""What stands in a machine's program?

Words after ISO 6983-1 as published in NISTIR 6556 (Kramer, Proctor, Messina 2000): G0 G1 G17 G21 G90 G91 G93
G94, M0 M2 M3 M5 M6, F S T N and the machine's axis words. The writer uses no others; `engine.program_reader`
reads them back.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from engine.errors import BadInput, CannotBeDone
from engine.program_reader import read_program, read_programs
from engine.program_words import HEADER_KEYS, digits_of, outside_limits, range_words
from engine.records import Bools, Cutter, Floats, Machine, Poses

__all__ = ["CAUTIONS", "HEADER_KEYS", "read_program", "read_programs", "write_programs"]

CAUTIONS = (
    "This program does not guard, stop or supervise a machine",
    "Follow local law and a competent person: where they differ from this text, they win",
    "Keep hands out while the cutter can turn: stop and isolate before touching cutter, piece or slugs",
    "Never leave it running unattended",
)
"""Shown at the head of every program."""

_LOOK_FIRST = "look: workpiece number, carrier plate and clamp, front mark, guard closed, axes at home"
_HOME_SPARE = 0.011  # a linear axis this near home is at home [mm]


# --- writing -------------------------------------------------------------------------------------------


def write_programs(
    poses: Poses,
    machine: Machine,
    cutters: Sequence[Cutter],
    header: dict[str, str],
    pass_names: tuple[str, ...],
    notes: tuple[str, ...] = (),
    *,
    spindle: bool = True,
) -> tuple[tuple[str, str], ...]:
    """Write a toolpath as programs: one, or one for each fitting of a cutter on a machine without changer.

    Feed moves that turn a rotary axis are in inverse time, F = 1 / minutes, with the minutes from the way of
    the tip by its feed, and never less than the slowest axis needs; other feed moves are in mm/min. Every
    program starts and ends at home with the spindle stopped. Values are rounded where they stand, so that
    nothing adds up.

    Parameters
    ----------
    poses : Poses
        From home to home, with changes of cutter at home; the first move and those after a change travel
        [mm] and [deg].
    machine : Machine
        Its axis words, limits and home [-].
    cutters : sequence of Cutter
        The job's cutters; T numbers are their places, from 1 [-].
    header : dict
        Values for `HEADER_KEYS`; machine and cutter are filled in where absent [-].
    pass_names : tuple of str
        One for each pass index [-].
    notes : tuple of str
        More comments for the head [-].
    spindle : bool
        False for a dry run: the spindle is never started [-].

    Returns
    -------
    tuple of (str, str)
        File name and text of each program.

    Raises
    ------
    BadInput
        A cutter's speed outside the machine's limits, or a toolpath that is not from home to home.
    CannotBeDone
        An axis value outside its limits.
    """
    if not len(poses.axes):
        raise BadInput("the toolpath is empty, expected moves from home to home")
    used = poses.toolpath.cutter
    edges = np.concatenate([[0], np.flatnonzero(np.diff(used)) + 1, [len(used)]])
    blocks = [range(int(low), int(high)) for low, high in pairwise(edges)]
    _check_writable(poses, machine, cutters, blocks)
    writer = _Writer(poses, machine, cutters, header, pass_names, notes, spindle)
    if machine.changer or len(blocks) == 1:
        return (("program.nc", writer.program(blocks)),)
    return tuple((f"program_{i}.nc", writer.program([block])) for i, block in enumerate(blocks, 1))


def _check_writable(
    poses: Poses, machine: Machine, cutters: Sequence[Cutter], blocks: Sequence[range]
) -> None:
    _check_limits(machine, poses.axes)
    home = np.asarray(machine.home, float)
    linear = np.array([axis.kind == "linear" for axis in machine.axes])
    names = {cutters[int(index)].name for index in np.unique(poses.toolpath.cutter)}
    if len(names) < len(np.unique(poses.toolpath.cutter)):
        raise BadInput("two cutters have the same name, expected a name for each")
    for block in blocks:
        cutter = cutters[int(poses.toolpath.cutter[block[0]])]
        if not machine.min_rpm <= cutter.rpm <= machine.max_rpm:
            raise BadInput(
                f"cutter {cutter.name}: {cutter.rpm:g} rpm, machine {machine.name} runs"
                f" {machine.min_rpm:g} to {machine.max_rpm:g} rpm"
            )
        if np.isfinite(poses.toolpath.feeds_mm_per_min[block[0]]):
            raise BadInput(
                f"move {block[0]}: the first move with {cutter.name} cuts, expected travel from home"
            )
        away = np.abs(poses.axes[block[-1]] - home)[linear]
        if away.size and away.max() > _HOME_SPARE:
            raise BadInput(
                f"move {block[-1]}: the last move with {cutter.name} ends {away.max():.3f} mm from home,"
                " expected it to end at home"
            )


def _check_limits(machine: Machine, axes: Floats) -> None:
    for column, axis in enumerate(machine.axes):
        bad = np.flatnonzero(outside_limits(axis, axes[:, column]))
        if len(bad):
            raise CannotBeDone(
                f"move {bad[0]}: axis {axis.word} at {axes[bad[0], column]:.4f}, {range_words(axis)}"
            )


def _comment(text: str) -> str:
    """Return a text as a comment of one line, its parentheses replaced."""
    return "(" + " ".join(text.replace("(", "[").replace(")", "]").split()) + ")"


def _plain(value: float) -> str:
    """Return a number to six figures; the standard knows no exponents."""
    text = f"{value:.6g}"
    return f"{value:.9f}" if "e" in text else text


class _Writer:
    """Writes blocks of moves, one cutter a block, from values rounded once."""

    def __init__(
        self,
        poses: Poses,
        machine: Machine,
        cutters: Sequence[Cutter],
        header: dict[str, str],
        pass_names: tuple[str, ...],
        notes: tuple[str, ...],
        spindle: bool = True,
    ) -> None:
        self.spindle = spindle
        self.machine, self.cutters, self.header = machine, cutters, header
        self.pass_names, self.notes = pass_names, notes
        self.path = poses.toolpath
        self.words = [axis.word for axis in machine.axes]
        self.tens = [10 ** digits_of(axis) for axis in machine.axes]
        self.rotary = np.array([axis.kind == "rotary" for axis in machine.axes])
        counts = np.rint(poses.axes * np.array(self.tens)).astype(np.int64)
        self.counts: list[list[int]] = counts.tolist()
        self.home: list[int] = np.rint(np.array(machine.home) * np.array(self.tens)).astype(int).tolist()
        self.minutes = _feed_minutes(poses)
        self.feeding: list[bool] = np.isfinite(self.path.feeds_mm_per_min).tolist()
        self.passes: list[int] = self.path.pass_index.tolist()
        self.cutter: list[int] = self.path.cutter.tolist()
        self.turned = [0] * len(self.words)

    def program(self, blocks: Sequence[range]) -> str:
        """Return the text of one program."""
        self.turned = self._whole_turns(self.counts[blocks[0][0]])
        lines = self._head([self.cutter[block[0]] for block in blocks])
        lines += ["M5", f"M0 {_comment(_LOOK_FIRST)}"]
        lines.append("G0 " + self._axis_words(self.home, range(len(self.words))))
        stand = self.home
        for block in blocks:
            lines += self._change(self.cutter[block[0]])
            moves, stand = self._moves(block, stand)
            home = [h + t for h, t in zip(self.home, self._whole_turns(stand), strict=True)]
            if home != stand:
                moves.append("G0 " + self._axis_words(home, self._changed(stand, home)))
            lines += [*moves, "M5"]
            stand = home
        return "\n".join([*lines, "M2"]) + "\n"

    def _head(self, used: list[int]) -> list[str]:
        names = ", ".join(self.cutters[i].name for i in dict.fromkeys(used))
        values = {"machine": self.machine.name} | self.header
        if len(set(used)) < len(set(self.cutter)) or "cutter" not in values:
            values["cutter"] = names
        lines = [_comment(f"{key}: {values.get(key, '')}") for key in HEADER_KEYS]
        lines += [_comment(note) for note in (*self.notes, *CAUTIONS)]
        return [*lines, "G21 G90 G17 G94"]

    def _change(self, cutter: int) -> list[str]:
        fitted = self.cutters[cutter]
        look = f"look: {fitted.name} fitted, stick-out {fitted.stick_out_mm:g} mm, holder tight, guard closed"
        if not self.spindle:
            look = f"look: dry run, spindle isolated, {look.removeprefix('look: ')}"
        lines = [f"M6 T{cutter + 1} {_comment(fitted.name)}", f"M0 {_comment(look)}"]
        return [*lines, f"M3 S{fitted.rpm:.10g}"] if self.spindle else lines

    def _moves(self, block: range, stand: list[int]) -> tuple[list[str], list[int]]:
        """Return the lines of one block of moves and where it ends."""
        rows = slice(block.start, block.stop)
        targets = np.array(self.counts[rows]) - np.array(self.turned)
        steps = np.abs(np.diff(targets, axis=0, prepend=np.array([stand])))
        changed = steps != 0
        written = changed.any(axis=1)
        feeds = self._feed_words(steps / np.array(self.tens), changed, _carried(self.minutes[rows], written))
        words = [
            [f"{word}{value:.{digits}f}" for value in column.tolist()]
            for word, digits, column in zip(
                self.words,
                (4 if rotary else 3 for rotary in self.rotary),
                (targets / np.array(self.tens)).T,
                strict=True,
            )
        ]
        lines: list[str] = []
        running, mode, feed, motion = -1, "", "", ""
        columns = range(len(self.words))
        for i, moved in enumerate(changed.tolist()):
            row = block.start + i
            if self.passes[row] != running:
                running = self.passes[row]
                if running >= 0:
                    lines.append(_comment(f"pass: {self.pass_names[running]}"))
            if not written[i]:
                continue  # too small to be written: its time goes to the next
            text = " ".join([words[column][i] for column in columns if moved[column]])
            if not self.feeding[row]:
                lines.append(text if motion == "G0" else f"G0 {text}")
                motion = "G0"
                continue
            wanted, new_feed = feeds[i]
            prefix = "" if wanted == mode else f"{wanted} "
            prefix += "" if motion == "G1" else "G1 "
            suffix = "" if wanted == mode == "G94" and new_feed == feed else f" {new_feed}"
            lines.append(f"{prefix}{text}{suffix}")
            mode, feed, motion = wanted, new_feed, "G1"
        return lines, (targets[-1].tolist() if len(targets) else stand)

    def _feed_words(self, steps: Floats, changed: Bools, minutes: Floats) -> list[tuple[str, str]]:
        """Return mode and F word of each row, no axis faster than it can go; `steps` (n, k) [mm, deg]."""
        speeds = np.array([axis.max_speed for axis in self.machine.axes])
        minutes = np.maximum(np.maximum(minutes, (steps / speeds).max(axis=1)), 1e-12)
        turning = (changed & np.array(self.rotary)).any(axis=1)
        values = np.where(turning, 1.0, np.linalg.norm(steps, axis=1)) / minutes
        return [
            ("G93" if turns else "G94", "F" + _plain(value))
            for turns, value in zip(turning.tolist(), values.tolist(), strict=True)
        ]

    def _changed(self, stand: list[int], target: list[int]) -> list[int]:
        return [i for i, (old, new) in enumerate(zip(stand, target, strict=True)) if old != new]

    def _axis_words(self, counts: list[int], columns: Sequence[int]) -> str:
        return " ".join(
            f"{self.words[i]}{counts[i] / self.tens[i]:.{4 if self.rotary[i] else 3}f}" for i in columns
        )

    def _whole_turns(self, stand: list[int]) -> list[int]:
        """Return the turns by which endless axes stand away from home: none of them is unwound for nought."""
        turns = [0] * len(stand)
        for i, axis in enumerate(self.machine.axes):
            if axis.kind == "rotary" and axis.minimum is None and axis.maximum is None:
                turn = 360 * self.tens[i]
                turns[i] = turn * round((stand[i] - self.home[i]) / turn)
        return turns


def _carried(minutes: Floats, written: Bools) -> Floats:
    """Return the time of each row with that of the rows before it that are too small to be written."""
    found = minutes.copy()
    for i in np.flatnonzero(~written):
        if i + 1 < len(found) and found[i + 1] > 0:
            found[i + 1] += found[i]
    return found


def _feed_minutes(poses: Poses) -> Floats:
    """Return the time of each feed move by the way of its tip [min]; 0 for travel."""
    path = poses.toolpath
    lengths_mm = np.linalg.norm(np.diff(path.tips_work_mm, axis=0, prepend=path.tips_work_mm[:1]), axis=1)
    return np.asarray(lengths_mm / path.feeds_mm_per_min, np.float64)
