"""What stands in a machine's program, and what does a program say when it is read back.

Words after ISO 6983-1 as published in NISTIR 6556 (Kramer, Proctor, Messina 2000): G0 G1 G17 G21 G90 G91 G93
G94, M0 M2 M3 M5 M6, F S T N and the machine's axis words. The writer uses no others; the reader takes them in
any form that the standard allows and refuses every other word with its line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from engine.errors import BadInput, CannotBeDone
from engine.records import Axis, Bools, Cutter, Floats, Ints, Machine, Poses, ReadProgram

HEADER_KEYS = ("job", "workpiece", "scan", "machine", "cutter", "written by")
"""What the first comments of a program name, in this order."""

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
        bad = np.flatnonzero(_outside(axis, axes[:, column]))
        if len(bad):
            raise CannotBeDone(
                f"move {bad[0]}: axis {axis.word} at {axes[bad[0], column]:.4f}, {_range_words(axis)}"
            )


def _digits(axis: Axis) -> int:
    return 4 if axis.kind == "rotary" else 3


def _outside(axis: Axis, values: Floats) -> Ints:
    """Return which values lie outside the axis's limits by more than rounding, or are not numbers."""
    spare = 0.51 * 10.0 ** -_digits(axis)
    low = -np.inf if axis.minimum is None else axis.minimum - spare
    high = np.inf if axis.maximum is None else axis.maximum + spare
    return np.asarray(~((values >= low) & (values <= high) & np.isfinite(values)))


def _range_words(axis: Axis) -> str:
    if axis.minimum is None and axis.maximum is None:
        return "expected a number"
    low = "no limit" if axis.minimum is None else f"{axis.minimum:g}"
    high = "no limit" if axis.maximum is None else f"{axis.maximum:g}"
    return f"limits {low} to {high}"


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
        self.tens = [10 ** _digits(axis) for axis in machine.axes]
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


# --- reading -------------------------------------------------------------------------------------------

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
_WORD = re.compile(rf"([A-Z])({_NUMBER})", re.ASCII)
_BLOCK = re.compile(rf"(?:[A-Z]{_NUMBER})*", re.ASCII)
_COMMENT = re.compile(r"\(([^()]*)\)")
_HEADER = re.compile(rf"\s*({'|'.join(HEADER_KEYS)})(?:\s*[:=]\s*|\s+)(.*?)\s*", re.IGNORECASE)
_G_GROUP = {
    0.0: "motion",
    1.0: "motion",
    17.0: "plane",
    21.0: "units",
    90.0: "distance",
    91.0: "distance",
    93.0: "feed mode",
    94.0: "feed mode",
}
_M_GROUP = {0.0: "stop", 2.0: "stop", 3.0: "spindle", 5.0: "spindle", 6.0: "cutter change"}
_REFUSED = {
    "G2": "arcs are not taken, expected straight moves",
    "G3": "arcs are not taken, expected straight moves",
    "G20": "inches are not taken, expected millimetres (G21)",
    "G70": "inches are not taken, expected millimetres (G21)",
}


def read_programs(texts: Sequence[str], machine: Machine, *, dry: bool = False) -> ReadProgram:
    """Read programs that are run one after the other, each from home.

    Parameters
    ----------
    texts : sequence of str
        The programs in order [-].
    machine : Machine
        The machine that they are for [-].
    dry : bool
        For dry runs, whose feed moves run with the spindle stopped [-].

    Returns
    -------
    ReadProgram
        All moves; where a later program starts, a row stands for the machine at home.
    """
    if not texts:
        raise BadInput("no program, expected at least one")
    runs = []
    for number, text in enumerate(texts, 1):
        try:
            runs.append(read_program(text, machine, dry=dry))
        except BadInput as error:
            raise error if len(texts) == 1 else BadInput(f"program {number}, {error}") from error
    names = tuple(dict.fromkeys(name for run in runs for name in run.cutter_names))
    places = [np.array([*map(names.index, run.cutter_names), -1], np.int64)[run.cutter] for run in runs]
    header = dict(runs[0].header)
    if len(runs) > 1:
        cutters = dict.fromkeys(run.header["cutter"] for run in runs if run.header.get("cutter"))
        header |= {"cutter": ", ".join(cutters)} if cutters else {}
    return ReadProgram(
        axes=np.concatenate([run.axes for run in runs]),
        rapid=np.concatenate([run.rapid for run in runs]),
        minutes=np.concatenate([run.minutes for run in runs]),
        spindle_rpm=np.concatenate([run.spindle_rpm for run in runs]),
        cutter=np.concatenate(places),
        lines=np.concatenate([run.lines for run in runs]),
        cutter_names=names,
        header=header,
    )


def read_program(text: str, machine: Machine, *, dry: bool = False) -> ReadProgram:
    """Read a program as its machine would run it, or refuse it with the line and the reason.

    Spaces inside words, lower case, line numbers, comments, several words in a line in any order and modal
    words are read as the standard says; a program that says nothing else is in millimetres, absolute, and
    feed per minute. In feed per minute F is the speed along the linear axes, or, where only rotary axes move,
    degrees per minute of their root of squares (NISTIR 6556, 2.1.2.5).

    Parameters
    ----------
    text : str
        The program [-].
    machine : Machine
        The machine that it is for: its axis words, limits, spindle and home [-].
    dry : bool
        For a dry run, whose feed moves run with the spindle stopped [-].

    Returns
    -------
    ReadProgram
        Row 0 is home, before the first move; then a row for each move.
    """
    reader = _Reader(machine, dry)
    for number, comments, words in _blocks(text):
        reader.number = number
        reader.take_comments(comments, alone=all(letter == "N" for letter, _ in words))
        if words and reader.take_block(words):
            return reader.finished()
    raise BadInput(f"line {reader.number}: the program ends without M2, expected M2 at its end")


def _blocks(text: str) -> Iterator[tuple[int, list[str], list[tuple[str, str]]]]:
    """Yield line number, comments and words of each line that is not empty."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in enumerate(lines, 1):
        comments: list[str] = []
        if "(" in line or ")" in line:
            comments = _COMMENT.findall(line)
            line = _COMMENT.sub("", line)
            if "(" in line or ")" in line:
                raise BadInput(f"line {number}: a comment is not closed or stands inside another")
        block = "".join(line.split()).upper()
        words = _WORD.findall(block)
        if sum([1 + len(digits) for _, digits in words]) != len(block):
            if block == "%":  # the mark before and after a program on tape
                continue
            raise BadInput(f"line {number}: {_junk(block)}")
        if block or comments:
            yield number, comments, words


def _junk(block: str) -> str:
    """Return what is wrong with a block that is not letters and numbers in turn."""
    matched = _BLOCK.match(block)
    rest = block[matched.end() :] if matched else block
    if rest[0].isascii() and rest[0].isalpha():
        return f"{rest[:12]!r}: no number after {rest[0]}, expected one such as {rest[0]}12.5"
    return f"{rest[:12]!r} is not a word, expected a letter and a number such as X12.5"


@dataclass(slots=True)
class _Words:
    """The words of one block, sorted."""

    motion: float | None = None
    distance: float | None = None
    feed_mode: float | None = None
    feed: float | None = None
    speed: float | None = None
    tool: float | None = None
    change: bool = False
    spindle: float | None = None
    stop: float | None = None
    axes: list[tuple[int, float]] = field(default_factory=list)


class _Reader:
    """Runs through a program, keeping what stays in force from block to block."""

    def __init__(self, machine: Machine, dry: bool = False) -> None:
        self.machine, self.dry = machine, dry
        self.columns = {axis.word: i for i, axis in enumerate(machine.axes)}
        self.linear = [axis.kind == "linear" for axis in machine.axes]
        self.at = [float(value) for value in machine.home]
        self.number = 0
        self.motion: float | None = None
        self.incremental = False
        self.inverse_time = False
        self.feed: float | None = None
        self.speed: float | None = None
        self.turning = False
        self.tool: int | None = None
        self.cutter = -1
        self.numbers: list[int] = []  # T number of each cutter
        self.names: list[str] = []
        self.unnamed = False  # a cutter whose name may stand in the next comment
        self.comments: list[str] = []
        self.started = False
        self.header: dict[str, str] = {}
        self.rows: list[list[float]] = [list(self.at)]
        self.rapid, self.minutes, self.rpm = [True], [float("nan")], [0.0]
        self.cutters, self.lines = [-1], [0]

    def refuse(self, reason: str) -> BadInput:
        """Return the error for the present line."""
        return BadInput(f"line {self.number}: {reason}")

    def take_comments(self, comments: list[str], alone: bool) -> None:
        """Take the header from the comments before the first block, and a cutter's name after its M6."""
        self.comments = comments
        if not self.started:
            for comment in comments:
                matched = _HEADER.fullmatch(comment)
                if matched:
                    self.header.setdefault(matched[1].lower(), matched[2])
        if self.unnamed and alone and comments:
            self._name_cutter(comments[0].strip())
        self.unnamed = self.unnamed and alone and not comments
        self.started = self.started or not alone

    def take_block(self, found: list[tuple[str, str]]) -> bool:
        """Run one block in the order of NISTIR 6556, table 8; True at the end of the program."""
        words = self._only_axes(found) or self._sorted(found)
        if words.feed_mode is not None:
            inverse = words.feed_mode == 93.0
            if inverse != self.inverse_time:
                self.feed = None  # an F of one mode means nothing in the other
            self.inverse_time = inverse
        if words.feed is not None:
            self.feed = words.feed
        self._spindle_and_cutter(words)
        if words.distance is not None:
            self.incremental = words.distance == 91.0
        if words.motion is not None:
            self.motion = words.motion
        if words.axes:
            self._move(words)
        return words.stop == 2.0

    def _only_axes(self, found: list[tuple[str, str]]) -> _Words | None:
        """Return the words of a block that holds axis words and F alone, as nearly all do; else None."""
        axes: dict[int, float] = {}
        feed = None
        for letter, digits in found:
            column = self.columns.get(letter)
            if column is not None and column not in axes:
                axes[column] = float(digits)
            elif letter == "F" and feed is None:
                feed = float(digits)
            else:
                return None
        return _Words(feed=feed, axes=list(axes.items()))

    def _sorted(self, found: list[tuple[str, str]]) -> _Words:
        """Sort the words of a block; each kind may stand there once."""
        words = _Words()
        seen: set[str] = set()
        for letter, digits in found:
            value = float(digits)
            column = self.columns.get(letter)
            kind = letter
            if column is not None:
                words.axes.append((column, value))
            elif letter == "G":
                kind = self._g_word(words, value, digits)
            elif letter == "M":
                kind = self._m_word(words, value, digits)
            elif letter == "F":
                words.feed = value
            elif letter == "S":
                words.speed = value
            elif letter == "T":
                words.tool = value
            elif letter in "ABCUVWXYZ":
                raise self.refuse(f"axis {letter}: machine {self.machine.name} has no such axis")
            elif letter != "N":
                raise self.refuse(f"unknown word {letter}{digits}")
            if kind in seen:
                raise self.refuse(f"{letter}{digits}: a second {kind} word in one line")
            seen.add(kind)
        return words

    def _g_word(self, words: _Words, value: float, digits: str) -> str:
        kind = _G_GROUP.get(value)
        if kind is None:
            reason = _REFUSED.get(f"G{value:g}", "unknown word")
            raise self.refuse(f"G{digits}: {reason}")
        if kind == "motion":
            words.motion = value
        elif kind == "distance":
            words.distance = value
        elif kind == "feed mode":
            words.feed_mode = value
        return kind

    def _m_word(self, words: _Words, value: float, digits: str) -> str:
        kind = _M_GROUP.get(value)
        if kind is None:
            raise self.refuse(f"M{digits}: unknown word")
        if kind == "stop":
            words.stop = value
        elif kind == "spindle":
            words.spindle = value
        else:
            words.change = True
        return kind

    def _spindle_and_cutter(self, words: _Words) -> None:
        if words.speed is not None:
            self.speed = words.speed
            if self.turning:
                self._check_speed()
        if words.tool is not None:
            if not words.tool.is_integer() or words.tool < 0:
                raise self.refuse(f"T{words.tool:g}, expected a whole number")
            self.tool = int(words.tool)
        if words.change:
            self._change_cutter()
        if words.spindle == 3.0:
            self._check_speed()
            self.turning = True
        elif words.spindle == 5.0:
            self.turning = False

    def _check_speed(self) -> None:
        low, high = self.machine.min_rpm, self.machine.max_rpm
        if self.speed is None:
            raise self.refuse("M3 without a spindle speed, expected S")
        if not low <= self.speed <= high:
            raise self.refuse(f"spindle speed S{self.speed:g}, limits {low:g} to {high:g} rpm")

    def _change_cutter(self) -> None:
        if self.tool is None:
            raise self.refuse("M6 without a cutter number, expected T")
        if self.turning:
            raise self.refuse("M6 while the spindle turns, expected M5 before")
        if self.tool not in self.numbers:
            self.numbers.append(self.tool)
            self.names.append(f"T{self.tool}")
        self.cutter = self.numbers.index(self.tool)
        self.unnamed = not self.comments
        if self.comments:
            self._name_cutter(self.comments[0].strip())

    def _name_cutter(self, name: str) -> None:
        before = self.names[self.cutter]
        if before not in (f"T{self.numbers[self.cutter]}", name):
            raise self.refuse(f"T{self.numbers[self.cutter]} is called {name!r}, before {before!r}")
        self.names[self.cutter] = name

    def _move(self, words: _Words) -> None:
        if self.motion is None:
            raise self.refuse("axis words before any G0 or G1")
        before = self.at
        after = list(before)
        for column, value in words.axes:
            after[column] = before[column] + value if self.incremental else value
        minutes = float("nan")
        if self.motion == 1.0:
            if not (self.turning or self.dry):
                raise self.refuse("feed move with the spindle stopped, expected M3 before")
            minutes = self._minutes(before, after, words.feed)
        self.at = after
        self.rows.append(after)
        self.rapid.append(self.motion == 0.0)
        self.minutes.append(minutes)
        self.rpm.append(self.speed if self.turning and self.speed is not None else 0.0)
        self.cutters.append(self.cutter)
        self.lines.append(self.number)

    def _minutes(self, before: list[float], after: list[float], feed_here: float | None) -> float:
        if self.inverse_time and feed_here is None:
            raise self.refuse("feed move without F in inverse time (G93), expected F in every line")
        if self.feed is None:
            raise self.refuse("feed move without a feed, expected F")
        if not 0.0 < self.feed < float("inf"):
            raise self.refuse(f"F{self.feed:g}, expected a feed above 0")
        if self.inverse_time:
            return 1.0 / self.feed
        linear2 = rotary2 = 0.0
        for old, new, linear in zip(before, after, self.linear, strict=True):
            if linear:
                linear2 += (new - old) ** 2
            else:
                rotary2 += (new - old) ** 2
        return float((linear2 or rotary2) ** 0.5 / self.feed)

    def finished(self) -> ReadProgram:
        """Return what was read, once every value is known to lie within its axis's limits."""
        axes = np.array(self.rows, np.float64)
        lines = np.array(self.lines, np.int64)
        outside = np.stack([_outside(axis, axes[:, i]) for i, axis in enumerate(self.machine.axes)], axis=1)
        outside[0] = False
        if outside.any():
            row, column = np.argwhere(outside)[0]
            axis = self.machine.axes[column]
            raise BadInput(
                f"line {lines[row]}: axis {axis.word} at {axes[row, column]:g}, {_range_words(axis)}"
            )
        if len(set(self.names)) < len(self.names):
            raise self.refuse("two cutters of the same name, expected a name for each T number")
        return ReadProgram(
            axes=axes,
            rapid=np.array(self.rapid),
            minutes=np.array(self.minutes),
            spindle_rpm=np.array(self.rpm),
            cutter=np.array(self.cutters),
            lines=lines,
            cutter_names=tuple(self.names),
            header=self.header,
        )
