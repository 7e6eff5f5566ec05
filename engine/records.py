"""The records that flow through the engine; every field says its unit, every array its shape and frame.

Frames: `seat` (the workpiece as it sits on the machine; touches are measured here), `work` (the mapping
frame: the seat's directions, origin at the fitted centre; +Z to the stem, +X to the front mark, longitude
grows counter-clockwise seen from above), `sheet` (the flat design, millimetres, x right, y up, origin in the
middle of its bounding box) and `room` (the machine's base).

Records are frozen and their arrays read-only; a change is a new record.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from shapely import Polygon

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Report(Protocol):
    """Told how far a long piece of work is; may do anything with it, returns nothing."""

    def __call__(self, done: int, total: int, note: str) -> None:
        """Take note that `done` of `total` steps [-] are behind, and what the next one is."""


class Stop(Protocol):
    """Asked now and then; True means: stop as soon as you can."""

    def __call__(self) -> bool:
        """Return whether to end early."""
        ...


def ignore(done: int, total: int, note: str) -> None:
    """Report to nobody that `done` of `total` steps [-] are behind."""


def never() -> bool:
    """Never ask for a stop."""
    return False


def _freeze(record: Any, **arrays: tuple[Any, type, tuple[int | None, ...]]) -> None:
    """Copy each array to its type, check its shape (None = any length) and make it read-only."""
    for name, (value, kind, shape) in arrays.items():
        copied: NDArray[Any] = np.array(value, dtype=kind)
        fits = copied.ndim == len(shape) and all(
            n is None or n == m for n, m in zip(shape, copied.shape, strict=True)
        )
        if not fits:
            raise ValueError(f"{type(record).__name__}.{name}: shape {copied.shape}, expected {shape}")
        copied.setflags(write=False)
        object.__setattr__(record, name, copied)


class Severity(StrEnum):
    """How much a finding matters: a note, a warning, or a reason to refuse the job."""

    NOTE = "note"
    WARN = "warn"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that should not be: which rule, where, measured against allowed, and the way out."""

    severity: Severity
    rule: str
    """Short stable name of the rule, e.g. ``bridge width``."""
    text: str
    """One sentence in words: thing, value, limit."""
    fix: str = ""
    """What would help, in words."""
    place: str = ""
    """Name of the region or pass it is about."""
    longitude_deg: float | None = None
    latitude_deg: float | None = None
    measured: float | None = None
    allowed: float | None = None
    unit: str = ""


# --- the workpiece -------------------------------------------------------------------------------------


class PieceState(StrEnum):
    """What a piece was when it was probed: how fast it shrinks follows from it."""

    WHOLE = "whole"
    HOLLOW = "hollow"
    HOLLOW_COLD = "hollow cold"  # wrapped, in the cold room


@dataclass(frozen=True, slots=True, eq=False)
class ProbeScan:
    """Touches as read: tip centres in the seat frame, before any compensation."""

    centres_seat_mm: Floats  # (n, 3)
    tip_radius_mm: float
    touch_numbers: Ints  # (n,) equal numbers are re-probes of one place
    lines: Ints  # (n,) line number in the file, for messages
    digest: str  # first 12 hex digits of the probe file's sha256
    state: PieceState | None = None  # None where nobody said
    taken_at: datetime | None = None  # with its time zone
    weight_kg: float | None = None  # of the piece when it was probed

    def __post_init__(self) -> None:
        _freeze(
            self,
            centres_seat_mm=(self.centres_seat_mm, np.float64, (None, 3)),
            touch_numbers=(self.touch_numbers, np.int64, (None,)),
            lines=(self.lines, np.int64, (None,)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A star-shaped skin: radius over directions from the origin, as a grid for bicubic interpolation.

    The grid covers longitude [0, 2 pi) in `m` steps and latitude [-pi/2, pi/2] in `k` rows, poles included.
    Functions on it stand in `engine.surface`.
    """

    origin_seat_mm: Floats  # (3,) the mapping centre in the seat frame
    radius_mm: Floats  # (k, m)
    deviation_mm: Floats  # (k, m) posterior standard deviation of the radius
    points_seat_mm: Floats  # (n, 3) compensated contact points
    residuals_mm: Floats  # (n,) radius of the touch less radius of the surface
    noise_mm: float  # standard deviation of one touch
    rms_error_mm: float  # leave-one-out root mean square error
    coefficients: Floats  # (k + pad, m + pad) spline coefficients, see `engine.surface`
    # (k, m) True where the skin overhangs and nothing may be cut; of no size where it does not
    masked: Bools = field(default_factory=lambda: np.zeros((0, 0), bool))

    def __post_init__(self) -> None:
        _freeze(
            self,
            origin_seat_mm=(self.origin_seat_mm, np.float64, (3,)),
            radius_mm=(self.radius_mm, np.float64, (None, None)),
            deviation_mm=(self.deviation_mm, np.float64, (None, None)),
            points_seat_mm=(self.points_seat_mm, np.float64, (None, 3)),
            residuals_mm=(self.residuals_mm, np.float64, (None,)),
            coefficients=(self.coefficients, np.float64, (None, None)),
            masked=(self.masked, np.bool_, (None, None)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """Wall readings on the skin; one reading means the same wall everywhere. See `engine.wall`."""

    longitude_rad: Floats  # (n,)
    latitude_rad: Floats  # (n,)
    thickness_mm: Floats  # (n,) measured along the skin's normal
    sigma_mm: float = 0.7

    def __post_init__(self) -> None:
        _freeze(
            self,
            longitude_rad=(self.longitude_rad, np.float64, (None,)),
            latitude_rad=(self.latitude_rad, np.float64, (None,)),
            thickness_mm=(self.thickness_mm, np.float64, (None,)),
        )


# --- the design ----------------------------------------------------------------------------------------


class Treatment(StrEnum):
    """What is done to a region of the design."""

    OPENING = "opening"
    RELIEF = "relief"
    SHAVE = "shave"
    KEEP = "keep"


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """A closed part of the design on the sheet, with holes, and what is done to it."""

    name: str  # e.g. "opening 3"
    treatment: Treatment
    polygon: Polygon  # sheet mm
    letters: bool = False  # part of a word: judged by height and stroke


@dataclass(frozen=True, slots=True, eq=False)
class ToneField:
    """A tone picture on the sheet: linear luminance 0 dark .. 1 bright, row 0 at the top."""

    luminance: Floats  # (h, w) linear light, after sRGB decoding
    mask: Bools  # (h, w) True where the relief is cut
    pixel_mm: float  # edge of a pixel on the sheet
    # the picture's middle is the sheet's origin

    def __post_init__(self) -> None:
        _freeze(
            self,
            luminance=(self.luminance, np.float64, (None, None)),
            mask=(self.mask, np.bool_, (None, None)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """A design, sorted by treatment: regions to cut or keep, and perhaps a tone picture."""

    name: str
    regions: tuple[Region, ...]
    tones: ToneField | None
    width_mm: float
    height_mm: float
    digest: str  # first 12 hex digits of the artwork file's sha256

    def of(self, treatment: Treatment) -> tuple[Region, ...]:
        """Return the regions with one treatment, in drawing order."""
        return tuple(region for region in self.regions if region.treatment == treatment)


@dataclass(frozen=True, slots=True)
class KeepOut:
    """A place on the piece that no cut may come near: stem, base opening, clamp, blemish."""

    kind: str  # for messages and margins, e.g. "stem"
    longitude_rad: float
    latitude_rad: float
    radius_mm: float  # along the skin, from that place
    margin_mm: float  # how far from its edge cuts must stay


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the middle of the design lies on the piece, how it is turned, and whether it is turned over."""

    longitude_rad: float = 0.0
    latitude_rad: float = 0.0
    turn_rad: float = 0.0  # counter-clockwise seen from outside
    mirror: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Sheet mm <-> longitude and latitude, by the piece's own mean profile. See `engine.chart`."""

    latitude_rad: Floats  # (k,) increasing
    isometric: Floats  # (k,) isometric latitude q of the mean profile, increasing
    parallel_mm: Floats  # (k,) radius of the parallel on the mean profile
    placement: Placement
    true_radius_mm: float  # radius of the parallel through the middle of the design: the scale of the sheet
    projection: str  # one of `engine.chart.Projection`
    northing: Floats  # (k,) what stands for latitude on the chart, increasing
    sphere_mm: float  # radius of the sphere that an azimuthal chart lays flat; 0 for cylindrical ones
    up: Floats  # (4, k - 1) cubic pieces of the northing over latitude
    back: Floats  # (4, m) cubic pieces of latitude over even steps of the northing

    def __post_init__(self) -> None:
        _freeze(
            self,
            latitude_rad=(self.latitude_rad, np.float64, (None,)),
            isometric=(self.isometric, np.float64, (None,)),
            parallel_mm=(self.parallel_mm, np.float64, (None,)),
            northing=(self.northing, np.float64, (None,)),
            up=(self.up, np.float64, (4, None)),
            back=(self.back, np.float64, (4, None)),
        )


# --- machines and cutters ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a machine after ISO 841; mm for linear, degrees for rotary axes, as in its file."""

    word: str  # X Y Z A B C U V W
    moves: str  # "work" or "cutter"
    kind: str  # "linear" or "rotary"
    direction: tuple[float, float, float]  # unit vector
    through: tuple[float, float, float] = (0.0, 0.0, 0.0)  # [mm], rotary axes only
    minimum: float | None = None
    maximum: float | None = None
    max_speed: float = 1000.0  # [mm/min] or [deg/min]
    max_acceleration: float = 200.0  # [mm/s2] or [deg/s2]


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine as an axis chain; axes from the base outwards, work side and cutter side apart."""

    name: str
    axes: tuple[Axis, ...]
    cutter_axis: tuple[float, float, float]  # unit, from the tip into the holder, all axes at 0
    cutter_tip_at_zero_mm: tuple[float, float, float]
    seat_mm: tuple[float, float, float]
    min_rpm: float
    max_rpm: float
    changer: bool
    change_cutter_s: float
    home: tuple[float, ...]  # one value an axis, in the order of `axes`
    path_tolerance_mm: float
    digest: str = ""  # first 12 hex digits of the machine file's sha256


class CutterForm(StrEnum):
    """The form of a cutter's end."""

    FLAT = "flat"
    BALL = "ball"
    CONE = "cone"
    DRILL = "drill"


@dataclass(frozen=True, slots=True)
class Life:
    """Taylor's tool life v T^n = C for one material: exponent n [-], constant C [m/min], T in minutes."""

    material: str
    exponent: float
    constant_m_per_min: float


@dataclass(frozen=True, slots=True)
class Cutter:
    """A cutter with its holder, and how it is run."""

    name: str
    form: CutterForm
    diameter_mm: float
    teeth: int
    flute_length_mm: float
    stick_out_mm: float
    holder_diameter_mm: float
    holder_length_mm: float
    centre_cutting: bool
    rpm: float
    feed_mm_per_min: float
    plunge_mm_per_min: float
    step_down_mm: float
    stepover_mm: float
    life: Life
    tip_angle_deg: float = 180.0

    @property
    def radius_mm(self) -> float:
        """Half the diameter [mm]."""
        return self.diameter_mm / 2.0


# --- rules ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rules:
    """The settings of the trade that a job is judged and cut by; all editable, none published law.

    Defaults are common practice for squash unless a line says otherwise.
    """

    kind: str = "squash"
    overshoot_mm: float = 2.5  # how far an opening's cut goes on past the inner wall
    shave_depth_mm: float = 2.5
    rind_step_mm: float = 2.0  # first pass of an opening
    rind_feed_factor: float = 0.5
    clearance_mm: float = 15.0  # the shell for travel lies this far outside the skin's farthest point
    approach_mm: float = 3.0  # a plunge starts at feed this far above the skin
    chord_tolerance_mm: float = 0.02
    point_spacing_mm: float = 3.0  # longest step along a pass on the skin
    bridge_floor_mm: float = 6.0
    bridge_load_n: float = 10.0
    bridge_strength_mpa: float = 0.25
    web_floor_mm: float = 8.0
    web_share_of_wall: float = 0.4
    open_share_piece: float = 0.35
    open_share_picture: float = 0.55
    open_share_ring: float = 0.60  # of any ring of 20 mm all round
    open_share_lowest: float = 0.15  # of the lowest 40 mm
    above_base_mm: float = 25.0  # of the lowest opening
    latitude_warn_deg: float = 50.0
    latitude_stop_deg: float = 65.0
    lean_plan_deg: float = 38.0  # a plan leans no further: the footprint is then 1.27 times as long as wide
    lean_relief_deg: float = 12.0  # beyond it a ball cutter's shank keeps it too far from the rim of a relief
    lean_warn_deg: float = 35.0
    lean_stop_deg: float = 50.0
    scan_valid_whole_h: float = 24.0  # how old a scan may be; an older one is told, twice as old is refused
    scan_valid_hollow_h: float = 4.0
    scan_valid_cold_h: float = 12.0
    water_loss_whole: float = 0.0015  # of the weight, a day; 1 % a week (whole, 12.5 C)
    water_loss_hollow: float = 0.04  # carved, shop air
    water_loss_cold: float = 0.0133  # a third: the ratio of the hours above
    weight_loss_stop: float = 0.03  # weighed again and lighter by this: probe it afresh
    stem_height_mm: float = 60.0  # how far stem and clamps stand out of the skin, for collisions
    clamp_height_mm: float = 40.0
    rib_valley_mm: float = 3.0  # no bridge and no edge of a relief this near the bottom of a rib valley
    viewing_m: float = 3.0  # from where a picture must be read
    cap_height_mm_per_m: float = 8.0  # height of capitals by viewing distance; one inch for ten feet
    cap_height_opening_mm: float = 30.0  # and never lower than this where cut through
    cap_height_relief_mm: float = 20.0
    letter_stroke_mm: float = 8.0  # of letters cut through
    slot_seen_mm: float = 3.0  # narrower slots are not seen from 5 m
    slug_mm: float = 15.0  # a longer slug is left hanging on tabs, a shorter one is cut away in rings
    tab_width_mm: float = 6.0  # 0: no tabs, slugs come free
    tab_height_mm: float = 4.0  # of the wall, left standing on its inner side
    pocket_stepover: float = 0.4  # of the cutter's diameter, from ring to ring; 0: nothing is cut away
    slot_spare_mm: float = 0.5  # slot width at least the cutter's diameter and this
    reach_spare_mm: float = 5.0  # flutes at least depth and this
    relief_min_wall_mm: float = 5.0
    relief_max_wall_mm: float = 16.0
    relief_skin_mm: float = 1.5  # the skin is taken off at least this deep
    light_per_mm: float = 0.25  # k of exp(-k t); to be measured on the lot's own step wedge
    outline_tolerance_mm: float = 0.3  # the virtual cut must agree with the design to this
    depth_tolerance_mm: float = 0.3


# --- passes and motion ---------------------------------------------------------------------------------


class Phase(StrEnum):
    """When in a job a pass is cut: relief before shaving before openings."""

    RELIEF_ROUGH = "relief rough"
    RELIEF_FINISH = "relief finish"
    SHAVE = "shave"
    OPENING = "opening"


@dataclass(frozen=True, slots=True, eq=False)
class CutPass:
    """One run of a cutter along one line, at one or more depths, before its order is known.

    A closed pass may be entered at any vertex; the first vertex is not repeated at the end. An open pass
    may be run from either end. Levels are cut from the shallowest down before the cutter leaves.
    """

    name: str  # e.g. "opening 3 outline"
    region: str  # the region's name
    phase: Phase
    cutter: int  # index in the job's cutters
    closed: bool
    along_centre: bool  # runs along the centre line because the cutter does not enter
    skin_work_mm: Floats  # (n, 3) where the cutter's axis crosses the skin
    directions: Floats  # (n, 3) unit, from the tip into the holder, as this machine will take them
    tips_work_mm: Floats  # (levels, n, 3) the cutter's tip
    feeds_mm_per_min: Floats  # (levels,)
    overcut_mm: float = 0.0  # how far the cut goes beyond the region where the cutter does not fit
    after: tuple[int, ...] = ()  # indices of passes that must be cut before this one
    reasons: tuple[str, ...] = ()  # why, one for each of `after`
    apart: tuple[str, ...] = ()  # names of passes that are not cut straight before or after this one
    apart_reasons: tuple[str, ...] = ()  # why, one for each of `apart`
    tabs: Floats = field(default_factory=lambda: np.zeros((0, 1, 4)))
    """(k, m, 4) where the last levels rise to leave tabs: places of the skin along each of them and how much
    of the wall is left standing there, not a number on the flanks [mm]."""

    def __post_init__(self) -> None:
        _freeze(
            self,
            tabs=(self.tabs, np.float64, (None, None, 4)),
            skin_work_mm=(self.skin_work_mm, np.float64, (None, 3)),
            directions=(self.directions, np.float64, (None, 3)),
            tips_work_mm=(self.tips_work_mm, np.float64, (None, None, 3)),
            feeds_mm_per_min=(self.feeds_mm_per_min, np.float64, (None,)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """The order of the passes, where each is entered and which way round it runs."""

    sequence: Ints  # (n,) indices of passes
    entries: Ints  # (n,) vertex at which each starts, in the order of `sequence`
    reversed: Bools  # (n,) run backwards
    travel_s: float  # travel in the metric of the search, recomputed outside it
    travel_nearest_s: float  # the same for nearest neighbour
    wound_deg: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    """(n, 2) where an axis whose cable winds stands at entry and exit of each; (0, 2): no axis does."""
    together: tuple[tuple[int, int], ...] = ()
    """Passes cut one after the other that should not be: no order was found that keeps them apart."""

    def __post_init__(self) -> None:
        _freeze(
            self,
            sequence=(self.sequence, np.int64, (None,)),
            entries=(self.entries, np.int64, (None,)),
            reversed=(self.reversed, np.bool_, (None,)),
            wound_deg=(self.wound_deg, np.float64, (None, 2)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Toolpath:
    """Every move of a job in the work frame, in order; each row is the END of a straight move.

    A cutter change happens before the first row of a new cutter, at home.
    """

    tips_work_mm: Floats  # (n, 3)
    directions: Floats  # (n, 3) unit, from the tip into the holder
    feeds_mm_per_min: Floats  # (n,) inf = travel
    pass_index: Ints  # (n,) index of the pass, -1 for travel
    cutter: Ints  # (n,) index in the job's cutters

    def __post_init__(self) -> None:
        _freeze(
            self,
            tips_work_mm=(self.tips_work_mm, np.float64, (None, 3)),
            directions=(self.directions, np.float64, (None, 3)),
            feeds_mm_per_min=(self.feeds_mm_per_min, np.float64, (None,)),
            pass_index=(self.pass_index, np.int64, (None,)),
            cutter=(self.cutter, np.int64, (None,)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """A toolpath on a machine's axes: values in the order of the machine's axes, mm and degrees."""

    axes: Floats  # (n, k)
    toolpath: Toolpath
    residual_mm: Floats  # (n,) distance by which the axes miss the wanted tip
    lean_rad: Floats  # (n,) angle between the wanted and the taken direction

    def __post_init__(self) -> None:
        _freeze(
            self,
            axes=(self.axes, np.float64, (None, None)),
            residual_mm=(self.residual_mm, np.float64, (None,)),
            lean_rad=(self.lean_rad, np.float64, (None,)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class ReadProgram:
    """The moves of a program as read back; row 0 is where the machine stands before the first move."""

    axes: Floats  # (n, k) value of every axis at the end of each move, machine's order, mm and degrees
    rapid: Bools  # (n,) a G0 move
    minutes: Floats  # (n,) programmed time of a feed move, nan for rapids (and feed per minute: length / F)
    spindle_rpm: Floats  # (n,) 0 = stopped
    cutter: Ints  # (n,) index in `cutter_names`, -1 before the first
    lines: Ints  # (n,) line number in the program
    cutter_names: tuple[str, ...]
    header: dict[str, str] = field(default_factory=dict)  # job, workpiece, scan, machine, cutter, written by

    def __post_init__(self) -> None:
        _freeze(
            self,
            axes=(self.axes, np.float64, (None, None)),
            rapid=(self.rapid, np.bool_, (None,)),
            minutes=(self.minutes, np.float64, (None,)),
            spindle_rpm=(self.spindle_rpm, np.float64, (None,)),
            cutter=(self.cutter, np.int64, (None,)),
            lines=(self.lines, np.int64, (None,)),
        )


@dataclass(frozen=True, slots=True)
class RunEstimate:
    """How long a program runs on its machine, by kind of time."""

    cutting_s: float
    travel_s: float
    change_s: float
    cutting_mm: float
    travel_mm: float
    cutting_s_by_cutter: tuple[float, ...]
    cutting_mm_by_cutter: tuple[float, ...]

    @property
    def total_s(self) -> float:
        """Cutting, travel and cutter changes [s]."""
        return self.cutting_s + self.travel_s + self.change_s


# --- proof ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class WantedCut:
    """What the virtual cut is judged against: regions as mapped on the skin, and the depth asked for."""

    outlines: tuple[Polygon, ...]  # (longitude, latitude) in radians, densely sampled
    names: tuple[str, ...]
    treatments: tuple[Treatment, ...]
    relief_longitude_rad: Floats | None = None  # (w,) grid of the wanted floor, if there is a relief
    relief_latitude_rad: Floats | None = None  # (h,)
    relief_depth_mm: Floats | None = None  # (h, w) wanted depth along the ray; nan = not cut
    tabs: Floats | None = None  # (n, 4) where wall is to be left standing, as in `CutPass`


@dataclass(frozen=True, slots=True, eq=False)
class VirtualCut:
    """What a program leaves, found by reading it back: grids over longitude and latitude, and figures."""

    longitude_rad: Floats  # (w,)
    latitude_rad: Floats  # (h,)
    depth_mm: Floats  # (h, w) depth cut along the ray from the centre; 0 = untouched skin
    edge_mm: Floats  # (h, w) signed distance on the skin to the edge of the cut, negative inside
    outline_median_mm: float
    outline_p99_mm: float
    outline_max_mm: float
    outside_mm: float  # farthest cut outside any region
    outside_mm2: float  # area cut outside the regions by more than the tolerance
    depth_median_mm: float
    depth_max_mm: float  # largest error of depth where a depth was asked for
    lost_mm2: float  # area of corners that the cutter's round leaves
    travel_inside_mm: float  # deepest point of a rapid below the skin or the part already cut free
    findings: tuple[Finding, ...]

    def __post_init__(self) -> None:
        _freeze(
            self,
            longitude_rad=(self.longitude_rad, np.float64, (None,)),
            latitude_rad=(self.latitude_rad, np.float64, (None,)),
            depth_mm=(self.depth_mm, np.float64, (None, None)),
            edge_mm=(self.edge_mm, np.float64, (None, None)),
        )
