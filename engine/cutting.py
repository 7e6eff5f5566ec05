"""What does a cutter suffer and leave: chip load, bending, effective diameter, grooves and chords.

Closed forms of the workshop: a cutter that sticks out is a cantilever under its side force, d = F L^3 / (3 E
I) with I = pi d^4 / 64; a ball at a small depth cuts with a circle of 2 sqrt(d h - h^2); a cone of full angle
w leaves a groove as deep as half its width by tan(w / 2).
"""

from __future__ import annotations

import math

from engine.errors import BadInput
from engine.records import Cutter

CARBIDE_GPA, STEEL_GPA = 600.0, 210.0


def chip_load_mm(feed_mm_per_min: float, rpm: float, teeth: int) -> float:
    """Return what one tooth takes, f / (n z) [mm].

    Parameters
    ----------
    feed_mm_per_min : float
        Feed [mm/min].
    rpm : float
        Speed of the spindle [1/min].
    teeth : int
        Teeth of the cutter [-].
    """
    if not (rpm > 0 and teeth > 0):
        raise BadInput(f"{rpm:g} rpm and {teeth} teeth: more than nought of both were expected")
    return feed_mm_per_min / (rpm * teeth)


def bending_mm(
    force_n: float, reach_mm: float, diameter_mm: float, stiffness_gpa: float = CARBIDE_GPA
) -> float:
    """Return how far a cutter's tip gives way sideways.

    Parameters
    ----------
    force_n : float
        Side force at the tip [N].
    reach_mm : float
        From the holder to the tip [mm].
    diameter_mm : float
        Of the shank all along [mm].
    stiffness_gpa : float
        Young's modulus: carbide 600, steel 210 [GPa].
    """
    second_moment_mm4 = math.pi * diameter_mm**4 / 64.0
    return force_n * reach_mm**3 / (3.0 * stiffness_gpa * 1e3 * second_moment_mm4)


def bending_of_mm(cutter: Cutter, force_n: float = 10.0) -> float:
    """Return how far a carbide cutter of the job gives way under the side force of a sharp edge.

    Parameters
    ----------
    cutter : Cutter
        Its diameter and stick-out.
    force_n : float
        5 to 10 N sharp, 20 to 30 N dull; common practice [N].
    """
    return bending_mm(force_n, cutter.stick_out_mm, cutter.diameter_mm)


def effective_diameter_mm(ball_diameter_mm: float, depth_mm: float) -> float:
    """Return the circle with which a ball cuts at a small depth [mm].

    Parameters
    ----------
    ball_diameter_mm : float
        Of the ball [mm].
    depth_mm : float
        Of the cut; from half the diameter on it is the diameter [mm].
    """
    if depth_mm >= ball_diameter_mm / 2:
        return ball_diameter_mm
    return 2.0 * math.sqrt(max(ball_diameter_mm * depth_mm - depth_mm**2, 0.0))


def groove_depth_mm(width_mm: float, full_angle_deg: float) -> float:
    """Return how deep a cone must go for a groove of a given width [mm].

    Parameters
    ----------
    width_mm : float
        Of the groove at the skin [mm].
    full_angle_deg : float
        Of the cone [deg].
    """
    if not 0 < full_angle_deg < 180:
        raise BadInput(f"a cone of {full_angle_deg:g} deg: an angle between 0 and 180 deg was expected")
    return width_mm / 2.0 / math.tan(math.radians(full_angle_deg) / 2.0)


def chord_on_arc(radius_mm: float, tolerance_mm: float) -> tuple[float, float, int]:
    """Return the longest chord of an arc within a tolerance, its angle, and how many make a turn.

    Parameters
    ----------
    radius_mm : float
        Of the arc [mm].
    tolerance_mm : float
        Greatest distance between chord and arc, below the radius [mm].

    Returns
    -------
    tuple of float, float, int
        Chord [mm], angle [deg], chords in a whole turn [-].
    """
    if not 0 < tolerance_mm < radius_mm:
        raise BadInput(f"tolerance {tolerance_mm:g} mm on a radius of {radius_mm:g} mm: less was expected")
    half = math.acos(1.0 - tolerance_mm / radius_mm)
    return 2.0 * radius_mm * math.sin(half), math.degrees(2.0 * half), math.ceil(math.pi / half)


def skin_speed_mm_per_min(radius_mm: float, turns_per_min: float) -> float:
    """Return how fast the skin of a turning piece passes the cutter [mm/min].

    Parameters
    ----------
    radius_mm : float
        From the axis to the skin [mm].
    turns_per_min : float
        Of the piece [1/min].
    """
    return 2.0 * math.pi * radius_mm * turns_per_min
