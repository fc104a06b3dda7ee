"""Field patterns against shapes from closed forms: smears of known length and direction."""

import math

import numpy as np
import pytest
from astropy.stats import circmoment
from painted_sky import as_frame, gaussian, grid_of_stars, paint

from classifier.field_pattern import FieldPattern, find_pattern
from classifier.mean_star import mean_star
from classifier.measures import measure_frame
from classifier.star_evidence import elongated
from classifier.stars import STAR

LIT = (16, 0, 1016, 800)
MIDDLE, HALF = (516.0, 400.0), math.hypot(1000, 800) / 2
SIGMA = 1.5  # px, of the round star


def field(smear, count=80, seed=1, scatter=0.02, odd=0):
    """Stars of Gaussian sigma SIGMA drawn out along a line: `smear` gives (dx, dy) in px at each
    place. A uniform line of length L adds L^2 / 12 to the variance along it."""
    rng = np.random.default_rng(seed)
    stars = np.zeros(count, STAR)
    stars["x"], stars["y"] = rng.uniform(20, 1010, count), rng.uniform(4, 796, count)
    dx, dy = smear(stars["x"].astype(float), stars["y"].astype(float))
    xx, yy, xy = SIGMA**2 + dx**2 / 12, SIGMA**2 + dy**2 / 12, dx * dy / 12
    stars["e1"] = (xx - yy) / (xx + yy) + rng.normal(0, scatter, count)
    stars["e2"] = 2 * xy / (xx + yy) + rng.normal(0, scatter, count)
    stars["e1"][:odd] = rng.uniform(-0.6, 0.6, odd)  # galaxies, unnoticed pairs
    stars["angle_deg"] = np.rad2deg(0.5 * np.arctan2(stars["e2"], stars["e1"])) % 180
    stars["shaped"] = True
    return stars


def still(x, y):
    return np.zeros_like(x), np.zeros_like(y)


def drifting(x, y):
    return np.full_like(x, 3.0), np.full_like(y, 2.0)


def turned_about(px, py, turn_deg=0.45):
    turn = math.radians(turn_deg)
    return lambda x, y: (-(y - py) * turn, (x - px) * turn)


def outwards(strength):
    return lambda x, y: (strength * (x - MIDDLE[0]), strength * (y - MIDDLE[1]))


@pytest.mark.parametrize("odd", [0, 8])
@pytest.mark.parametrize(
    ("smear", "name"),
    [
        (still, "round"),
        (drifting, "constant"),
        (outwards(0.008), "radial"),
        (turned_about(*MIDDLE), "tangential"),
        (turned_about(60.0, 90.0), "turning"),
        (turned_about(960.0, 500.0), "turning"),
        (lambda x, y: (4.0 * ((x - 16) / 1000) ** 0.5, 0 * y), "one side"),
    ],
)
def test_pattern_by_its_cause(smear, name, odd):
    for seed in (1, 2, 3):
        assert find_pattern(field(smear, seed=seed, odd=odd), LIT).name == name


@pytest.mark.parametrize("point", [(60.0, 90.0), (960.0, 500.0), (-200.0, 400.0)])
def test_field_turns_about_the_guide_star(point):
    found = find_pattern(field(turned_about(*point), count=200), LIT)
    assert found.name == "turning"
    # 200 stars with errors of 0.02 in e of up to 0.6: a tenth of the way to the point.
    away = math.hypot(point[0] - MIDDLE[0], point[1] - MIDDLE[1])
    assert math.hypot(found.centre[0] - point[0], found.centre[1] - point[1]) < 0.1 * away


def test_whiskers_lie_along_the_smear():
    lines = find_pattern(field(drifting), LIT).whiskers
    # Scatter 0.02 of 80 stars on e = 0.33: the common direction is known to 0.2 degrees.
    angles = [math.degrees(math.atan2(one[3] - one[1], one[2] - one[0])) % 180 for one in lines]
    assert angles == pytest.approx([math.degrees(math.atan2(2, 3))] * len(lines), abs=1.0)
    assert all(LIT[0] <= one[0] <= LIT[2] and LIT[1] <= one[1] <= LIT[3] for one in lines)
    assert find_pattern(field(still), LIT).whiskers == []


def test_largest_elongation_is_that_of_the_smear():
    found = find_pattern(field(drifting, scatter=0.005), LIT)
    truth = math.sqrt((SIGMA**2 + 13 / 12) / SIGMA**2)
    assert found.largest_elongation == pytest.approx(truth, rel=0.01)
    assert found.typical_elongation == pytest.approx(truth, rel=0.01)


def test_odd_stars_do_not_bend_the_pattern():
    truth = math.sqrt((SIGMA**2 + 13 / 12) / SIGMA**2)
    stars = field(drifting, scatter=0.005)
    stars["e1"][:16], stars["e2"][:16] = -0.4, -0.3  # a fifth of them, all across it
    found = find_pattern(stars, LIT)
    assert found.name == "constant"
    assert found.typical_elongation == pytest.approx(truth, rel=0.01)


def test_radial_stretch_is_optics_even_where_the_stars_lie_to_one_side():
    # Most stars right of the middle: their common shape is stretched and coherent, yet radial.
    axis = np.arange(-12, 13)
    round_star = np.exp(-(axis[None] ** 2 + axis[:, None] ** 2) / (2 * SIGMA**2))
    star = mean_star(np.repeat(round_star[None].astype(np.float32), 9, 0), np.full((9, 2), 12.0))
    for name, states in (("radial", ("no", "no")), ("constant", ("unknown", "unknown"))):
        pattern = FieldPattern(name, None, 1.6, 1.3, [])
        said = elongated(star, 1.35, 0.6, None, pattern)
        assert (said["vibration"].state, said["drift"].state) == states


def test_worse_edge_of_a_tilted_sensor():
    found = find_pattern(field(lambda x, y: (0 * x, 4.0 * (1 - y / 800) ** 0.5)), LIT)
    assert found.name == "one side" and found.centre[1] < 200


def test_too_few_stars_or_only_a_corner():
    assert find_pattern(field(drifting, count=19), LIT) is None
    crowd = field(drifting)
    crowd["x"], crowd["y"] = crowd["x"] / 20, crowd["y"] / 20
    assert find_pattern(crowd, LIT) is None
    unshaped = field(drifting)
    unshaped["shaped"] = False
    assert find_pattern(unshaped, LIT) is None


def test_constant_pattern_is_the_coherent_one():
    # Axial angles: the second trigonometric moment, whose length is 1 for one direction.
    def coherence(stars):
        return circmoment(np.deg2rad(2 * stars["angle_deg"].astype(float)), p=1)[1]

    assert coherence(field(drifting)) > 0.9
    assert coherence(field(outwards(0.008))) < 0.3


@pytest.mark.parametrize(
    ("smear", "states", "told"),
    [
        (lambda x, y: (0.016 * (x - 300), 0.016 * (y - 240)), ("no", "no", "no"), "middle of the"),
        (lambda x, y: (-0.011 * (y - 30), 0.011 * (x - 20)), ("no", "yes", "no"), "turned about"),
        (lambda x, y: (0 * x + 4.2, 0 * y), ("unknown", "unknown", "no"), "cannot tell"),
    ],
)
def test_evidence_follows_the_pattern(smear, states, told):
    shape = (480, 600)
    places = grid_of_stars(shape, 52, seed=3)
    picture = np.zeros(shape, np.float32)
    for x, y in places:
        dx, dy = smear(x, y)
        long = math.sqrt(1 + (dx**2 + dy**2) / 12 / 1.4**2)
        star = gaussian(1.4 * 2.3548, long, math.degrees(math.atan2(dy, dx)))
        picture += paint(shape, star, [(x, y)], 9000.0, sky=0.0, noise=0.0, half=14)
    picture += np.random.default_rng(5).normal(400, 4.0, shape)
    evidence = measure_frame(as_frame(picture)).evidence
    found = [evidence[key] for key in ("vibration", "drift", "guiding_loss")]
    assert tuple(one.state for one in found) == states
    assert told in evidence["drift"].note
    assert bool(evidence["drift"].where) == (states[1] != "no")
