"""What changed through a run, told in sentences, on series whose change is known."""

import re

import numpy as np
import pytest
from test_night_line import stars_of, sub

from classifier.night_changes import changes_of, costs_of
from classifier.night_line import night_line


def run_of(counts):
    field = stars_of()
    return night_line([sub(i, field, {"star_count": float(n)}) for i, n in enumerate(counts)])


@pytest.mark.parametrize("last", [300.0, 20.0])
def test_a_fall_is_told_by_what_is_left(last):
    """Steadily down: the thirds' medians, at 1/6 and 5/6 of the way, give the share."""
    counts = np.linspace(900.0, last, 31)
    (told,) = [one for one in changes_of(run_of(counts)) if "count of stars" in one]
    first, end = np.median(counts[:11]), np.median(counts[21:])
    share = int(re.search(r"fell by (\d+) % through the run", told)[1])
    assert share == pytest.approx(100 * (1 - end / first), abs=2) and share <= 100


def test_a_count_that_ends_at_nothing_falls_by_no_more_than_all():
    """Cloud comes at a third of the run: a line through the fall alone would end far below zero."""
    counts = np.r_[np.linspace(900, 30, 12), np.linspace(25, 3, 19)]
    told = " ".join(changes_of(run_of(counts)))
    shares = [int(share) for share in re.findall(r"fell by (\d+) %", told)]
    assert shares and max(shares) <= 100


def test_too_short_a_run_tells_no_rate_of_crossings():
    field = stars_of()
    subs = [sub(i, field) for i in range(6)]
    crossed = night_line([one if i else _crossed(one) for i, one in enumerate(subs)])
    assert [one for one in costs_of(crossed, False) if "crossed" in one] == ["1 line crossed."]


def _crossed(one):
    from dataclasses import replace

    return replace(one, faults=("trail",))
