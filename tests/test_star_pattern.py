"""Star patterns laid over each other: invariances, accuracy against known transforms, chance."""

import numpy as np
import pytest

from classifier.star_pattern import LEAST_STARS, Pattern, match_pattern

SIDE = np.array([1500.0, 1000.0])
NOISE_PX = 0.3


def sky(seed: int, stars: int = 2600) -> np.ndarray:
    """(n, 3) places far beyond the frame, and fluxes."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-SIDE, 2 * SIDE, (stars, 2))
    return np.column_stack((places, rng.pareto(1.0, stars)))


def look(field, seed, rotation_deg=0.0, scale=1.0, mirrored=False, shift=(0.0, 0.0), keep=0.7):
    """Places seen by a frame that lies turned, shifted and scaled in the field's pixels.

    A star at p in the frame lies at scale R(rotation) F (p - middle) + middle + shift in the field.
    """
    rng = np.random.default_rng(seed)
    angle = np.radians(rotation_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = scale * turn @ np.diag([1.0, -1.0 if mirrored else 1.0])
    places = (field[:, :2] - SIDE / 2 - shift) @ np.linalg.inv(matrix).T + SIDE / 2
    inside = ((places > 0) & (places < SIDE)).all(1) & (rng.random(len(field)) < keep)
    places = places[inside] + rng.normal(0, NOISE_PX, (int(inside.sum()), 2))
    flux = field[inside, 2] * np.exp(rng.normal(0, 0.3, len(places)))  # another filter
    return places[np.argsort(-flux)][:250]


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(
    ("rotation_deg", "scale", "shift"),
    [(0, 1, (0, 0)), (0.5, 1, (30, -20)), (-71, 1, (300, 200)), (180, 1, (5, 9)), (33, 2, (0, 0)),
     (123, 0.5, (50, 20)), (-3, 3, (0, 0)), (1, 1, (900, 0))],
)  # fmt: skip
def test_similarity_is_found(rotation_deg, scale, shift, mirrored):
    field = sky(3)
    match = match_pattern(look(field, 1, rotation_deg, scale, mirrored, shift), look(field, 2))
    assert match is not None
    assert match.mirrored is mirrored
    off = (match.rotation_deg - rotation_deg + 180) % 360 - 180
    # Five standard errors, and the 0.02 degree that framing promises where stars are plenty.
    assert abs(off) < max(5 * match.rotation_error_deg, 1e-3)
    if len(match.pairs) >= 40:
        assert abs(off) < 0.02
    # The scale is as uncertain as the turn in radians.
    assert match.scale == pytest.approx(scale, rel=5 * np.radians(match.rotation_error_deg))
    middle = match.apply(SIDE[None] / 2)[0]
    assert middle == pytest.approx(SIDE / 2 + np.array(shift), abs=1.0)


def test_stated_error_is_the_true_one():
    """Deviations over the stated errors have a standard deviation of 1: 60 trials tell it to
    9 % (1 / sqrt(2 n)), so that 0.7 to 1.3 is three of its own errors either way."""
    pulls = []
    for seed in range(60):
        field = sky(seed)
        match = match_pattern(look(field, 1, 7.0, shift=(100, 50)), look(field, 2))
        assert match is not None
        pulls.append((match.rotation_deg - 7.0) / match.rotation_error_deg)
    assert 0.7 < np.std(pulls) < 1.3
    assert abs(np.mean(pulls)) < 3 / 60**0.5


@pytest.mark.parametrize("stars", [8, 25, 80, 250])
def test_strangers_do_not_match(stars):
    """Fields that have nothing in common: a false match has odds of 1e-7 a candidate."""
    for seed in range(3 if stars == 250 else 12):  # every try is made before giving up
        rng = np.random.default_rng(seed)
        one, other = rng.uniform(0, 1000, (2, stars, 2))
        assert match_pattern(one, other) is None


def test_few_stars_do_not_match():
    stars = sky(1)[: LEAST_STARS - 1]
    assert match_pattern(stars, stars) is None
    assert match_pattern(np.zeros((0, 3)), sky(1)) is None


def test_stars_in_a_row_or_on_one_spot_do_no_harm():
    row = np.column_stack((np.arange(30.0), np.zeros(30)))
    assert match_pattern(row, sky(1)) is None
    assert match_pattern(np.zeros((30, 2)), np.zeros((30, 2))) is None


def test_a_bent_field_still_matches():
    """A wide lens: places drawn outwards by up to 40 px in the corners (r^3), shifted by a third
    of the frame, so that no single similarity fits to better than some pixels."""
    field = sky(5)

    def bent(places):
        away = places - SIDE / 2
        return places + away * (np.linalg.norm(away, axis=1, keepdims=True) / 900) ** 2 * 40 / 900

    one, other = look(field, 1, 2.0, shift=(500, 0)), look(field, 2)
    straight, curved = match_pattern(one, other), match_pattern(bent(one), bent(other))
    assert curved is not None
    # Nearly all stars that meet without the lens have to meet with it.
    assert len(curved.pairs) > 0.9 * len(straight.pairs)
    # What the lens does to the angle: the shear over the part in common, not more.
    assert abs(curved.rotation_deg - 2.0) < 0.3


def test_a_pattern_can_be_used_again():
    field = sky(6)
    reference = Pattern(look(field, 2))
    plain = match_pattern(look(field, 1, 4.0), reference.stars)
    again = [match_pattern(look(field, 1, 4.0), reference) for _ in range(2)]
    assert {m.rotation_deg for m in again} == {plain.rotation_deg}
