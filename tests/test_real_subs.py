"""The shipped model on real frames of open projects, against what an eye and a ruler say of them.

`real_subs.csv` holds our own labels of 58 frames (and two calibration frames): what is seen,
brought to the levels from which a fault counts by measuring it: slopes of the sky peak to peak,
pixels over 10 sigma, third moments. `unsure` stands where a cut-out or an unknown black level
leaves it open. The frames lie beside the repository or nowhere; then this is skipped.
"""

import csv
from pathlib import Path

import pytest

from classifier.vocabulary import KEYS
from classifier.weights import load_model
from training.real_frames import real_figures

TABLE = Path(__file__).parent / "real_subs.csv"


@pytest.fixture(scope="module")
def said(real_frames):
    return real_figures(load_model(), real_frames, TABLE, 1)["overview"]


def test_the_table_is_of_frames_that_are_there(real_frames):
    with TABLE.open(encoding="utf-8") as rows:
        table = list(csv.DictReader(rows))
    assert len(table) >= 58
    for row in table:
        assert (real_frames / row["file"]).is_file(), row["file"]
        named = {key for column in ("labels", "unsure") for key in row[column].split("|") if key}
        assert named <= set(KEYS), row["file"]


def test_good_frames_are_not_lost(said):
    # What a first version is to reach: at most 2 % of clean real frames dropped, 15 % to look at.
    # 84 % of 25 were kept when this was written, one frame too few; 70 % are 1.9 standard errors
    # less.
    assert said["clean_frames"] >= 20
    assert said["clean_dropped"]["value"] <= 0.02
    assert said["clean_kept"]["value"] >= 0.7


def test_as_many_good_frames_are_kept_as_a_first_version_is_to(said):
    assert said["clean_kept"]["value"] >= 0.85


def test_faults_are_named(said):
    # 91 % of 22 when this was written; 70 % are 2.3 standard errors less.
    assert said["faulty_frames"] >= 18
    assert said["right_in_first_two"]["value"] >= 0.7
    assert said["clean_with_false_label"]["value"] <= 0.25
