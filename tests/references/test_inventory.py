"""Which published number is held by which test? One line a check; a test below sees that each is there.

Maps: Snyder 1987 (USGS Prof. Paper 1395), PROJ 9.5.1
    Mercator of the sphere, there and back, p. 266         references/test_charts::test_snyders_worked_examples
    Mercator of the ellipsoid, there and back, p. 267      references/test_charts::test_snyders_ellipsoidal_mercator
    cylindrical equal-area, p. 278                         references/test_charts::test_snyders_cylindrical_equal_area
    stereographic, p. 312; gnomonic, p. 319                references/test_charts::test_snyders_worked_examples
    azimuthal equal-area, p. 332; equidistant, p. 338      references/test_charts::test_snyders_worked_examples
    their scale factors k, k'                              references/test_charts::test_snyders_scale_factors
    sinusoidal, p. 365, and all the above by PROJ          references/test_charts::test_the_reference_library_agrees_with_the_book
    Tissot's figures of seven maps at 40 deg               references/test_charts::test_tissots_figures
    Mercator against the central cylinder, six latitudes   engine/test_chart::test_a_sphere_has_the_isometric_latitude_of_mercator
    isometric latitude: oblate spheroid, its scale         references/test_maps::test_oblate_spheroid
    ... prolate spheroid                                   references/test_maps::test_prolate_spheroid
    ... ray's latitude against the normal's                references/test_maps::test_the_ray_s_latitude_is_not_the_normal_s
    ... torus (120 deg lies out of sight of the middle)    references/test_charts::test_a_torus
    ... cylinder                                           references/test_charts::test_a_cylinder
    ... cone                                               references/test_charts::test_a_cone

Skin: DLMF 14.30, closed forms, ISO 5725-6
    seven harmonics; a skin made of some                   references/test_harmonics::test_figures_of_the_harmonics
    ...                                                    references/test_harmonics::test_a_skin_of_harmonics_is_read_as_their_sum
    volume and skin of spheroids                           engine/test_body::test_spheroids
    torus (no star-shaped piece): volume                   references/test_inventory::test_a_torus_by_pappus
    volume of superellipsoids                              engine/test_body::test_superellipsoids
    tip centres on a sphere                                engine/test_surface::test_a_sphere_is_found_exactly
    tip along the ray instead of the normal                engine/test_surface::test_the_tip_is_taken_off_along_the_normal_and_not_along_the_ray
    repeatability                                          engine/test_touches::test_a_probe_s_repeatability
    largest hole among even directions                     engine/test_touches::test_no_hole_among_even_directions

Offsets: Steiner, straight skeletons, closed forms
    rectangle, triangle, hexagon inwards                   engine/test_offset::test_convex_outlines_move_inward_by_the_radius
    rectangle, triangle outwards                           engine/test_offset::test_round_a_hole_the_contour_has_the_area_of_steiner
    rectangle opened, corners left                         engine/test_offset::test_round_corners_that_stay_uncut_are_told
    the L inwards                                          engine/test_offset::test_a_reflex_corner_is_rounded_and_not_mitred
    medial axis of rectangles and triangle                 engine/test_offset::test_the_medial_axis_has_the_length_of_the_straight_skeleton
    slot narrower than the cutter                          engine/test_offset::test_a_slot_narrower_than_the_cutter_is_cut_along_its_middle
    scallop and stepover                                   engine/test_relief::test_scallop_and_stepover_follow_pythagoras
    groove of a cone                                       engine/test_cutting::test_a_groove_s_depth

Tone and light: IEC 61966-2-1, BT.709, ISO/CIE 11664-4, Kubelka 1948, diffusion theory
    sRGB decoded                                           engine/test_tone::test_signals_are_decoded_as_the_standard_says
    sRGB encoded                                           engine/test_tone::test_light_is_encoded_as_the_standard_says
    its two branches                                       engine/test_tone::test_the_two_branches_of_the_signal_nearly_meet
    luminance                                              references/test_inventory::test_luminance_of_linear_light
    ... of a stored colour                                 engine/test_artwork::test_srgb_curve
    lightness L*                                           engine/test_tone::test_lightness
    Beer and Lambert: light of depths                      engine/test_tone::test_light_falls_off_as_beer_and_lambert_say
    ... depths of light                                    engine/test_tone::test_depths_for_given_light
    Kubelka and Munk, through and back                     engine/test_wedge::test_kubelka_and_munk
    ... back from an endless layer                         engine/test_wedge::test_back_from_thick_flesh
    diffusion through a slab                               engine/test_wedge::test_diffusion_through_a_slab
    light per mm of pear flesh                             engine/test_wedge::test_thick_walls_follow_the_exponential
    published flesh lies about the default                 references/test_inventory::test_the_default_lies_among_published_flesh

Motion: Biagiotti and Melchiorri 2008, NISTIR 6556
    trapezoid, triangle, entry and exit                    engine/test_timing::test_trapezoid
    corner within a tolerance                              engine/test_timing::test_corner_speed
    chords on an arc                                       engine/test_cutting::test_chords_on_an_arc
    inverse time, linear and on a turning piece            engine/test_program::test_inverse_time_values
    ... both at once                                       engine/test_program::test_linear_and_arc_at_once
    what F means, A, B, C                                  engine/test_program::test_times_of_feed_moves
    an F word on every line of G93                         engine/test_program::test_every_line_of_inverse_time_has_its_feed
    order of execution                                     engine/test_program::test_order_inside_a_block
    surface speed of a turning piece                       engine/test_cutting::test_the_skin_s_speed

Wear and forces: Taylor, Groover, Miner 1945, ISO 3685, ISO 8688-2
    Taylor by two points                                   engine/test_wear::test_two_points
    ... by three, every way                                engine/test_wear::test_three_points_of_a_textbook
    ... by least squares                                   engine/test_wear::test_three_points_by_least_squares
    most output, least cost                                engine/test_wear::test_lives_at_the_best_speeds
    Miner's sum                                            engine/test_wear::test_miner
    wear lands                                             engine/test_wear::test_a_worn_flank
    cantilever                                             engine/test_cutting::test_a_cutter_bends_as_a_cantilever
    ... halved, doubled                                    engine/test_cutting::test_half_as_thick_bends_sixteen_times_as_much
    chip load                                              engine/test_cutting::test_chip_load
    cutting speed                                          engine/test_wear::test_surface_speed
    effective diameter of a ball                           engine/test_cutting::test_a_ball_s_effective_diameter

Traps: what is often told and wrong
    a printed northing, 0.05 m off                         references/test_charts::test_snyders_ellipsoidal_mercator
    Steiner's area with a minus                            references/test_traps::test_the_area_inside_an_offset_is_not_steiner_s_with_a_minus
    mitred at reflex corners                               references/test_traps::test_a_mitred_buffer_is_not_what_a_round_cutter_leaves
    clusters on unrounded distances                        references/test_traps::test_clusters_are_grown_on_rounded_distances_from_the_farthest_node
    ... from another first centre                          engine/test_order::test_the_first_centre_decides_the_clusters
    the tip taken off along the ray                        engine/test_surface::test_the_tip_is_taken_off_along_the_normal_and_not_along_the_ray
    outdated bounds of job shops                           references/test_traps::test_no_outdated_bound_of_a_benchmark_is_quoted
"""  # noqa: E501

import ast
import re
from pathlib import Path

import numpy as np
import pytest

from engine.artwork import luminance_of_srgb
from engine.body import volume_mm3
from engine.records import Rules
from engine.surface import surface_of
from engine.tone import encoded
from engine.wedge import effective_per_mm

TESTS = Path(__file__).parents[1]
NAMED = re.findall(r"(\S+)::(test_\w+)", __doc__)


@pytest.mark.parametrize(("file", "test"), NAMED, ids=[f"{f}::{t}" for f, t in NAMED])
def test_every_test_of_the_inventory_is_there(file, test):
    """And it says in its own words or its module's where the number comes from."""
    tree = ast.parse((TESTS / f"{file}.py").read_text("utf-8"))
    named = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert test in named
    assert len(f"{ast.get_docstring(tree)}{ast.get_docstring(named[test])}") > 80


def test_a_torus_by_pappus():
    """R = 50, r = 20: V = 2 pi2 R r2 = 394784.1760 (Pappus), to three thousandths.

    No ray from the middle meets a torus once, so it is taken as what lies between two pieces: its far and its
    near skin, both closed at the poles by the sphere on which rays touch it. There the radius changes faster
    than any grid follows, so its skin, 4 pi2 R r = 39478.41760, is no measure of ours.
    """
    touch = np.arcsin(20 / 50)

    def skin(side):
        def radius(d):
            lat = np.arcsin(np.clip(d[..., 2], -1, 1))
            inside = np.maximum(20**2 - (50 * np.sin(lat)) ** 2, 0.0)
            return np.where(
                np.abs(lat) < touch, 50 * np.cos(lat) + side * np.sqrt(inside), np.sqrt(50**2 - 20**2)
            )

        return surface_of(radius, 0.5)

    assert volume_mm3(skin(1)) - volume_mm3(skin(-1)) == pytest.approx(394784.1760, rel=3e-3)


def test_luminance_of_linear_light():
    """Y = .2126 R + .7152 G + .0722 B (ITU-R BT.709-6, section 3): linear (1, .5, .25) is .58825."""
    stored = 255 * encoded(np.array([1.0, 0.5, 0.25]))
    assert luminance_of_srgb(stored.tolist()) == pytest.approx(0.58825, abs=1e-8)


@pytest.mark.parametrize(
    ("absorbed", "scattered", "source"),
    [
        (0.010, 1.25, "pear, 500 nm: Hu, Fu, Ying 2017, doi 10.1007/s11694-017-9465-x, abstract"),
        (0.061, 0.95, "pear, 970 nm: the same"),
        (0.031, 0.532, "kiwifruit, 632.8 nm: Fang, Fu, He 2016, doi 10.1631/jzus.B1500086, abstract, middle"),
    ],
)
def test_the_default_lies_among_published_flesh(absorbed, scattered, source):
    """No figures of squash are published; the fruit that are make 1/e depths of 2 to 6 mm about the default.

    For onion, published absorption was five times what whole fruit show (Tomer, McGlone, Kuennemeyer 2017,
    Comput. Electron. Agric. 134, 94-101): so the default stands within a factor five of each, and a lot's own
    step wedge goes before it.
    """
    k = effective_per_mm(absorbed, scattered)
    assert 2.0 < 1 / k < 6.0, source
    assert 1 / 5 < Rules().light_per_mm / k < 5, source
