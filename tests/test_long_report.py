"""The report of a long night stays a page that one can keep and send: under 25 MB at 600 subs.

How soon it opens is measured by `tests/benchmarks/report_load.py`: the time of a browser on a busy
machine says little in a test.
"""

import re

import pytest
from long_night import long_night, rendered_pictures

from classifier.report import render_report
from classifier.sub_report import SMALL_BYTES, WHOLE_BYTES

MOST_BYTES = 25_000_000
SUBS = 600


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return long_night(rendered_pictures(tmp_path_factory.mktemp("rendered")), SUBS)


def test_six_hundred_subs_stay_under_25_mb(night):
    # Whole pictures of all would break the limit: the page has to choose, and says so.
    whole = sum(len(f.picture.thumbnail) + len(f.picture.strip) for f in night.frames)
    assert whole > MOST_BYTES
    text = render_report(night)
    assert len(text.encode()) < MOST_BYTES
    assert text.count("<article ") == SUBS
    assert text.count("sub large") >= 40
    assert "their pictures are small" in text
    shown = sum(len(found) for found in re.findall(r"base64,([^\"]+)", text))
    assert shown < 4 / 3 * (WHOLE_BYTES + SMALL_BYTES) + 1000
