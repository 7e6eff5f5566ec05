"""What does a program say when it is read back? Words after ISO 6983-1, in any form the standard allows.

Words as published in NISTIR 6556 (Kramer, Proctor, Messina 2000): G0 G1 G17 G21 G90 G91 G93 G94, M0 M2 M3 M5
M6, F S T N and the machine's axis words; every other word is refused with its line. Most lines of a program
hold axis words and F alone: runs of them are read at once, all others word by word.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from engine.errors import BadInput
from engine.program_words import HEADER_KEYS, outside_limits, range_words
from engine.records import Bools, Floats, Ints, Machine, ReadProgram

_MOST_CHARACTERS = 64_000_000
_MOST_MOVES = 2_000_000
_MOST_BLOCKS = 300_000  # read word by word
_LONGEST_LINE = 2000
_AT_ONCE = 2_000_000  # characters of a run of plain lines that are held as arrays at a time
_LARGEST = 1e9  # mm, degrees, mm/min, rev/min: beyond it sums of squares lose what they measure
_LEAST_FEED = 1e-9
# no number can be read in two ways, so that a line that fits nowhere is not tried in millions of ways
_NUMBER = r"[+-]?+(?:\d++(?:\.\d*+)?+|\.\d++)"
_SHORT_NUMBER = r"[+-]?+(?:\d{1,40}+(?:\.\d{0,40}+)?+|\.\d{1,40}+)"
_WORD = re.compile(rf"([A-Z])({_NUMBER})", re.ASCII)
_BLOCK = re.compile(rf"(?:[A-Z]{_NUMBER})*", re.ASCII)
_LETTERS_TO_SPACES = {ord(letter): " " for letter in "ABCFUVWXYZabcfuvwxyz"}
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
    if len(text) > _MOST_CHARACTERS:
        raise BadInput(f"the program has {len(text)} characters, expected {_MOST_CHARACTERS} at most")
    reader = _Reader(machine, dry)
    plain = _plain_run({axis.word for axis in machine.axes})
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    at, number = 0, 0
    while at < len(text):
        run = plain.match(text, at, at + _AT_ONCE) if reader.may_run() else None
        if run is not None:
            count = text.count("\n", at, run.end())
            if reader.take_run(text[at : run.end()], number + 1):
                at, number = run.end(), number + count
                continue
        end = text.find("\n", at)
        end = len(text) if end < 0 else end
        number += 1
        if end - at > _LONGEST_LINE:
            raise BadInput(
                f"line {number}: {end - at} characters, expected {_LONGEST_LINE} at most in a line"
            )
        block = _block(text[at:end], number)
        at = end + 1
        if block is None:
            continue
        comments, words = block
        reader.number = number
        reader.take_comments(comments, alone=all(letter == "N" for letter, _ in words))
        if words and reader.take_block(words):
            return reader.finished()
    raise BadInput(f"line {reader.number}: the program ends without M2, expected M2 at its end")


@cache
def _plain_run_of(letters: str) -> re.Pattern[str]:
    line = rf"[ \t]*+(?:[{letters}]{_SHORT_NUMBER}[ \t]*+){{1,20}}+\n"
    return re.compile(rf"(?:{line})++", re.ASCII | re.IGNORECASE)


def _plain_run(words: set[str]) -> re.Pattern[str]:
    """Return what lines with axis words and F alone look like."""
    return _plain_run_of("".join(sorted(words | {"F"})))


def _block(line: str, number: int) -> tuple[list[str], list[tuple[str, str]]] | None:
    """Return comments and words of a line, None where it holds neither."""
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
            return None
        raise BadInput(f"line {number}: {_junk(block)}")
    return (comments, words) if block or comments else None


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


@dataclass(frozen=True, slots=True, eq=False)
class _Chunk:
    """Rows of a program as arrays."""

    axes: Floats
    rapid: Bools
    minutes: Floats
    rpm: Floats
    cutters: Ints
    lines: Ints


def _carried(table: Floats, before: Floats) -> Floats:
    """Return a table whose gaps (nan) go on with the value above, the first with what was before."""
    whole = np.vstack([before[None], table])
    at = np.where(np.isnan(whole), 0, np.arange(len(whole))[:, None])
    np.maximum.accumulate(at, axis=0, out=at)
    found: Floats = np.take_along_axis(whole, at, axis=0)[1:]
    return found


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
        self.blocks = self.moves = 0
        self.numbers: list[int] = []  # T number of each cutter
        self.names: list[str] = []
        self.unnamed = False  # a cutter whose name may stand in the next comment
        self.comments: list[str] = []
        self.started = False
        self.header: dict[str, str] = {}
        self.rows: list[list[float]] = [list(self.at)]
        self.rapid, self.minutes, self.rpm = [True], [float("nan")], [0.0]
        self.cutters, self.lines = [-1], [0]
        self.chunks: list[_Chunk] = []
        self.column_of = np.full(128, -1, np.int64)
        for word, column in self.columns.items():
            self.column_of[ord(word)] = column
        self.column_of[ord("F")] = len(self.columns)

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
        self.blocks += 1
        if self.blocks > _MOST_BLOCKS:
            raise self.refuse(
                f"over {_MOST_BLOCKS} lines with other words than axes and F, "
                "expected moves in lines of these alone"
            )
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

    # --- runs of plain lines ---

    def may_run(self) -> bool:
        """Tell whether lines with axis words and F alone may be read at once as things stand."""
        return self.motion is not None and not self.incremental and not self.unnamed

    def take_run(self, text: str, first: int) -> bool:
        """Read lines that hold axis words and F alone; False leaves them to be read word by word.

        The lines' letters and numbers are taken apart as bytes; what a line does not say goes on from the
        line before. Whatever would be refused is left to the other way, which knows the line and the reason.
        """
        table = self._table_of(text)
        if table is None:
            return False
        count = len(self.columns)
        said = ~np.isnan(table[:, :count])
        moves = said.any(axis=1)
        axes = _carried(table[:, :count], np.array(self.at))[moves]
        feeds = _carried(table[:, count:], np.array([np.nan if self.feed is None else self.feed]))[:, 0]
        minutes = np.full(len(axes), np.nan)
        if self.motion == 1.0 and len(axes):
            own = ~np.isnan(table[moves, count])
            feed = feeds[moves]
            if (
                not (self.turning or self.dry)
                or not (feed >= _LEAST_FEED).all()
                or (self.inverse_time and not own.all())
            ):
                return False
            minutes = 1.0 / feed if self.inverse_time else self._lengths(axes) / feed
        self._keep(axes, minutes, first + np.flatnonzero(moves))
        self.feed = None if np.isnan(feeds[-1]) else float(feeds[-1])
        self.number, self.started, self.comments = first + len(table) - 1, True, []
        return True

    def _table_of(self, text: str) -> Floats | None:
        """Return what each line says (lines, axes and F), nan for nothing; None where a word comes twice."""
        raw = np.frombuffer(text.upper().encode("ascii"), np.uint8)
        is_word = raw >= ord("A")
        values = np.array(text.translate(_LETTERS_TO_SPACES).split(), np.float64)
        if not (np.abs(values) <= _LARGEST).all():
            return None
        column = self.column_of[raw[is_word]]
        line = np.cumsum(raw == ord("\n"))[is_word]
        width = len(self.columns) + 1
        if len(values) != len(column):
            return None
        key = line * width + column
        lines = text.count("\n")
        if np.bincount(key, minlength=1).max(initial=0) > 1:
            return None
        table = np.full(lines * width, np.nan)
        table[key] = values
        return table.reshape(lines, width)

    def _lengths(self, axes: Floats) -> Floats:
        """Return the way of the linear axes, or of the rotary ones where no linear one moves."""
        steps = np.diff(axes, axis=0, prepend=np.array([self.at]))
        linear = np.array(self.linear)
        straight = np.sqrt(np.sum(steps[:, linear] ** 2, axis=1))
        turned = np.sqrt(np.sum(steps[:, ~linear] ** 2, axis=1))
        found: Floats = np.where(straight > 0.0, straight, turned)
        return found

    def _keep(self, axes: Floats, minutes: Floats, lines: Ints) -> None:
        """Put rows that were read at once behind those that were read one by one."""
        self._close_chunk()
        count = len(axes)
        self._count_moves(count)
        rpm = self.speed if self.turning and self.speed is not None else 0.0
        self.chunks.append(
            _Chunk(
                axes,
                np.full(count, self.motion == 0.0),
                minutes,
                np.full(count, rpm),
                np.full(count, self.cutter),
                lines,
            )
        )
        if count:
            self.at = axes[-1].tolist()

    def _count_moves(self, count: int) -> None:
        self.moves += count
        if self.moves > _MOST_MOVES:
            raise self.refuse(f"over {_MOST_MOVES} moves, expected fewer")

    def _close_chunk(self) -> None:
        """Turn the rows that were read one by one to arrays."""
        if not self.rows:
            return
        self._count_moves(len(self.rows))
        self.chunks.append(
            _Chunk(
                np.array(self.rows, np.float64),
                np.array(self.rapid, bool),
                np.array(self.minutes, np.float64),
                np.array(self.rpm, np.float64),
                np.array(self.cutters, np.int64),
                np.array(self.lines, np.int64),
            )
        )
        self.rows, self.rapid, self.minutes, self.rpm, self.cutters, self.lines = [], [], [], [], [], []

    # --- word by word ---

    def _only_axes(self, found: list[tuple[str, str]]) -> _Words | None:
        """Return the words of a block that holds axis words and F alone, as nearly all do; else None."""
        axes: dict[int, float] = {}
        feed = None
        for letter, digits in found:
            column = self.columns.get(letter)
            if column is not None and column not in axes:
                axes[column] = self._number(letter, digits)
            elif letter == "F" and feed is None:
                feed = self._number(letter, digits)
            else:
                return None
        return _Words(feed=feed, axes=list(axes.items()))

    def _sorted(self, found: list[tuple[str, str]]) -> _Words:
        """Sort the words of a block; each kind may stand there once."""
        words = _Words()
        seen: set[str] = set()
        for letter, digits in found:
            value = self._number(letter, digits)
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

    def _number(self, letter: str, digits: str) -> float:
        value = float(digits)
        if not abs(value) <= _LARGEST:
            raise self.refuse(f"{letter}{value:g}, expected a number up to {_LARGEST:g}")
        return value

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
        if not self.feed >= _LEAST_FEED:
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
        self._close_chunk()
        axes = np.concatenate([chunk.axes for chunk in self.chunks])
        lines = np.concatenate([chunk.lines for chunk in self.chunks])
        outside = np.stack(
            [outside_limits(axis, axes[:, i]) for i, axis in enumerate(self.machine.axes)], axis=1
        )
        outside[0] = False
        if outside.any():
            row, column = np.argwhere(outside)[0]
            axis = self.machine.axes[column]
            raise BadInput(
                f"line {lines[row]}: axis {axis.word} at {axes[row, column]:g}, {range_words(axis)}"
            )
        if len(set(self.names)) < len(self.names):
            raise self.refuse("two cutters of the same name, expected a name for each T number")
        return ReadProgram(
            axes=axes,
            rapid=np.concatenate([chunk.rapid for chunk in self.chunks]),
            minutes=np.concatenate([chunk.minutes for chunk in self.chunks]),
            spindle_rpm=np.concatenate([chunk.rpm for chunk in self.chunks]),
            cutter=np.concatenate([chunk.cutters for chunk in self.chunks]),
            lines=lines,
            cutter_names=tuple(self.names),
            header=self.header,
        )
