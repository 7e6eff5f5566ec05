"""How far is it between two ends, and how is a function compiled? What all compiled parts share.

The search's compiled parts are entered at a few functions only. These are compiled for exact types, so that
no later call compiles again, and kept on disk; what they call is compiled into them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar
from zlib import crc32

import numba
import numpy as np
from numba import types

from engine.records import Floats, Ints

F = TypeVar("F", bound=Callable[..., object])

# rows of the integer tables and of the boxes
ENTRY, LEAVE, BACK = (
    0,
    1,
    2,
)  # of an option: end where it is entered, where it is left, the same run backwards
FIRST, ENDS, LATE, EARLY, APART = 0, 1, 2, 3, 4  # of a cluster: where its options, ends, later and earlier
LOW, HIGH = 0, 1  # ones start, and those that it must not stand beside

f_, i_, b_ = types.float64, types.int64, types.boolean
pair_: Any = types.Tuple((f_, i_))  # type: ignore[no-untyped-call]
four_: Any = types.UniTuple(i_, 4)  # type: ignore[no-untyped-call]
ints_, line_, rows_, floats_, boxes_ = (
    types.int64[::1],
    types.float64[::1],
    types.int64[:, ::1],
    types.float64[:, ::1],
    types.float64[:, :, ::1],
)

_read = 0  # checksum of the functions that were compiled so far, with the constants they use


def inner(result: Any, *arguments: Any, inline: bool = False) -> Callable[[F], F]:
    """Compile for exactly these types, once a caller is compiled; `inline`: in among the caller's lines."""

    def compiled(function: F) -> F:
        settings: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
        lazy: Any = numba.njit(error_model="numpy", forceinline=inline, **settings)(_noted(function))
        compile_ = lazy.compile

        def compile_once(_: Any) -> Any:  # else each literal number among the arguments compiles anew
            found = compile_(result(*arguments))
            lazy.disable_compile()
            return found

        lazy.compile = compile_once
        kept: F = lazy
        return kept

    return compiled


def entry(result: Any, *arguments: Any) -> Callable[[F], F]:
    """Compile for exactly these types, and keep it on disk.

    A kept one is stale when its own file changed; that what it calls changed, its name must tell.
    """

    def compiled(function: F) -> F:
        function = _noted(function)
        function.__qualname__ += f"_{_read:08x}"
        settings: dict[str, Any] = {"cache": True, "error_model": "numpy", "no_cfunc_wrapper": True}
        kept: F = numba.njit(result(*arguments), **settings)(function)
        return kept

    return compiled


def _noted(function: F) -> F:
    global _read
    code = function.__code__
    used = [function.__globals__.get(name) for name in code.co_names]
    numbers = [value for value in used if isinstance(value, int | float)]
    _read = crc32(repr((code.co_consts, code.co_names, numbers)).encode() + code.co_code, _read)
    return function


@inner(f_, floats_, floats_, i_, i_, inline=True)
def way(table: Floats, axes: Floats, p: int, q: int) -> float:
    """Return the way between two ends: looked up, or the time of the slowest axis with half of both lifts.

    T = d / v + v / a, or sqrt(4 d / a) where d < v^2 / a, see `travel_times`; both at once, without a branch:
    T = sqrt(4 m / a) + (d - m) / v with m = min(d, v^2 / a). An axis that is not a number takes no time: an
    end with such a pose is anywhere.

    Indices [-], times [s].
    """
    k = axes.shape[0]
    if k == 0:
        return float(table[p, q])
    slowest = 0.0
    for axis in range(k):
        d = abs(table[p, axis] - table[q, axis])
        other = axes[axis, 4] - d
        d = d if d < other else other
        m = d if d < axes[axis, 2] else axes[axis, 2]
        t = np.sqrt(m * axes[axis, 3]) + (d - m) * axes[axis, 0]
        slowest = t if t > slowest else slowest
    return float(slowest + table[p, k] + table[q, k])


@inner(f_, floats_, floats_, i_, i_)
def called_way(table: Floats, axes: Floats, p: int, q: int) -> float:
    """Return the same by a call: where it is not asked often this compiles faster.

    Indices [-], times [s].
    """
    return way(table, axes, p, q)


@inner(f_, floats_, floats_, i_, floats_, i_, floats_, floats_)
def least_way(
    low: Floats, high: Floats, c: int, low_q: Floats, q: int, high_q: Floats, axes: Floats
) -> float:
    """Return what the way between ends in two boxes takes at least.

    Indices [-], times [s].
    """
    slowest = 0.0
    for axis in range(axes.shape[0]):
        d, other = low[c, axis] - high_q[q, axis], low_q[q, axis] - high[c, axis]
        d = d if d > other else other
        if d > 0.0:
            if axes[axis, 4] < np.inf:  # the gap the other way round
                round_ = min(low[c, axis], low_q[q, axis]) + axes[axis, 4]
                d = max(0.0, min(d, round_ - max(high[c, axis], high_q[q, axis])))
            m = d if d < axes[axis, 2] else axes[axis, 2]
            t = np.sqrt(m * axes[axis, 3]) + (d - m) * axes[axis, 0]
            slowest = t if t > slowest else slowest
    return float(slowest)


@inner(i_, ints_, line_, i_, i_, i_, f_)
def put(names: Ints, ways: Floats, size: int, most: int, name: int, way_: float) -> int:
    """Put a name in its place of a list sorted by way, and return the list's new length.

    Indices [-], times [s].
    """
    if size == most:
        if way_ >= ways[size - 1]:
            return size
        size -= 1
    at = size
    while at > 0 and ways[at - 1] > way_:
        names[at], ways[at] = names[at - 1], ways[at - 1]
        at -= 1
    names[at], ways[at] = name, way_
    return size + 1
