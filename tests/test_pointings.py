"""Fields told apart by their stars where headers name no target."""

import numpy as np
import pytest

from classifier.pointings import TELLING_STARS, told_apart

KEY = "? | ? | ? | 1000 x 800 | ? | ?"


def field(seed: int, stars: int = 120) -> np.ndarray:
    """(n, 3) x, y, flux of a random field, brightest first, cut at a random dither."""
    rng = np.random.default_rng(seed)
    flux = np.sort(rng.pareto(1.2, stars))[::-1]
    return np.column_stack((rng.uniform(0, 1000, stars), rng.uniform(0, 800, stars), flux))


def seen(stars: np.ndarray, seed: int, keep: int | None = None) -> np.ndarray:
    """The field once more: shifted, positions and fluxes a little off, some stars lost."""
    rng = np.random.default_rng(seed)
    moved = stars + np.array([*rng.uniform(-30, 30, 2), 0.0])
    moved[:, :2] += rng.normal(0, 0.2, (len(stars), 2))
    return moved[rng.random(len(stars)) < 0.8][:keep]


def test_one_field_stays_one_run():
    stars = [seen(field(1), i) for i in range(5)]
    assert told_apart([KEY] * 5, stars) == [KEY] * 5


def test_different_fields_are_numbered_in_order_of_appearance():
    stars = [seen(field(f), i) for i, f in enumerate((1, 2, 1, 3, 2))]
    numbers = [key.split(" | ")[0] for key in told_apart([KEY] * 5, stars)]
    assert numbers == ["field 1", "field 2", "field 1", "field 3", "field 2"]
    assert told_apart([KEY] * 5, stars)[0].endswith(KEY.removeprefix("?"))


def test_turned_camera_after_the_meridian_is_the_same_field():
    turned = np.array([1000.0, 800.0, 0.0]) - field(1) * np.array([1.0, 1.0, -1.0])
    assert told_apart([KEY] * 2, [field(1), turned]) == [KEY] * 2


@pytest.mark.parametrize("count", [0, 3, TELLING_STARS - 1])
def test_few_stars_prove_no_other_field(count):
    stars = [field(1), field(7)[:count], field(1), field(2), field(8)[:count]]
    numbers = [key.split(" | ")[0] for key in told_apart([KEY] * 5, stars)]
    assert numbers == ["field 1", "field 1", "field 1", "field 2", "field 2"]


def test_poor_beginning_belongs_to_the_first_field():
    assert told_apart([KEY] * 3, [field(9)[:4], field(1), seen(field(1), 2)]) == [KEY] * 3


def test_named_targets_are_left_alone():
    named = "M 31 | L | 120 s | cam | bin 1 | gain 100"
    assert told_apart([named, named], [field(1), field(2)]) == [named, named]
