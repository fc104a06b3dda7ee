"""Places that no measure vouches for: shown where the model sees the fault, and nowhere else."""

import csv
import io

import numpy as np
import pytest
from sample_night import write_sub, write_untrained

from classifier.background import Background
from classifier.discs import Disc
from classifier.evidence import NO, UNKNOWN, YES, Evidence
from classifier.examine import examine
from classifier.label import judge_night
from classifier.results import csv_text
from classifier.sky_evidence import SkyLight, discs
from classifier.sub_report import marks
from classifier.weights import load_model

PLACES = [[40.0, 60.0, 12.0], [90.0, 30.0, 20.0]]


def judged(tmp_path, offset, state=UNKNOWN, where=()):
    """One sub, its measure of reflections replaced, by a model that sees all or nothing."""
    model = load_model(write_untrained(tmp_path / "model", offset=offset))
    write_sub(tmp_path / "a.fits")
    one = examine(tmp_path / "a.fits", "a.fits", None, model)
    found = Evidence(state, None, "%", 3.0, "", list(where), perhaps=PLACES)
    one.sight.measures.evidence["reflection"] = found
    results = judge_night([one], model)
    return results, results.frames[0]


def test_the_likeliest_place_is_told_where_only_the_model_sees_the_fault(tmp_path):
    results, frame = judged(tmp_path, +6.0)
    assert "reflection" in frame.faults and "reflection" not in frame.where
    assert frame.evidence["reflection"]["perhaps"] == PLACES[:1]
    weak = [mark for mark in marks(frame, 2.0) if mark["weak"]]
    assert [(mark["kind"], mark["at"]) for mark in weak] == [("disc", PLACES[0])]
    assert "not measured" in weak[0]["title"]
    (row,) = csv.DictReader(io.StringIO(csv_text(results)))
    assert row["evidence.reflection.perhaps"] == "[[40.0, 60.0, 12.0]]"


def test_a_measured_place_stands_alone(tmp_path):
    _, frame = judged(tmp_path, +6.0, YES, [[10.0, 10.0, 5.0]])
    assert frame.where["reflection"] == [[10.0, 10.0, 5.0]]
    assert "perhaps" not in frame.evidence["reflection"]
    assert not [mark for mark in marks(frame, 2.0) if mark["weak"]]


def test_nothing_is_told_where_the_model_sees_nothing(tmp_path):
    results, frame = judged(tmp_path, -6.0)
    assert "reflection" not in frame.faults
    assert "perhaps" not in frame.evidence["reflection"]
    assert "evidence.reflection.perhaps" not in csv_text(results).splitlines()[0]


@pytest.mark.parametrize("key", ["reflection", "dust_motes"])
def test_candidates_without_an_edge_are_no_measured_places(key):
    sign = 1 if key == "reflection" else -1
    background = Background(900.0, 10.0, False, (0, 0, 640, 480), (), None, 0.0)
    faint = [Disc(40.0, 60.0, 12.0, sign * 30.0, 5.0, False)]
    found = discs(key, faint, SkyLight(800.0, None, True), background)
    assert (found.state, found.value, found.where) == (UNKNOWN, None, [])
    assert "patches without a clear" in found.note
    assert np.array_equal(found.perhaps, [[40.0, 60.0, 12.0]])
    assert discs(key, [], SkyLight(800.0, None, True), background).state == NO
