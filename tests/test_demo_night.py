"""The demo's night: a believable course of events, and files that a stranger can read."""

import csv
from itertools import pairwise

import pytest
from astropy.io import fits
from astropy.time import Time

from classifier.facts import facts_from_header
from classifier.runs import run_key
from classifier.vocabulary import KEYS, fault
from synth.demo_night import EXPOSURE_S, HEIGHT_PX, NIGHT, WIDTH_PX, render_demo_night


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Six subs that thin the course of events: every fourth of it."""
    folder = tmp_path_factory.mktemp("demo") / "subs"
    calls = []
    paths = render_demo_night(folder, 6, 3, lambda *call: calls.append(call))
    return folder, paths, calls


def test_course_of_events_is_a_night_and_not_a_catalogue():
    clean = sum(not faults for faults in NIGHT)
    assert len(NIGHT) == 24 and 8 <= clean <= 16
    assert NIGHT[0] == {}  # the night begins well
    for faults in NIGHT:
        for key, strength in faults.items():
            # Well above the level from which the fault counts: a demo shows clear cases.
            assert key in KEYS and strength >= 1.25 * fault(key).counts_from


def test_subs_follow_each_other_in_one_run(night):
    _, paths, calls = night
    headers = [fits.getheader(path) for path in paths]
    starts = [Time(header["DATE-OBS"]).unix for header in headers]
    steps = [late - early for early, late in pairwise(starts)]
    # Each begins after the one before has ended, and pauses are short.
    assert all(EXPOSURE_S < step < EXPOSURE_S + 30 for step in steps)
    shape = (HEIGHT_PX, WIDTH_PX)
    assert len({run_key(facts_from_header(header, shape), shape) for header in headers}) == 1
    assert [call[0] for call in calls] == [1, 2, 3, 4, 5, 6]


def test_truth_beside_the_subs_is_what_was_put_in(night):
    folder, paths, _ = night
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["file"] for row in rows] == [path.name for path in paths]
    for row, faults in zip(rows, NIGHT[::4], strict=True):
        assert row["recipe"].split() == list(faults)
        # What was put in strong enough to count is a label; nothing else is.
        assert row["labels"].split() == list(faults)


def test_nothing_is_written_over(night):
    folder, paths, _ = night
    before = paths[0].read_bytes()
    with pytest.raises(Exception, match="not written over"):
        render_demo_night(folder, 6, 4)
    assert paths[0].read_bytes() == before
