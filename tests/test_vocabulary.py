"""The fault table: its keys, their order, and the ramp from clean to faulty."""

import math
import re

import pytest

from classifier import vocabulary
from classifier.vocabulary import FAULTS, GROUPS, INDEX, KEYS, SET_FAULTS, Effect, Verdict, fault

# The order is part of every weights file (output i of the network is key i) and of every
# results file written so far: a change here makes both unreadable.
ORDER = [
    "hot_pixels",
    "dust_motes",
    "vignetting",
    "clouds",
    "vibration",
    "drift",
    "defocus",
    "trail",
    "bloated_stars",
    "miscollimation",
    "diffraction_spikes",
    "gradient",
    "guiding_loss",
    "low_signal",
    "bayer_grid",
    "reflection",
]

SPOILS = {
    "clouds",
    "vibration",
    "drift",
    "defocus",
    "bloated_stars",
    "miscollimation",
    "guiding_loss",
}
CALIBRATES = {"hot_pixels", "dust_motes", "vignetting"}


def test_keys_and_their_order():
    assert list(KEYS) == ORDER
    assert [row.key for row in SET_FAULTS] == ["rotation_mismatch"]
    assert {key: i for i, key in enumerate(ORDER)} == INDEX


def test_effect_of_every_fault():
    assert {row.key for row in FAULTS if row.effect is Effect.SPOILS} == SPOILS
    assert {row.key for row in FAULTS if row.effect is Effect.CALIBRATES} == CALIBRATES


def test_verdicts():
    assert [str(verdict) for verdict in Verdict] == ["keep", "look", "drop"]


@pytest.mark.parametrize("row", FAULTS + SET_FAULTS, ids=lambda row: row.key)
def test_row(row):
    assert re.fullmatch(r"[a-z]+(_[a-z]+)*", row.key)
    assert row.title and row.what and row.unit
    assert not row.what.endswith("."), "`what` is a phrase that other texts build on"
    assert row.target(row.counts_from) == 1.0
    assert row.target(row.clean_below) == 0.0
    middle = (row.counts_from + row.clean_below) / 2
    # Exact but for rounding in two subtractions and a division of numbers of the same size.
    assert row.target(middle) == pytest.approx(0.5, abs=1e-12)
    assert not row.is_scored(middle)
    step = row.counts_from - row.clean_below
    assert row.target(row.counts_from + step) == 1.0
    assert row.target(row.clean_below - step) == 0.0
    assert row.is_scored(row.counts_from + step)
    assert row.is_scored(row.clean_below - step)


@pytest.mark.parametrize("row", FAULTS + SET_FAULTS, ids=lambda row: row.key)
def test_clean_level_is_well_below_the_fault(row):
    """Half the level; half the excess over 1 for ratios that start at 1; twice if downwards."""
    starts_at_one = row.unit.startswith("times") or row.unit == "elongation"
    if row.grows_downwards:
        expected = 2 * row.counts_from
    elif starts_at_one:
        expected = 1 + (row.counts_from - 1) / 2
    else:
        expected = row.counts_from / 2
    assert row.clean_below == pytest.approx(expected)


def test_only_signal_and_plane_ratio_grow_downwards():
    downwards = {row.key for row in FAULTS + SET_FAULTS if row.grows_downwards}
    assert downwards == {"low_signal", "bayer_grid"}


def test_groups_hold_faults_that_are_the_same_light():
    assert GROUPS["elongated"] == ("drift", "vibration", "guiding_loss")
    assert GROUPS["soft"] == ("defocus", "bloated_stars")
    for members in GROUPS.values():
        assert set(members) <= set(KEYS)


def test_motions_are_told_apart_from_where_their_images_part():
    # A sine of amplitude FWHM, second moments; two equal Gaussians half a path apart.
    sine, path = vocabulary.SAME_LIGHT["vibration", "guiding_loss"]
    sigma = 1 / math.sqrt(8 * math.log(2))
    assert sine == pytest.approx(math.sqrt(1 + 0.5 / sigma**2), abs=0.005)
    x = [step / 1000 for step in range(-1000, 1001)]
    light = [sum(math.exp(-((a - s * path / 4) ** 2) / (2 * sigma**2)) for s in (-1, 1)) for a in x]
    assert light[1000] / max(light) == pytest.approx(0.72, abs=0.01)
    assert {key for pair in vocabulary.SAME_LIGHT for key in pair} == set(GROUPS["elongated"])


def test_lookup():
    assert fault("trail").key == "trail"
    assert fault("rotation_mismatch") in SET_FAULTS
    with pytest.raises(KeyError, match="no fault is called 'trial'; the faults are hot_pixels"):
        fault("trial")


def test_version_is_a_whole_number():
    assert vocabulary.VOCABULARY_VERSION >= 1
