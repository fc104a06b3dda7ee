"""Where rendered faults are marked, against where the generator put them."""

import numpy as np
import pytest
from benchmark_module import load_benchmark

from classifier.evidence import Evidence
from synth.render import render

FRAMES = 10


@pytest.fixture(scope="module")
def places():
    return load_benchmark("places")


@pytest.mark.slow
def test_found_trails_lie_on_their_light(places, tmp_path):
    # How many are found is for the benchmark: it takes more frames. Of those that are, the fit
    # places the ends to 2 sqrt(2) s / (S/N), 0.7 px at a S/N of 12 and stars of 7 px, one in ten
    # being found by a chain of stars or a part of itself.
    render(tmp_path / "subs", FRAMES, ("trail",), 640, 512, None, 41)
    off = places.offs("trail", *places.looked_at(tmp_path / "subs", "trail"), 640, 512)
    found = off[np.isfinite(off)]
    assert len(found) >= 3
    assert np.mean(found <= places.NEAR_PX) >= 0.75 and np.median(found) < 1.0


def test_distances_by_hand(places):
    # A line one pixel up at its left end and two down at its right one.
    assert places.line_off((0, 10, 100, 10), (0, 9, 100, 12)) == pytest.approx(2.0, abs=0.01)
    assert places.line_off((0, 10, 100, 10), (100, 12, 0, 9)) == pytest.approx(2.0, abs=0.01)
    assert places.disc_off((50, 50, 20), (53, 54, 21)) == pytest.approx(5 / 20)
    assert places.disc_off((50, 50, 20), (50, 50, 14)) == pytest.approx(6 / 20)
    truth = {"trail": 20.0, "where": {"trail": [(0, 10, 100, 10)]}}
    seen = Evidence("yes", 20.0, "", 8.0, where=[(0, 90, 100, 90), (0, 11, 100, 11)])
    unseen = Evidence("no", 5.0, "", 8.0, where=[(0, 11, 100, 11)])
    weak = {"trail": 11.0, "where": {"trail": [(0, 10, 100, 10)]}}
    off = places.offs("trail", [seen, unseen, seen], [truth, truth, weak], 100, 100)
    assert off.tolist() == [pytest.approx(1.0), np.inf]


def test_discs_of_which_too_little_lies_in_the_frame_are_not_judged(places):
    assert places.in_frame((0, 50, 20), 100, 100)  # half of its rim
    assert not places.in_frame((-15, 50, 20), 100, 100)  # 2 acos(0.75) of 360 degrees: 23 %
    assert not places.in_frame((50, 50, 90), 100, 100)  # round the whole frame
    truths = [
        {"reflection": 9.0, "where": {"reflection": [disc]}}
        for disc in ((50, 50, 20), (-15, 50, 20))
    ]
    found = Evidence("yes", 9.0, "", 3.0, where=[(51, 50, 20)])
    assert places.offs("reflection", [found, found], truths, 100, 100).tolist() == [0.05]
