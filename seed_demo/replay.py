"""What would a whole season bring? Its runs, faults, ratings, walks and replacements, told as people would.

Chance stands behind it, never the program: real times, lives and losses are drawn by the truth below, and
told to the services by controllers' reports, cards and walks. The planner learns from the records alone.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

import numpy as np
from sqlalchemy import ColumnElement, and_, select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import CutterState, JobState, LotState, RunOutcome
from planner.errors import PlannerError
from planner.schedule.life import LifeModel, life_used, multiplier
from planner.services import fleet, floor, intake, jobs, ledger, pieces, quality
from planner.services.reports import Report, keep_reports
from planner.services.starting import fitted_on
from seed_demo.scenario import Happening

BY, WALKER, RATERS = "demo", "Bea Lindqvist", ("Joss Okafor", "Ines Calloway")
SLOWER = {"Wren": 1.18, "Heron": 1.22, "Badger": 1.27, "Otter": 1.14, "Stoat": 1.33}
"""Real over estimated time of each machine; others are slower by a fifth."""
OWN_SPREAD = 0.05
LASTS = 0.93
"""Of the life that the default model gives."""
SCRAP = 0.06
CAUSES = (("slipped", 2), ("broke through", 3), ("bridge broke", 4), ("rot", 5), ("wrong face", 1))
SHIFT = (time(6, 0), time(16, 30))
_OPEN = (JobState.CHOSEN, JobState.PREPARED)
Plan = Callable[[datetime], None]


def _timed(row: type[tables.PlanRow]) -> ColumnElement[bool]:
    """Return what joins a row of the plan with the time of its job on its machine."""
    return and_(tables.RunTime.job_id == row.job_id, tables.RunTime.machine_id == row.machine_id)


@dataclass
class Told:
    """What the replay has told the services, counted by itself: the sums that a review must come to."""

    finished: int = 0
    scrapped: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    broken_off: int = 0
    machine_min: float = 0.0
    """Of all runs, pauses taken off."""
    pauses_min: float = 0.0
    ratings: list[int] = field(default_factory=list)
    walked: int = 0
    replaced: dict[date, int] = field(default_factory=lambda: defaultdict(int))
    """Lanterns asked for anew, by the night they were for."""
    lit: dict[date, int] = field(default_factory=dict)
    """Stations whose newest lantern was cut by dusk."""
    queue_min: float = 0.0
    """Sum over finished jobs of the time from being asked for to being cut."""
    waiting: list[tuple[datetime, datetime]] = field(default_factory=list)
    """Of each finished job, when it was asked for and when it was cut."""
    sharpened: list[float] = field(default_factory=list)
    """What was left of the life of each cutter that was sharpened."""
    happened: list[str] = field(default_factory=list)


class Replay:
    """A season as it goes, told to the services day by day."""

    def __init__(
        self,
        factory: sessionmaker[Session],
        season_id: int,
        plan: Plan,
        happenings: Sequence[Happening],
        seed: int,
    ) -> None:
        self.factory, self.season_id, self.plan = factory, season_id, plan
        self.rng = np.random.default_rng(seed)
        self.told, self.model = Told(), LifeModel()
        self.happenings = sorted(happenings, key=lambda one: one.at)
        self.free_at: dict[int, datetime] = {}
        self.left: dict[int, float] = {}
        """Share of a broken-off job that is still to be cut."""
        self.life: dict[int, float] = {}
        """By job: the life it was given, in shares of a mean one."""
        self.must_fail: set[str] = set()
        self.events = self.pieces = 0
        self.now = datetime.min
        with reading(factory) as db:
            season = db.get(tables.Season, season_id)
            assert season is not None
            self.season = season
            self.nights = [(n.night, n.temperature_c or 11.0) for n in season.nights]
            self.asked_at = {job.id: job.recorded_at for job in db.scalars(select(tables.Job))}
            db.expunge(season)  # its columns are asked for when no session is open

    def instant(self, day: date, at: time) -> datetime:
        """Return a local time of the site as an instant."""
        return datetime.combine(day, at, self.season.zone)

    # --- days ------------------------------------------------------------------------------------

    def run(
        self, first: date, report: Callable[[int, int, str], None] = lambda done, total, note: None
    ) -> Told:
        """Go through all days from the first carving to the last night."""
        days = [first + timedelta(days=n) for n in range((self.nights[-1][0] - first).days + 1)]
        self._fit_cutters(self.instant(first, SHIFT[0]))
        for n, day in enumerate(days):
            report(n, len(days), f"{day:%a %d %b}")
            self._day(day)
        report(len(days), len(days), "the season is over")
        return self.told

    def _day(self, day: date) -> None:
        morning, evening = self.instant(day, SHIFT[0]), self.instant(day, SHIFT[1])
        opening = self.season.opening_night
        self.now = morning
        self._man(day, morning, evening)
        for one in [
            h for h in self.happenings if h.at.astimezone(self.season.zone).date() == day and h.at <= morning
        ]:
            self._happen(one)
        if day > opening:
            self._ask_for_replacements(day, morning)
        self._give_new_pieces(morning)
        self.plan(morning)
        for one in [h for h in self.happenings if morning < h.at <= evening]:
            self._cut_until(one.at, evening)
            self.now = one.at
            self._happen(one)
        self._cut_until(evening, evening)
        if day >= opening:
            self._light(day)

    def _man(self, day: date, morning: datetime, evening: datetime) -> None:
        with unit_of_work(self.factory) as db:
            shift = tables.MachineShift
            for machine in db.scalars(select(tables.Machine).where(tables.Machine.active)):
                taken = db.scalar(
                    select(shift.id).where(
                        shift.machine_id == machine.id, shift.start_at < evening, shift.end_at > morning
                    )
                )
                if taken is None:
                    fleet.add_shift(db, machine.id, morning, evening, by=BY, at=morning)

    # --- cutting ---------------------------------------------------------------------------------

    def _cut_until(self, until: datetime, evening: datetime) -> None:
        """Let every machine begin what the plan has for it before an instant."""
        with reading(self.factory) as db:
            machines = db.execute(select(tables.Machine.id, tables.Machine.name)).all()
        for machine_id, name in machines:
            while (job := self._next(machine_id, until, evening)) is not None:
                self._cut(job, machine_id, name, evening)

    def _next(
        self, machine_id: int, until: datetime, evening: datetime
    ) -> tuple[int, datetime, float] | None:
        """Return the next job of a machine, when it begins and its estimate [min]; None = none."""
        row, job = tables.PlanRow, tables.Job
        with reading(self.factory) as db:
            found = db.execute(
                select(row.job_id, row.start_at, tables.RunTime.run_min)
                .join(tables.Plan, tables.Plan.id == row.plan_id)
                .join(job, job.id == row.job_id)
                .join(tables.RunTime, _timed(row))
                .where(
                    tables.Plan.season_id == self.season_id, tables.Plan.state == "published",
                    row.machine_id == machine_id, job.state.in_(_OPEN), job.workpiece_id.is_not(None),
                )
                .order_by(row.start_at)
                .limit(1)
            ).first()  # fmt: skip
            if found is None:
                return None
            begin = max(found.start_at, self.free_at.get(machine_id, found.start_at), self.now)
            begin = self._when_up(db, machine_id, begin) + timedelta(minutes=float(self.rng.uniform(0, 3)))
        if begin >= min(until, evening - timedelta(minutes=5)):
            return None
        return found.job_id, begin, float(found.run_min or 20.0)

    def _when_up(self, db: Session, machine_id: int, begin: datetime) -> datetime:
        down = tables.Breakdown
        spans = (
            select(down.start_at, down.end_at).where(down.machine_id == machine_id).order_by(down.start_at)
        )
        for start, end in db.execute(spans):
            if start <= begin < (end or begin + timedelta(days=1)):
                begin = end or begin + timedelta(days=1)
        return begin

    def _cut(
        self, job: tuple[int, datetime, float], machine_id: int, machine: str, evening: datetime
    ) -> None:
        job_id, begin, estimate = job
        share = self.left.get(job_id, 1.0)
        ratio = SLOWER.get(machine, 1.2) * math.exp(OWN_SPREAD * self.rng.standard_normal())
        minutes = estimate * ratio * share
        pause = float(self.rng.uniform(1, 4)) if self.rng.random() < 0.4 else 0.0
        end = begin + timedelta(minutes=minutes + pause)
        stop = self._stopped_by(machine, begin, end)
        said: dict[str, object] = {}
        if stop is not None:
            at, outcome = stop
            done = max(0.0, (at - begin) / timedelta(minutes=minutes + pause))
            self.left[job_id] = share * (1 - done)
            pause = pause if at - begin > timedelta(minutes=pause + 1) else 0.0
            end, said = (
                at,
                {
                    "outcome": outcome,
                    "reason": "reported by the controller",
                    "pass": f"pass {1 + int(20 * done)}",
                },
            )
        elif (cause := self._lost(job_id)) is not None:
            end = begin + (end - begin) * float(self.rng.uniform(0.3, 1.0))
            pause = 0.0
            said = {"outcome": "scrapped", "reason": cause}
        self._tell(machine_id, machine, job_id, begin, end, pause, said)
        self.free_at[machine_id] = end + timedelta(minutes=float(self.rng.uniform(6, 10)))
        self._count(job_id, begin, end, pause, said)

    def _stopped_by(self, machine: str, begin: datetime, end: datetime) -> tuple[datetime, str] | None:
        for one in self.happenings:
            hit = one.subject in (machine, "all machines") and one.minutes is not None
            if hit and begin <= one.at < end:
                return one.at, "unknown" if one.subject == "all machines" else "stopped"
        return None

    def _lost(self, job_id: int) -> str | None:
        with reading(self.factory) as db:
            job = db.get(tables.Job, job_id)
            shown = job.design_version.design.name if job is not None and job.design_version else ""
        if shown in self.must_fail:
            self.must_fail.discard(shown)
            return "bridge broke"
        if self.rng.random() >= SCRAP:
            return None
        weights = np.array([weight for _, weight in CAUSES], float)
        return CAUSES[int(self.rng.choice(len(CAUSES), p=weights / weights.sum()))][0]

    def _tell(
        self, machine_id: int, machine: str, job_id: int, begin: datetime, end: datetime, pause: float,
        said: dict[str, object],
    ) -> None:  # fmt: skip
        def one(kind: str, at: datetime, words: dict[str, object]) -> Report:
            self.events += 1
            return Report(f"replay {self.events}", kind, at, job_id, words)

        letter = [one("start", begin, {})]
        if pause:
            half = begin + (end - begin - timedelta(minutes=pause)) * 0.3
            reason = ("slug to push", "cutter change", "wipe and look")[int(self.rng.integers(3))]
            letter += [
                one("pause", half, {"reason": reason}),
                one("resume", half + timedelta(minutes=pause), {}),
            ]
        letter.append(one("end", end, said))
        with unit_of_work(self.factory) as db:
            self._touch_again(db, job_id, begin)
            self._change_worn(db, job_id, machine_id, begin)
            keep_reports(db, machine_id, letter, by=f"{machine}, controller", at=end)

    def _touch_again(self, db: Session, job_id: int, at: datetime) -> None:
        """Touch three places again, as before every start of a piece whose scan is not of this hour."""
        job = db.get(tables.Job, job_id)
        scan = tables.Scan
        if job is None or job.workpiece_id is None:
            return
        if db.scalar(select(scan.id).where(scan.workpiece_id == job.workpiece_id, scan.active)) is not None:
            off = min(0.45, abs(float(self.rng.normal(0, 0.15))))
            floor.recheck_scan(db, job.workpiece_id, off, by=BY, at=at)

    def _count(
        self, job_id: int, begin: datetime, end: datetime, pause: float, said: dict[str, object]
    ) -> None:
        told = self.told
        told.machine_min += (end - begin) / timedelta(minutes=1) - pause
        told.pauses_min += pause
        if said.get("outcome") == "scrapped":
            told.scrapped[str(said["reason"])] += 1
            self.left.pop(job_id, None)
        elif said:
            told.broken_off += 1
        else:
            told.finished += 1
            told.waiting.append((self.asked_at[job_id], end))
            self.left.pop(job_id, None)

    # --- produce ---------------------------------------------------------------------------------

    def _give_new_pieces(self, at: datetime) -> None:
        """Give each wanted job with a design a new piece of its kind, while accepted lots have any."""
        with unit_of_work(self.factory) as db:
            wanted = db.scalars(
                select(tables.Job).where(
                    tables.Job.season_id == self.season_id, tables.Job.workpiece_id.is_(None),
                    tables.Job.state == JobState.WANTED, tables.Job.design_version_id.is_not(None),
                    tables.Job.station_id.is_not(None),
                )
            ).all()  # fmt: skip
            for job in wanted:
                like = self._like(db, job)
                piece = self._piece(db, like, at) if like is not None else None
                if like is None or piece is None:
                    continue
                jobs.choose_workpiece(db, job.id, piece.id)
                self._time(db, job, like)

    def _like(self, db: Session, job: tables.Job) -> tables.Job | None:
        """Return a job of the same design that was timed: its estimates are taken for the new piece."""
        return db.scalar(
            select(tables.Job)
            .join(tables.RunTime, tables.RunTime.job_id == tables.Job.id)
            .where(
                tables.Job.design_version_id == job.design_version_id, tables.Job.id != job.id,
                tables.Job.workpiece_id.is_not(None), tables.RunTime.eligible,
            )
            .order_by(tables.Job.id)
            .limit(1)
        )  # fmt: skip

    def _piece(self, db: Session, like: tables.Job, at: datetime) -> tables.Workpiece | None:
        assert like.workpiece is not None
        lot, piece = tables.Lot, tables.Workpiece
        same = like.workpiece.lot
        lots = db.scalars(
            select(lot)
            .where(
                lot.variety == same.variety, lot.kind == same.kind, lot.state == LotState.ACCEPTED,
                lot.received_on <= at.date(),
            )
            .order_by(lot.received_on)
        ).all()  # fmt: skip
        for source in lots:
            if len(db.scalars(select(piece.id).where(piece.lot_id == source.id)).all()) < source.quantity:
                self.pieces += 1
                made = intake.add_workpiece(
                    db, source.id, f"R{self.pieces:04d}", like.workpiece.diameter_mm,
                    like.workpiece.height_mm, by=BY, at=at, ribs=like.workpiece.ribs,
                )  # fmt: skip
                intake.mark_hollowed(db, made.id, by=BY, at=at)
                return made
        return None

    def _time(self, db: Session, job: tables.Job, like: tables.Job) -> None:
        db.add_all(
            tables.RunTime(
                job_id=job.id, machine_id=one.machine_id, eligible=one.eligible, reason=one.reason,
                run_min=one.run_min, wear=dict(one.wear),
            )
            for one in like.run_times
        )  # fmt: skip
        db.flush()

    def _ask_for_replacements(self, day: date, at: datetime) -> None:
        with unit_of_work(self.factory) as db:
            for gone in quality.replacements(db, self.season_id, day - timedelta(days=1)):
                old = db.get(tables.Job, gone.job_id)
                if old is None or old.station_id is None or day > self.season.last_night:
                    continue
                new = jobs.create_job(
                    db, self.season_id, day, by=BY, at=at, station_id=old.station_id,
                    design_version_id=old.design_version_id, longitude_deg=old.longitude_deg,
                    latitude_deg=old.latitude_deg, width_mm=old.width_mm, cutter_types=old.cutter_types,
                    priority=old.priority,
                )  # fmt: skip
                self.asked_at[new.id] = at
                self.told.replaced[day] += 1

    # --- evenings --------------------------------------------------------------------------------

    def _light(self, day: date) -> None:
        """Rate what is cut, put it in its place by dusk, count what is lit, and walk past at ten."""
        due, dusk = self.season.due_at(day), self.season.dusk_at(day)
        ten = self.instant(day, time(22, 0))
        warmth = dict(self.nights)
        with unit_of_work(self.factory) as db:
            job_ = tables.Job
            cut = select(job_).where(job_.state == JobState.CUT, job_.station_id.is_not(None))
            ended = self._ended(db)
            for job in db.scalars(cut).all():
                if ended[job.id][0] > due:
                    continue  # too late for this evening; it is set up on the next
                self._rate(db, job, due)
                self._take_down_before(db, job, due)
                floor.place(db, job.id, by=WALKER, at=due)
            newest: dict[int, tables.Job] = {}
            wanted = select(job_).where(job_.night <= day, job_.state != JobState.CANCELLED).order_by(job_.id)
            for job in db.scalars(wanted).all():
                if job.station_id is not None:
                    newest[job.station_id] = job
            self.told.lit[day] = sum(
                job.state in (JobState.CUT, JobState.PLACED) and ended[job.id][0] <= dusk
                for job in newest.values()
            )
            for job in newest.values():
                if job.state == JobState.PLACED:
                    self._walk_past(db, job, ended[job.id], day, ten, warmth)

    def _ended(self, db: Session) -> dict[int, tuple[datetime, str]]:
        rows = db.execute(
            select(tables.Run.job_id, tables.Run.ended_at, tables.Station.kind)
            .join(tables.Job, tables.Job.id == tables.Run.job_id)
            .outerjoin(tables.Station, tables.Station.id == tables.Job.station_id)
            .where(tables.Run.outcome == RunOutcome.FINISHED)
        )
        return {job: (end, kind or "through") for job, end, kind in rows if end is not None}

    def _rate(self, db: Session, job: tables.Job, at: datetime) -> None:
        middle = float(np.clip(self.rng.normal(8.0, 0.9), 3, 10))
        for rater in RATERS:
            rating = int(np.clip(round(middle + float(self.rng.normal(0, 0.5))), 1, 10))
            floor.rate(db, job.id, rating, [], "", by=rater, at=at)
            self.told.ratings.append(rating)

    def _take_down_before(self, db: Session, job: tables.Job, at: datetime) -> None:
        before = db.scalars(
            select(tables.Job).where(
                tables.Job.station_id == job.station_id,
                tables.Job.id < job.id,
                tables.Job.state == JobState.PLACED,
            )
        ).all()
        for old in before:
            if old.workpiece_id is not None:
                pieces.step(db, old.workpiece_id, "taken down", by=WALKER, at=at, place="compost")

    def _walk_past(
        self, db: Session, job: tables.Job, cut: tuple[datetime, str], day: date, at: datetime,
        warmth: dict[date, float],
    ) -> None:  # fmt: skip
        used = self._used(cut[0], at, warmth) / multiplier(self.model, relief=cut[1] == "relief")
        life = self.life.setdefault(
            job.id, LASTS * float(self.rng.weibull(self.model.shape)) / math.gamma(1 + 1 / self.model.shape)
        )
        tomorrow = float(life_used(self.model, warmth.get(day + timedelta(days=1), warmth[day]), 1.0))
        verdict = "tonight" if used >= life else "tomorrow" if used + tomorrow >= life else "ok"
        faults = ["mould"] if verdict != "ok" else []
        quality.walk(db, job.id, day, verdict, by=WALKER, at=at, faults=faults)
        self.told.walked += 1

    def _used(self, begin: datetime, end: datetime, warmth: dict[date, float]) -> float:
        used, at, first = 0.0, begin, min(warmth)
        while at < end:
            step = min(end, at + timedelta(days=1))
            used += float(
                life_used(self.model, warmth.get(at.date(), warmth[first]), (step - at) / timedelta(days=1))
            )
            at = step
        return used

    # --- what happens ----------------------------------------------------------------------------

    def _fit_cutters(self, at: datetime) -> None:
        """Fit one cutter of each type that a machine's planned jobs use, the fullest first."""
        with unit_of_work(self.factory) as db:
            row = tables.PlanRow
            wanted: dict[tuple[int, str], None] = {}
            for machine_id, wear in db.execute(
                select(row.machine_id, tables.RunTime.wear)
                .join(tables.RunTime, _timed(row))
                .order_by(row.machine_id)
            ):  # fmt: skip
                wanted.update({(machine_id, kind): None for kind in wear or {}})
            for machine_id, kind in wanted:
                self._fit_one(db, machine_id, kind, at)

    def _fit_one(self, db: Session, machine_id: int, kind: str, at: datetime) -> None:
        """Fit the fullest stored cutter of a type; where there is none, a dull one is sharpened first."""
        cutter_ = tables.Cutter
        of_kind = select(cutter_).where(cutter_.type_name == kind).order_by(cutter_.life_left.desc()).limit(1)
        cutter = db.scalar(of_kind.where(cutter_.state == CutterState.STORED))
        if cutter is None and (cutter := db.scalar(of_kind.where(cutter_.state == CutterState.DULL))):
            self.told.sharpened.append(cutter.life_left)
            ledger.keep_entry(db, cutter.id, "sharpened", by=BY, at=at)
        if cutter is not None:
            stick_out = float(cutter.description.get("stick_out_mm", 50.0))
            ledger.keep_entry(
                db, cutter.id, "fitted", by=BY, at=at, machine_id=machine_id, stick_out_mm=stick_out
            )

    def _change_worn(self, db: Session, job_id: int, machine_id: int, at: datetime) -> None:
        """Before a job change each cutter that has not life enough left for it, and fit what is missing."""
        job = db.get(tables.Job, job_id)
        times = [] if job is None else [one for one in job.run_times if one.machine_id == machine_id]
        program = floor.preparation_for(db, job_id, machine_id)
        wear = program.wear if program is not None else times[0].wear if times else {}
        for kind, share in wear.items():
            fitted = [one for one in fitted_on(db, machine_id) if one.type_name == kind]
            if any(one.life_left >= share for one in fitted):
                continue
            for one in fitted:
                ledger.keep_entry(db, one.id, "dull", by=BY, at=at)
            self._fit_one(db, machine_id, kind, at)

    def _happen(self, one: Happening) -> None:
        """Let something happen; what does not concern this season is told as not having happened."""
        try:
            with unit_of_work(self.factory) as db:
                done = self._as_told(db, one)
        except PlannerError as error:
            done = f"not carried out: {error}"
        self.told.happened.append(f"{one.at:%d %b %H:%M} {one.subject}: {one.what}; {done}")
        if "down" in one.what or "eaten" in done:
            self.plan(one.at)

    def _as_told(self, db: Session, one: Happening) -> str:
        machine = db.scalar(select(tables.Machine).where(tables.Machine.name == one.subject))
        if machine is not None:
            return self._machine_stops(db, machine, one)
        if one.subject.startswith("piece "):
            return self._piece_changes(db, one)
        if (lot := db.scalar(select(tables.Lot).where(tables.Lot.name == one.subject))) is not None:
            return f"lot {pieces.sample_lot(db, lot.id, 25, 4, 0, one.what, by=BY, at=one.at).state}"
        if (cutter := db.scalar(select(tables.Cutter).where(tables.Cutter.name == one.subject))) is not None:
            held = cutter.machine_id
            ledger.keep_entry(db, cutter.id, "dull", by=BY, at=one.at, words=one.what)
            if held is not None:
                self._fit_one(db, held, cutter.type_name, one.at)
            self.must_fail.add("Gourd Lace")
            return "another one is fitted"
        if one.subject == "all machines":
            return "runs that were on are unknown, and go on after three touches"
        if "ate" in one.what:
            return self._eaten(db, one)
        return "told by the walk of the night before"

    def _machine_stops(self, db: Session, machine: tables.Machine, one: Happening) -> str:
        until = one.at + timedelta(minutes=one.minutes or 60)
        fleet.report_breakdown(db, machine.id, one.at, one.what, by=BY, at=one.at, end_at=until)
        if "proof mark" in one.what:
            fleet.void_proof_marks(db, machine.id, one.what, by=BY, at=one.at)
            fleet.make_proof_mark(db, machine.id, by=BY, at=until)
        return f"down until {until.astimezone(self.season.zone):%d %b %H:%M}"

    def _piece_changes(self, db: Session, one: Happening) -> str:
        number = one.subject.removeprefix("piece ")
        piece = db.scalar(select(tables.Workpiece).where(tables.Workpiece.number == number))
        if piece is None:
            return "there is no such piece"
        scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == piece.id, tables.Scan.active))
        if scan is None or piece.state not in ("whole", "hollow"):
            # the plan had it earlier; the same befalls the next one that is not cut yet
            found = db.execute(
                select(tables.Workpiece, tables.Scan)
                .join(tables.Scan, tables.Scan.workpiece_id == tables.Workpiece.id)
                .where(tables.Workpiece.state == "hollow", tables.Scan.active)
                .order_by(tables.Workpiece.number)
                .limit(1)
            ).first()
            if found is None:
                return "it is cut already, and so are all others"
            piece, scan = found
            number = piece.number
        text, tip = scan.original, scan.tip_radius_mm
        if "clamped" in one.what:
            pieces.step(db, piece.id, "mounted", by=BY, at=one.at, carrier="12")
        else:
            intake.void_scan(db, scan.id, one.what, by=BY, at=one.at + timedelta(minutes=one.minutes or 0))
        later = one.at + timedelta(minutes=(one.minutes or 0) + 20)
        rms = 0.9 if "RMS" in one.what else None
        intake.add_scan(
            db, piece.id, text, tip, by=BY, at=later, file_name=f"touches {number} again.csv", fit_rms_mm=rms
        )
        return f"piece {number} is probed again"

    def _eaten(self, db: Session, one: Happening) -> str:
        day = one.at.astimezone(self.season.zone).date() - timedelta(days=1)
        job = tables.Job
        standing = db.scalars(
            select(job)
            .join(tables.Station, tables.Station.id == job.station_id)
            .where(tables.Station.area == one.subject, job.state == JobState.PLACED)
            .order_by(job.id.desc())
            .limit(2)
        ).all()
        for lantern in standing:
            quality.walk(db, lantern.id, day, "tonight", by=WALKER, at=one.at, faults=["eaten"])
            self.told.walked += 1
        return f"{len(standing)} eaten"
