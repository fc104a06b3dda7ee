"""The shape of stars without their wings, against closed forms, and what it is asked for.

An elliptical Moffat star (Moffat 1969, A&A 3, 455, its coordinates stretched) has one axis ratio at
every radius. Wings of seeing fall off as r^-11/3 (Kolmogorov; Racine 1996, PASP 108, 699), which a
Moffat star of beta 2.5 to 4.8 comes near to; moved along a line it stays round in the wings.
"""

from dataclasses import replace

import numpy as np
import pytest
from painted_sky import as_frame, gaussian, grid_of_stars, images, moffat, paint, sampled

from classifier.background import measure_background
from classifier.facts import Facts
from classifier.mean_star import mean_star
from classifier.measures import measure_frame
from classifier.runs import judge_runs
from classifier.shapes import elongation_of
from classifier.star_evidence import elongated
from classifier.stars import find_stars

SHAPE = (480, 640)


def painted(stamp, noise=5.0):
    places = grid_of_stars(SHAPE, 60, seed=3)
    flux = 80000.0 * np.random.default_rng(4).uniform(0.8, 1.6, len(places))
    return paint(SHAPE, stamp, places, flux, noise=noise, half=28, seed=3)


def elongations(picture):
    """(without wings, of all of the star), medians over the stars."""
    field = find_stars(measure_background(picture))
    stars = field.stars[field.stars["shaped"]]
    pairs = (("inner_e1", "inner_e2"), ("e1", "e2"))
    return [elongation_of(*(float(np.median(stars[n])) for n in names)) for names in pairs]


def moved(fwhm_px, beta, length_px):
    """A Moffat star moved along x: the mean of 41 images on the way."""
    steps = (np.arange(41) + 0.5) / 41 - 0.5
    one = moffat(fwhm_px, beta)

    def stamp(dx, dy, half):
        return sum(one(dx + length_px * step, dy, half) for step in steps) / len(steps)

    return stamp


def test_of_a_gaussian_it_is_the_whole_shape():
    inner, whole = elongations(painted(gaussian(3.0, stretch=2.0, angle_deg=30.0)))
    minor, major = ((width / 2.35482) ** 2 + 1 / 12 for width in (3, 6))
    assert inner == pytest.approx(np.sqrt(major / minor), rel=0.02)
    assert inner == pytest.approx(whole, rel=0.02)
    assert max(elongations(painted(gaussian(3.0)))) < 1.02


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.765])
@pytest.mark.parametrize("ratio", [1.3, 1.6])
def test_of_an_elliptical_star_with_wings_it_is_its_axis_ratio(beta, ratio):
    a = 5.0 / (2 * np.sqrt(2 ** (1 / beta) - 1))
    star = sampled(lambda x, y: (1 + (x**2 / ratio + y**2 * ratio) / a**2) ** -beta)
    # A round weight sees a little less of the long axis of what is no Gaussian.
    assert 0.94 * ratio < elongations(painted(star))[0] < 1.01 * ratio


@pytest.mark.parametrize(("beta", "length_px"), [(2.5, 5.0), (3.0, 6.0), (4.765, 6.0)])
def test_a_moved_star_with_wings_is_longer_without_them(beta, length_px):
    """Between what all of it shows and what the line's variance L^2 / 12 adds to its core."""
    inner, whole = elongations(painted(moved(3.0, beta, length_px)))
    core = np.sqrt(1 + length_px**2 / 12 / (3.0 / 2.35482) ** 2)
    assert whole < inner < core
    assert core - inner < 0.8 * (core - whole)


def test_it_is_what_tells_whether_stars_are_stretched():
    """A line that lengthens the core half as much again, and the star with its wings by 1.23."""
    picture = painted(moved(3.0, 2.5, 5.0))
    inner, whole = elongations(picture)
    assert whole < 1.25 < inner
    measures = measure_frame(as_frame(picture))
    assert measures.numbers["elongation"] == pytest.approx(whole, abs=0.02)
    assert {measures.evidence[key].state for key in ("drift", "vibration")} == {"unknown"}
    assert measures.evidence["drift"].value == pytest.approx(inner, abs=0.02)


def test_motion_of_the_core_explains_wide_stars_beside_the_run():
    """Twice as wide as the run's others: swollen, or moved if the core is stretched."""
    sharp = measure_frame(as_frame(painted(gaussian(3.0))))
    for inner_e1, state, note in ((0.0, "yes", ""), (0.4, "no", "motion explains the width")):
        numbers = {**sharp.numbers, "fwhm_px": 2 * sharp.numbers["fwhm_px"]}
        numbers |= {"hfr_px": 2 * sharp.numbers["hfr_px"], "angle_coherence": 0.9}
        form = {**sharp.form, "inner_e1": inner_e1, "inner_e2": 0.0}
        wide = replace(sharp, numbers=numbers, form=form)
        run = [(Facts(), sharp)] * 3 + [(Facts(), wide)] + [(Facts(), sharp)] * 3
        bloated = judge_runs(run, ["one run"] * len(run))[3]["bloated_stars"]
        assert (bloated.state, note in bloated.note) == (state, True)


@pytest.mark.parametrize("share", [0.08, 0.14])
def test_a_short_jump_lengthens_the_wings_alone(share):
    """A few percent of the light half a dozen pixels away: its variance f (1 - f) d^2 (C17) is in
    the wings, the core is nearly as round as it was."""
    jump = images(3.0, [(0, 0), (6.0, 0)], [1 - share, share])
    inner, whole = elongations(painted(jump))
    assert inner < 1.15 < 1.25 < whole < np.sqrt(1 + share * (1 - share) * 36 / 1.7)
    said = measure_frame(as_frame(painted(jump))).evidence
    assert [said[k].state for k in ("guiding_loss", "drift", "vibration")] == ["yes", "no", "no"]
    assert said["guiding_loss"].value == pytest.approx(whole / inner, abs=0.02)
    assert said["guiding_loss"].value >= said["guiding_loss"].threshold


def test_motion_that_stretches_the_core_is_no_short_jump():
    line = moved(3.0, 2.5, 6.0)
    sine = images(3.0, [(2 * np.sin(p), 0) for p in np.linspace(0, 2 * np.pi, 41)], [1 / 41] * 41)
    for star in (line, sine, gaussian(3.0), moffat(3.0, 2.5)):
        measures = measure_frame(as_frame(painted(star)))
        assert measures.evidence["guiding_loss"].state != "yes"


@pytest.mark.parametrize(("length_px", "state"), [(4.0, "no"), (7.0, "unknown")])
def test_a_line_as_long_as_lost_guiding_may_be_that(length_px, state):
    """Guiding counts from 1.5 FWHM; a line of 7 px is 2.3 times as long as its star is wide."""
    steps = (np.arange(41) + 0.5) / 41 - 0.5
    line = images(3.0, [(length_px * step, 0) for step in steps], [1 / 41] * 41)
    evidence = measure_frame(as_frame(painted(line))).evidence
    assert evidence["drift"].state == "unknown"
    assert evidence["guiding_loss"].state == state


@pytest.mark.parametrize(("asymmetry", "state"), [(0.0, "no"), (0.4, "unknown")])
def test_subs_stretched_alike_drift_unless_each_is_pushed_to_one_side(asymmetry, state):
    """Lost guiding differs from sub to sub; guiding on one axis alone pushes all of them."""
    steps = (np.arange(41) + 0.5) / 41 - 0.5
    line = measure_frame(as_frame(painted(images(3.0, [(7 * s, 0) for s in steps], [1 / 41] * 41))))
    line = replace(line, form=line.form | {"asymmetry": asymmetry})
    judged = judge_runs([(Facts(), line)] * 7, ["one run"] * 7)[3]
    assert [judged[k].state for k in ("drift", "vibration", "guiding_loss")] == ["yes", "no", state]


@pytest.mark.parametrize(("coherence", "state"), [(0.4, "no"), (0.8, "yes")])
def test_stars_that_point_every_way_have_not_jumped(coherence, state):
    """The medians of 15 faint stars come to 1.3 by chance, their directions to 0.4."""
    field = find_stars(measure_background(painted(gaussian(3.0))))
    star = mean_star(field.stamps, field.centres)
    assert star.stars >= 15
    assert elongated(star, 1.05, coherence, None, None, 1.35)["guiding_loss"].state == state
