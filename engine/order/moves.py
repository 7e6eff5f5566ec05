"""What is a move of a tour, may it be made, and what does it do to the tour? Compiled into the search.

A tour is an array of clusters; each has one chosen option, that is the end where it is entered and the end
where it is left. Cluster 0 stays at position 0 and stands once more behind the last. Link l leads from
position l - 1 to position l. Links l1 < l2 < l3 bound two stretches, A and B, and a move joins them anew::

    .. l1-1 | l1 ... l2-1 | l2 ... l3-1 | l3 ..      form 0   A'      2-opt (Croes, Oper. Res. 6, 1958); no B
            |      A      |      B      |            form 1   A' B'   3-opt (Lin, Bell System Tech. J. 44,
            l1            l2            l3           form 2   B  A    1965); Or's moves (1976) are among
                                                     form 3   B' A    them, for stretches of any length
    A' is A turned round, with all its options       form 4   B  A'
"""

from __future__ import annotations

from numba import types

from engine.order.ways import APART, BACK, ENTRY, LATE, LEAVE, b_, four_, i_, inner, ints_, rows_
from engine.records import Ints

# rows of a tour's state
TOUR, CHOSEN, WHERE, COME, GO = (
    0,
    1,
    2,
    3,
    4,
)  # clusters by position; option, position of each; ends by position
SCRATCH, QUEUE, QUEUED, SPAN = 5, 6, 7, 8  # QUEUE: ring of clusters to look at; SPAN: its start and length,
ROWS = 9  # and the first and last position touched


@inner(four_, i_, i_, i_, i_)
def places(l1: int, l2: int, l3: int, form: int) -> tuple[int, int, int, int]:
    """Return where a move puts the first cluster of A and the sense of A (1 or -1), and the same of B.

    Indices [-].
    """
    if form == 0:
        return l2 - 1, -1, l2, 1
    if form == 1:
        return l2 - 1, -1, l3 - 1, -1
    if form == 2:
        return l1 + l3 - l2, 1, l1, 1
    if form == 3:
        return l1 + l3 - l2, 1, l1 + l3 - l2 - 1, -1
    return l3 - 1, -1, l1, 1


@inner(i_, rows_, ints_, i_, i_)
def clash(starts: Ints, apart: Ints, c: int, q: int) -> int:
    """Return 1 where two clusters must not stand one after the other, else 0.

    Indices [-].
    """
    for x in range(starts[APART, c], starts[APART, c + 1]):
        if apart[x] == q:
            return 1
    return 0


@inner(i_, rows_, ints_, ints_, i_, i_)
def clashes(starts: Ints, apart: Ints, tour: Ints, low: int, high: int) -> int:
    """Return how many pairs that must not stand one after the other do so, from one position to another.

    Home at the end has the number after the last cluster's.

    Indices [-].
    """
    found, n = 0, tour.size - 1
    for at in range(max(low, 1), min(high, n) + 1):
        found += clash(starts, apart, tour[at - 1], tour[at] if at < n else n)
    return found


@inner(b_, rows_, ints_, rows_, i_, i_, i_, i_)
def _joins_apart(starts: Ints, apart: Ints, t: Ints, l1: int, l2: int, l3: int, form: int) -> bool:
    """Tell whether a move brings clusters together that must not stand one after the other."""
    a, sense_a, b, sense_b = places(l1, l2, l3, form)
    seam = l2 if form < 2 else l1 + l3 - l2
    before = t[TOUR, l1 - 1]
    for link in (l1, seam, l3):
        if link > l1:  # the cluster that stands before this link after the move
            at = l1 + sense_a * (link - 1 - a)
            before = t[TOUR, at if l1 <= at < l2 else l2 + sense_b * (link - 1 - b)]
        behind = t[TOUR, l3] if l3 < t.shape[1] - 1 else l3
        if link < l3:
            at = l1 + sense_a * (link - a)
            behind = t[TOUR, at if l1 <= at < l2 else l2 + sense_b * (link - b)]
        if clash(starts, apart, before, behind):
            return True
    return False


@inner(b_, rows_, ints_, ints_, rows_, i_, i_, i_, i_)
def keeps(starts: Ints, late: Ints, apart: Ints, t: Ints, l1: int, l2: int, l3: int, form: int) -> bool:
    """Tell whether a move keeps the rules: what must come before, and what must not stand side by side.

    Indices [-].
    """
    if apart.size and _joins_apart(starts, apart, t, l1, l2, l3, form):
        return False
    if late.size == 0:
        return True
    a, sense_a, b, sense_b = places(l1, l2, l3, form)
    for at in range(l1, l3):
        c = t[TOUR, at]
        for x in range(starts[LATE, c], starts[LATE, c + 1]):
            other = t[WHERE, late[x]]
            if other >= l3:
                continue
            here = a + sense_a * (at - l1) if at < l2 else b + sense_b * (at - l2)
            there = a + sense_a * (other - l1) if other < l2 else b + sense_b * (other - l2)
            if there < here:
                return False
    return True


@inner(i_, i_, i_, i_, i_, i_, i_)
def joined(l1: int, l2: int, l3: int, side1: int, side2: int, side3: int) -> int:
    """Return the form that joins three links so, in the order they were taken; -1 = the tour falls apart.

    Each link is entered at one side (0 before it, 1 behind it) and left at the other: the ends joined are
    those of links 1 and 2, 2 and 3, 3 and 1. Ends are numbered along the tour, two a link.

    Indices [-].
    """
    end1 = 2 * ((l1 > l2) + (l1 > l3)) + side1
    end2 = 2 * ((l2 > l1) + (l2 > l3)) + side2
    end3 = 2 * ((l3 > l1) + (l3 > l2)) + side3
    with0, with1 = -1, -1
    for x, y in ((end1, end2), (end2 ^ 1, end3), (end3 ^ 1, end1 ^ 1)):
        if x == 0:
            with0 = y
        elif y == 0:
            with0 = x
        if x == 1:
            with1 = y
        elif y == 1:
            with1 = x
    if with0 == 2 and with1 == 4:
        return 1
    if with0 == 3 and with1 == 4:
        return 2
    if with0 == 4 and with1 == 3:
        return 3
    if with0 == 3 and with1 == 5:
        return 4
    return -1


@inner(types.void, rows_, rows_, i_, i_)
def choose(options: Ints, t: Ints, at: int, option: int) -> None:
    """Give the cluster of a position an option.

    Indices [-].
    """
    t[CHOSEN, t[TOUR, at]] = option
    t[COME, at], t[GO, at] = options[ENTRY, option], options[LEAVE, option]
    if at == 0:
        t[COME, -1], t[GO, -1] = t[COME, 0], t[GO, 0]
    t[SPAN, 2], t[SPAN, 3] = min(t[SPAN, 2], at), max(t[SPAN, 3], at)


@inner(types.void, rows_, i_)
def ask(t: Ints, c: int) -> None:
    """Put a cluster at the end of the queue.

    Indices [-].
    """
    if not t[QUEUED, c]:
        t[QUEUED, c] = 1
        last = t[SPAN, 0] + t[SPAN, 1]
        n = t.shape[1] - 1
        t[QUEUE, last if last < n else last - n] = c
        t[SPAN, 1] += 1


@inner(types.void, rows_, i_)
def ask_beside(t: Ints, link: int) -> None:
    """Put the clusters at both sides of a link at the end of the queue.

    Indices [-].
    """
    ask(t, t[TOUR, link - 1])
    ask(t, t[TOUR, link])


@inner(types.void, rows_, rows_, i_, i_, i_, i_)
def move(options: Ints, t: Ints, l1: int, l2: int, l3: int, form: int) -> None:
    """Make a move, and queue the clusters at its seams.

    Indices [-].
    """
    a, sense_a, b, sense_b = places(l1, l2, l3, form)
    for at in range(l1, l3):
        c = t[TOUR, at]
        sense = sense_a if at < l2 else sense_b
        t[SCRATCH, a + sense * (at - l1) if at < l2 else b + sense * (at - l2)] = c
        if sense < 0:
            t[CHOSEN, c] = options[BACK, t[CHOSEN, c]]
    for at in range(l1, l3):
        c = t[SCRATCH, at]
        t[TOUR, at] = c
        t[WHERE, c] = at
        t[COME, at], t[GO, at] = options[ENTRY, t[CHOSEN, c]], options[LEAVE, t[CHOSEN, c]]
    t[SPAN, 2], t[SPAN, 3] = min(t[SPAN, 2], l1), max(t[SPAN, 3], l3 - 1)
    ask_beside(t, l1)
    ask_beside(t, l2 if form < 2 else l1 + l3 - l2)
    ask_beside(t, l3)
