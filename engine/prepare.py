"""From touches and a drawing to a proven program: the whole way, one step a line.

    touches -> surface -> chart -> regions -> passes -> order -> moves -> axes -> program
    -> read back -> virtual cut

Every middle value is kept in the `PreparedJob`, so that it can be drawn, tested and questioned.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from engine.ageing import age_findings, weight_findings
from engine.axes import cutter_directions, to_axes
from engine.bridges import Bridge, with_bridges
from engine.chart import Projection, chart_of, own_mercator
from engine.errors import BadInput, CannotBeDone, Stopped
from engine.frames import normalised
from engine.holder import holder_findings
from engine.light import Likeness, relief_likeness
from engine.order import metric_of, order_passes
from engine.order.entries import pass_poses
from engine.passes import opening_passes
from engine.program import read_programs, write_programs
from engine.proof import virtual_cut
from engine.records import (
    Chart,
    CutPass,
    Cutter,
    Finding,
    KeepOut,
    Layers,
    Machine,
    Order,
    Phase,
    Placement,
    Poses,
    ProbeScan,
    Report,
    Rules,
    RunEstimate,
    Severity,
    Stop,
    Surface,
    Toolpath,
    Treatment,
    VirtualCut,
    Wall,
    WantedCut,
    ignore,
    never,
)
from engine.regions import judge_regions, skin_outlines
from engine.relief import relief_passes
from engine.relief_floor import PIXEL_MM, ReliefFloor
from engine.surface import fit_surface, normals_at
from engine.timing import estimate_run
from engine.travel import link
from engine.weak_bridges import apart_pairs, kept_apart, together_findings
from engine.wear import wear_fractions

WRITTEN_BY = "Lanternwright 0.1.0"
_STEPS = 8
_REACHED_MM = 1e-3
_THIN = 6  # of a relief's points one in so many is timed on another machine
_OPEN_THIN = 2  # of an opening's
_MANY_POINTS = 24
_PHASES = list(Phase)
_SHOWN_RULES = ("overhang", "not probed here")  # refusals that a picture of the piece explains


@dataclass(frozen=True, slots=True, eq=False)
class Names:
    """What a job is called on its program and sheet."""

    job: str = "job"
    workpiece: str = "workpiece"


@dataclass(frozen=True, slots=True, eq=False)
class PreparedJob:
    """A job ready to be cut, with everything on the way that a person may want to look at."""

    names: Names
    scan: ProbeScan
    surface: Surface
    layers: Layers
    chart: Chart
    wall: Wall
    machine: Machine
    cutters: tuple[Cutter, ...]
    rules: Rules
    passes: tuple[CutPass, ...]
    order: Order
    toolpath: Toolpath
    poses: Poses
    programs: tuple[tuple[str, str], ...]  # (file name, text)
    cut: VirtualCut
    run: RunEstimate
    wear: tuple[float, ...]  # fraction of life, one a cutter
    findings: tuple[Finding, ...]
    likeness: (
        Likeness | None
    )  # of a relief's lit look; None without one, or where none is seen from the front
    bridges: tuple[Bridge, ...]  # that were added to hold islands


def prepare(
    scan: ProbeScan,
    layers: Layers,
    placement: Placement,
    wall: Wall,
    cutters: Sequence[Cutter],
    machine: Machine,
    rules: Rules,
    *,
    names: Names | None = None,
    projection: Projection = Projection.OWN_MERCATOR,
    keep_outs: Sequence[KeepOut] = (),
    suggest_bridges: bool = False,
    now: datetime | None = None,
    weight_kg: float | None = None,
    seed: int = 0,
    report: Report = ignore,
    stop: Stop = never,
) -> PreparedJob:
    """Prepare one job on one machine, or refuse it with the reasons.

    Parameters
    ----------
    scan : ProbeScan
        The touches, seat frame [mm].
    layers : Layers
        The design, sheet [mm].
    placement : Placement
        Where its middle lies on the piece.
    wall : Wall
        Wall readings.
    cutters : sequence of Cutter
        The cutters at hand.
    machine : Machine
        The machine that cuts.
    rules : Rules
        The settings it is judged and cut by.
    names : Names, optional
        What job and workpiece are called.
    projection : Projection
        How the sheet is laid on the piece.
    keep_outs : sequence of KeepOut
        Places that no cut may come near.
    suggest_bridges : bool
        Whether islands that nothing holds get the least bridges that do.
    now : datetime, optional
        When it is to be cut, for the age of the scan; None: not judged.
    weight_kg : float, optional
        How heavy the piece is now, against its weight when it was probed [kg].
    seed : int
        Of the order search; same seed, same program [-].
    report, stop : callable
        Progress, and whether to end early.

    Raises
    ------
    CannotBeDone
        With the findings that refuse the job.
    Stopped
        When `stop` asked for it.
    """
    step = _Steps(report, stop)
    names = names or Names()
    step("shape of the piece")
    surface, findings = fit_surface(scan)
    findings += age_findings(scan, surface, now, rules) + weight_findings(scan, weight_kg, rules)
    chart = chart_of(surface, placement, projection)
    step("design on the skin")
    bridges: tuple[Bridge, ...] = ()
    if suggest_bridges:
        layers, bridges = with_bridges(layers, chart, surface, wall, rules)
    judged = judge_regions(layers, chart, surface, wall, cutters, rules, keep_outs)
    findings = _unless_refused(findings + judged, lambda: _where(surface, layers, chart))
    step("passes")
    passes, floor, more = plan_passes(layers, chart, surface, wall, cutters, machine, rules)
    findings = _unless_refused(findings + more)
    step("order")
    order = order_on(passes, surface, machine, rules, seed=seed, report=step.within, stop=stop)
    findings += together_findings(order, passes)
    step("moves and axes")
    toolpath = link(passes, order, surface, machine, cutters, rules)
    struck = holder_findings(toolpath, passes, surface, cutters, keep_outs, rules)
    findings = _unless_refused(findings + struck)
    poses = to_poses(toolpath, passes, surface, machine)
    step("program")
    header = _header(names, scan, machine, cutters, toolpath)
    programs = write_programs(
        poses, machine, cutters, header, tuple(p.name for p in passes), _notes(findings)
    )
    step("virtual cut")
    wanted = wanted_cut(layers, chart, floor, passes)
    read = read_programs([text for _, text in programs], machine)
    cut = virtual_cut(read, machine, tuple(cutters), surface, wall, wanted, rules)
    findings = _unless_refused(findings + cut.findings)
    step("time and wear")
    run = estimate_run(machine, poses, poses.axes[0], len(cutters))
    return PreparedJob(
        names=names,
        scan=scan,
        surface=surface,
        layers=layers,
        chart=chart,
        wall=wall,
        machine=machine,
        cutters=tuple(cutters),
        rules=rules,
        passes=passes,
        order=order,
        toolpath=toolpath,
        poses=poses,
        programs=programs,
        cut=cut,
        run=run,
        wear=wear_fractions(run, cutters),
        findings=tuple(sorted(findings, key=lambda f: -list(Severity).index(f.severity))),
        likeness=_likeness(layers, chart, cut, wanted, surface, wall, rules),
        bridges=bridges,
    )


class _Steps:
    """Tells which step begins, and ends the work when asked to."""

    def __init__(self, report: Report, stop: Stop) -> None:
        self.done, self.report, self.stop = 0, report, stop

    def __call__(self, note: str) -> None:
        if self.stop():
            raise Stopped("stopped before it was done; nothing was written")
        self.report(self.done, _STEPS, note)
        self.done += 1

    def within(self, done: int, total: int, note: str) -> None:
        """Tell what goes on inside the step that runs."""
        self.report(self.done - 1, _STEPS, note)


def _unless_refused(
    findings: tuple[Finding, ...], picture: Callable[[], str] | None = None
) -> tuple[Finding, ...]:
    """Return the findings, or refuse the job when one of them does; with a picture of a bad place."""
    refused = [f for f in findings if f.severity is Severity.REFUSE]
    if refused:
        more = f" (and {len(refused) - 1} more)" if len(refused) > 1 else ""
        fix = f"; {refused[0].fix}" if refused[0].fix else ""
        shown = picture() if picture and any(f.rule in _SHOWN_RULES for f in refused) else ""
        raise CannotBeDone(f"{refused[0].text}{fix}{more}", findings, shown)
    return findings


def _where(surface: Surface, layers: Layers, chart: Chart) -> str:
    """Return a picture of the piece with its overhangs, what is known of its skin, and the design on it."""
    from engine.coverage import coverage_svg

    return coverage_svg(
        surface, title=f"{layers.name}: refused at this place", outlines=skin_outlines(layers, chart)
    )


def plan_passes(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutters: Sequence[Cutter],
    machine: Machine,
    rules: Rules,
    *,
    rough: bool = False,
) -> tuple[tuple[CutPass, ...], ReliefFloor | None, tuple[Finding, ...]]:
    """Return all passes of a job, the wanted floor of its relief if it has one, and findings.

    A relief is laid on a `rough` grid where only its time is asked for.
    """
    openings, findings = opening_passes(layers, chart, surface, wall, cutters, machine, rules)
    openings = kept_apart(openings, layers, chart, surface, wall, rules)
    if layers.tones is None and not layers.of(Treatment.SHAVE):
        return openings, None, findings
    pixel_mm = 2 * PIXEL_MM if rough else PIXEL_MM
    rows, floor, more = relief_passes(layers, chart, surface, wall, cutters, machine, rules, pixel_mm)
    shifted = tuple(replace(p, after=tuple(i + len(rows) for i in p.after)) for p in openings)
    return rows + shifted, floor, findings + more


def order_on(
    passes: Sequence[CutPass],
    surface: Surface,
    machine: Machine,
    rules: Rules,
    *,
    seed: int = 0,
    report: Report = ignore,
    stop: Stop = never,
) -> Order:
    """Return the passes' order on a machine: by phase and cutter, inside those by travel; `seed` [-]."""
    kinds = _kinds(passes)
    groups = [kinds.index((_PHASES.index(p.phase), p.cutter)) for p in passes]
    fresh = [i for i in range(1, len(kinds)) if kinds[i][1] != kinds[i - 1][1]]
    return order_passes(
        pass_poses(passes, surface, machine, rules),
        metric_of(machine),
        groups=groups,
        after=[p.after for p in passes],
        apart=apart_pairs(passes),
        home_before=fresh,
        seed=seed,
        report=report,
        stop=stop,
    )


def _kinds(passes: Sequence[CutPass]) -> list[tuple[int, int]]:
    """Return phases and cutters in their order: a cutter comes after those whose passes its own wait for."""
    kind = [(_PHASES.index(p.phase), p.cutter) for p in passes]
    waits = {(kind[i], kind[j]) for i, p in enumerate(passes) for j in p.after if kind[i] != kind[j]}
    left, found = sorted(set(kind)), []
    while left:
        ready = [k for k in left if not any((k, other) in waits for other in left)]
        found.append((ready or left)[0])
        left.remove(found[-1])
    return found


def to_poses(toolpath: Toolpath, passes: Sequence[CutPass], surface: Surface, machine: Machine) -> Poses:
    """Return the toolpath on the machine's axes, from home to home.

    Raises
    ------
    CannotBeDone
        Naming the first pass that no pose within the limits reaches.
    """
    home = np.array(machine.home, float)
    found = to_axes(machine, toolpath.tips_work_mm + surface.origin_seat_mm, toolpath.directions, home)
    missed = found.over_limit | (found.residual_mm > _REACHED_MM)
    missed[[0, -1]] = False
    if missed.any():
        raise CannotBeDone(*_out_of_reach(found.axes, missed, toolpath, passes, machine))
    axes = np.array(found.axes)
    axes[0] = home
    turns = [
        360.0 if a.kind == "rotary" and a.minimum is None and a.maximum is None else np.inf
        for a in machine.axes
    ]
    for column, turn in enumerate(turns):  # an endless axis comes home at the nearest whole turn
        whole = turn * np.round((axes[-2, column] - home[column]) / turn) if np.isfinite(turn) else 0.0
        axes[-1, column] = home[column] + whole
    return Poses(axes=axes, toolpath=toolpath, residual_mm=found.residual_mm, lean_rad=found.lean_rad)


def _out_of_reach(
    axes: np.typing.NDArray[np.float64],
    missed: np.typing.NDArray[np.bool_],
    toolpath: Toolpath,
    passes: Sequence[CutPass],
    machine: Machine,
) -> tuple[str, tuple[Finding, ...]]:
    row = int(np.flatnonzero(missed)[0])
    ahead = toolpath.pass_index[row:]
    index = int(ahead[ahead >= 0][0]) if (ahead >= 0).any() else int(toolpath.pass_index.max())
    over = [
        f"{a.word} would stand at {v:.1f}, limits {a.minimum} to {a.maximum}"
        for a, v in zip(machine.axes, axes[row], strict=True)
        if (a.minimum is not None and v < a.minimum - 1e-6)
        or (a.maximum is not None and v > a.maximum + 1e-6)
    ]
    why = "; ".join(over) or "no pose brings the cutter there"
    text = f"{machine.name} does not reach {passes[index].name}: {why}"
    finding = Finding(
        Severity.REFUSE,
        "reach",
        text,
        "use another machine, or place the design nearer the waist and the front",
        place=passes[index].region,
    )
    return text, (finding,)


@dataclass(frozen=True, slots=True, eq=False)
class JobOutline:
    """A job as far as it must be known to be timed on any machine: its passes on the skin, in their order."""

    surface: Surface
    rules: Rules
    cutters: tuple[Cutter, ...]
    passes: tuple[CutPass, ...]
    order: Order
    findings: tuple[Finding, ...]


def outline_of_job(
    scan: ProbeScan,
    layers: Layers,
    placement: Placement,
    wall: Wall,
    cutters: Sequence[Cutter],
    machine: Machine,
    rules: Rules,
) -> JobOutline:
    """Return a job's passes and their order, laid for one machine, without a program.

    Parameters
    ----------
    scan, layers, placement, wall, cutters, machine, rules
        As for `prepare`.

    Raises
    ------
    CannotBeDone
        With the findings that refuse the job.
    """
    surface, findings = fit_surface(scan)
    chart = own_mercator(surface, placement)
    findings = _unless_refused(findings + judge_regions(layers, chart, surface, wall, cutters, rules))
    passes, _, more = plan_passes(layers, chart, surface, wall, cutters, machine, rules, rough=True)
    findings = _unless_refused(findings + more)
    order = order_on(passes, surface, machine, rules)
    return JobOutline(surface, rules, tuple(cutters), passes, order, findings)


def run_on(job: PreparedJob | JobOutline, machine: Machine) -> tuple[RunEstimate, tuple[float, ...]]:
    """Return time and wear of the same passes, in the same order, on another machine.

    The cutter's axis is what that machine takes at each place of the skin, the depth is kept along the
    normal. This is an estimate for planning; a program is prepared afresh for the machine that gets the job.

    Raises
    ------
    CannotBeDone
        When that machine does not reach a pass, or leans too far.
    """
    shifted = _on_other(job.passes, job.surface, machine, job.rules)
    strides = np.array([_stride(job.passes[i]) for i in job.order.sequence])
    order = replace(
        job.order,
        entries=job.order.entries // strides,
        wound_deg=np.zeros((0, 2)),  # turns of the machine that it was found for
    )
    toolpath = link(shifted, order, job.surface, machine, job.cutters, job.rules)
    poses = to_poses(toolpath, shifted, job.surface, machine)
    run = estimate_run(machine, poses, poses.axes[0], len(job.cutters))
    return run, wear_fractions(run, job.cutters)


def _on_other(
    passes: Sequence[CutPass], surface: Surface, machine: Machine, rules: Rules
) -> tuple[CutPass, ...]:
    """Return the same passes as another machine's cutter would run them, a relief's rows thinned out."""
    passes = [_thinned(one) for one in passes]
    skin = np.concatenate([p.skin_work_mm for p in passes])
    unit = normalised(skin)
    opening = np.concatenate([np.full(len(p.skin_work_mm), p.phase is Phase.OPENING) for p in passes])
    normal = np.where(opening[:, None], normals_at(surface, unit), unit)  # a relief is cut along its rays
    directions = cutter_directions(machine, skin + surface.origin_seat_mm, normal)
    slope = np.sum(directions * normal, axis=1)
    ends = np.cumsum([len(p.skin_work_mm) for p in passes])[:-1]
    out = []
    for one, n, d, s in zip(
        passes, np.split(normal, ends), np.split(directions, ends), np.split(slope, ends), strict=True
    ):
        lean = float(np.degrees(np.arccos(np.clip(s.min(), -1, 1))))
        allowed = rules.lean_plan_deg if one.phase is Phase.OPENING else rules.lean_relief_deg
        if lean > allowed:
            raise CannotBeDone(
                f"{machine.name} would lean {lean:.0f} deg in {one.region}; "
                f"a plan uses at most {allowed:.0f} deg"
            )
        depth = np.sum((one.skin_work_mm - one.tips_work_mm) * n, axis=2)
        tips = one.skin_work_mm - (depth / s)[..., None] * d
        out.append(replace(one, directions=d, tips_work_mm=tips))
    return tuple(out)


def _stride(one: CutPass) -> int:
    """Return of how many points one is enough for the time on another machine; few points all count.

    So do those of rings, whose points are far apart for their size, and of lines that rise over tabs.
    """
    if one.phase is Phase.OPENING and (not one.closed or len(one.tabs)):
        return 1
    step = _OPEN_THIN if one.phase is Phase.OPENING else _THIN
    return step if len(one.skin_work_mm) >= _MANY_POINTS else 1


def _thinned(one: CutPass) -> CutPass:
    """Return a pass with some of its points: near enough for its time, and far fewer to turn."""
    n = len(one.skin_work_mm)
    kept = np.append(np.arange(0, n - 1, _stride(one)), n - 1)
    return replace(
        one,
        skin_work_mm=one.skin_work_mm[kept],
        directions=one.directions[kept],
        tips_work_mm=one.tips_work_mm[:, kept],
    )


def wanted_cut(
    layers: Layers, chart: Chart, floor: ReliefFloor | None, passes: Sequence[CutPass]
) -> WantedCut:
    """Return what the virtual cut is judged against; a shave is a relief of one depth."""
    cut = [r for r in layers.regions if r.treatment in (Treatment.OPENING, Treatment.SHAVE)]
    outlines = [
        (region, outline)
        for region, outline in zip(cut, skin_outlines(layers, chart), strict=True)
        if region.treatment is Treatment.OPENING
    ]
    return WantedCut(
        outlines=tuple(outline for _, outline in outlines),
        names=tuple(region.name for region, _ in outlines),
        treatments=tuple(region.treatment for region, _ in outlines),
        relief_longitude_rad=floor.longitude_rad if floor else None,
        relief_latitude_rad=floor.latitude_rad if floor else None,
        relief_depth_mm=floor.depth_mm if floor else None,
        tabs=np.concatenate([np.zeros((0, 4)), *(one.tabs.reshape(-1, 4) for one in passes)]),
    )


def _likeness(
    layers: Layers,
    chart: Chart,
    cut: VirtualCut,
    wanted: WantedCut,
    surface: Surface,
    wall: Wall,
    rules: Rules,
) -> Likeness | None:
    """Return how alike the lit look of a job's tones is to what was meant, if it has any to be seen."""
    if layers.tones is None:
        return None
    try:
        return relief_likeness(cut, wanted, (layers.tones, chart), surface, wall, rules)
    except BadInput:  # tones that lie out of sight of the front have no look to compare
        return None


def _header(
    names: Names, scan: ProbeScan, machine: Machine, cutters: Sequence[Cutter], toolpath: Toolpath
) -> dict[str, str]:
    used = [cutters[i].name for i in dict.fromkeys(toolpath.cutter.tolist())]
    return {
        "job": names.job,
        "workpiece": names.workpiece,
        "scan": scan.digest,
        "machine": machine.name,
        "cutter": ", ".join(used),
        "written by": WRITTEN_BY,
    }


def _notes(findings: Sequence[Finding]) -> tuple[str, ...]:
    return tuple(f.text for f in findings if f.severity is not Severity.REFUSE)[:6]
