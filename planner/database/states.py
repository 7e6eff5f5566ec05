"""Which states and kinds are there? Stored as plain text, checked by the services."""

from __future__ import annotations

from enum import StrEnum


class ProduceKind(StrEnum):
    """What a lot is."""

    SQUASH = "squash"
    TURNIP = "turnip"
    GOURD = "gourd"
    FOAM = "foam"


class SizeClass(StrEnum):
    """The size of a piece that a station asks for."""

    ROOT = "root"
    GOURD = "gourd"
    MEDIUM = "medium"
    LARGE = "large"
    XL = "XL"
    JUMBO = "jumbo"


class LanternKind(StrEnum):
    """How the light comes out: cut through, or thinned to a relief."""

    THROUGH = "through"
    RELIEF = "relief"


class LotState(StrEnum):
    """Whether a lot was taken in at the gate."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"


class WorkpieceState(StrEnum):
    """How far a workpiece is on its way."""

    WHOLE = "whole"
    HOLLOW = "hollow"
    CUT = "cut"
    PLACED = "placed"
    SCRAPPED = "scrapped"


class ScanState(StrEnum):
    """What the workpiece was when it was probed."""

    WHOLE = "whole"
    HOLLOW = "hollow"


class CutterState(StrEnum):
    """Where a cutter is, or why it is out of use."""

    STORED = "stored"
    FITTED = "fitted"
    DULL = "dull"
    BROKEN = "broken"
    RETIRED = "retired"


class JobState(StrEnum):
    """How far a job is."""

    WANTED = "wanted"  # a lit night at a station, no workpiece yet
    CHOSEN = "chosen"  # workpiece and design are chosen
    PREPARED = "prepared"  # at least one machine can cut it
    CUTTING = "cutting"
    CUT = "cut"
    PLACED = "placed"
    CANCELLED = "cancelled"


class PreparationState(StrEnum):
    """How the preparing of a job for a machine ended."""

    DONE = "done"
    REFUSED = "refused"  # findings say why
    FAILED = "failed"


class PlanState(StrEnum):
    """Whether a plan counts."""

    DRAFT = "draft"
    PUBLISHED = "published"
    REPLACED = "replaced"


class RunOutcome(StrEnum):
    """How a run at a machine ended."""

    FINISHED = "finished"
    STOPPED = "stopped"  # the piece can be gone on with
    SCRAPPED = "scrapped"
    UNKNOWN = "unknown"  # power lost or emergency stop: inspect before anything else


class WorkState(StrEnum):
    """How far a long piece of work is."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"


class Role(StrEnum):
    """What somebody may do; each may all that the ones before may."""

    VIEWER = "viewer"  # look
    HAND = "hand"  # report from bench and machine
    LEAD = "lead"  # plan, decide, approve
    KEEPER = "keeper"  # people, tokens, copies


class ReportKind(StrEnum):
    """What a controller may report."""

    START = "start"
    PAUSE = "pause"
    RESUME = "resume"
    END = "end"
    FAULT = "fault"
    RUN_TIME = "run_time"


class PieceStepKind(StrEnum):
    """The steps of a piece's way through the shop, in their order."""

    RECEIVED = "received"
    STORED = "stored"
    WASHED = "washed"
    HOLLOWED = "hollowed"
    THINNED = "thinned"
    GAUGED = "gauged"
    MOUNTED = "mounted"
    PROBED = "probed"
    CUT = "cut"
    FINISHED = "finished"
    LIT_CHECKED = "lit-checked"
    ON_RACK = "on rack"
    AT_STATION = "at station"
    TAKEN_DOWN = "taken down"
    COMPOSTED = "composted"


class RunMarkKind(StrEnum):
    """What is marked in a run."""

    FAULT = "fault"
    RETOUCH = "re-touch"


class WalkVerdict(StrEnum):
    """When a lantern must be replaced, as the walker sees it."""

    OK = "ok"
    TOMORROW = "tomorrow"
    TONIGHT = "tonight"


class CutterEntryKind(StrEnum):
    """What a cutter's ledger keeps, beside what runs took."""

    ISSUED = "issued"
    FITTED = "fitted"
    STORED = "stored"
    INSPECTED = "inspected"
    DULL = "dull"
    SHARPENED = "sharpened"
    RETIRED = "retired"
    BROKEN = "broken"


class MachineCheckKind(StrEnum):
    """What is ticked or read at a machine."""

    CLEANED = "cleaned"
    SERVICED = "serviced"
    RING_GAUGE = "ring gauge"  # error of a ring's diameter [mm]
    FULL_TURN = "full turn"  # off its mark after 360 degrees [deg]
    EARTH_LEAKAGE = "earth leakage"  # the breaker's test button
    EMERGENCY_STOP = "emergency stop"


class BenchKind(StrEnum):
    """What people work at, or what holds a piece."""

    BENCH = "bench"
    CARRIER = "carrier"  # plates on which pieces stay from mounting to the lit check


class BenchStep(StrEnum):
    """What is done at a bench, in its order; the cut comes between mounting and finishing."""

    HOLLOW = "hollow"
    THIN = "thin"
    GAUGE = "gauge"
    MOUNT = "mount"
    FINISH = "finish"
    LIT_CHECK = "lit check"
