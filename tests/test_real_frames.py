"""Labelled files judged against a table of truth: rendered subs with the table beside them."""

import csv

import numpy as np
import pytest
from sample_night import write_untrained

from classifier.errors import UsageError
from classifier.results import FrameResult, Results
from classifier.vocabulary import KEYS
from classifier.weights import load_model
from synth.render import render
from training.real_frames import figures_of_results, group_of, real_figures


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return load_model(write_untrained(tmp_path_factory.mktemp("models") / "untrained"))


def frame(path, verdict="keep", faults=(), unfamiliar=0.0, **sure):
    confidence = dict.fromkeys(KEYS, 0.01) | dict.fromkeys(faults, 0.9) | sure
    return FrameResult(
        path, "run", verdict, list(faults), confidence=confidence, unfamiliar=unfamiliar
    )


def results() -> Results:
    frames = [
        frame("one/clean.fits"),
        frame("one/false.fits", "look", ["clouds"]),
        frame("two/trail.fits", "drop", ["trail"]),
        frame("two/missed.fits", clouds=0.3, gradient=0.2, trail=0.1),
        frame("three/roof.fits", "look", unfamiliar=0.99),
        frame("three/cat.fits", "keep", unfamiliar=0.3),
        FrameResult("three/torn.fits", error="It is cut short."),
        frame("three/untold.fits"),
    ]
    return Results({}, frames, [{"path": "three/dark.fits", "reason": "a dark frame"}])


TRUTH = """file,labels,unsure,unfamiliar
one/clean.fits,,drift|vibration,
one/false.fits,,,no
two/trail.fits,trail,,
two/missed.fits,trail,,
three/roof.fits,,,yes
three/cat.fits,,,yes
three/torn.fits,,,
three/dark.fits,,,yes
"""


@pytest.fixture
def figures(model, tmp_path):
    (tmp_path / "truth.csv").write_text(TRUTH, encoding="utf-8")
    return figures_of_results(model, results(), tmp_path / "truth.csv", seed=1)


def test_frames_and_folders_are_counted(figures):
    told = figures["overview"]
    assert (figures["frames"], figures["runs"]) == (6, 3)
    assert (told["clean_frames"], told["faulty_frames"]) == (2, 2)
    assert told["verdicts"]["clean"]["frames"] == told["verdicts"]["unsure"]["frames"] == 1
    assert told["verdicts"]["not_sky"]["look"]["value"] == 0.5
    assert told["right_in_first_two"]["value"] == 0.5
    assert told["clean_with_false_label"]["value"] == 0.5
    assert told["verdicts_left_out"] == ""
    notes = " ".join(figures["notes"])
    assert "1 frame could not be read" in notes
    assert "1 calibration frame by header" in notes
    assert "1 labelled sub is not told" in notes


def test_unfamiliar_frames_are_scored_as_such(figures):
    assert figures["not_sky_frames"] == 2
    # Of the two, the roof is above the untrained model's threshold; both are above all skies.
    assert figures["not_sky_flagged"] == 0.5
    assert figures["not_sky_auc"] == 1.0
    assert figures["unfamiliar"] == 0.0


def test_what_was_judged_wrong_is_named(figures):
    wrong = {row["path"]: row for row in figures["judged_wrong"]}
    assert set(wrong) == {"one/false.fits", "two/missed.fits", "three/cat.fits"}
    assert wrong["three/cat.fits"]["truth"] == "no star field"
    assert wrong["one/false.fits"]["labels"] == "clouds"
    assert wrong["two/missed.fits"]["truth"] == "trail"


def test_labels_given_wrongly_are_confusions(figures):
    assert figures["confusion"]["trail"]["clouds"] == 0
    assert np.isnan(figures["confusion"]["drift"]["clouds"])


def test_frames_are_grouped_by_folder_else_by_run():
    assert group_of(frame("a/b/c.fits")) == "a"
    assert group_of(frame("c.fits")) == "run"


def test_files_are_labelled_and_held_against_their_table(model, tmp_path):
    folder = tmp_path / "subs"
    render(folder, 8, None, 256, 256, seed=5)
    figures = real_figures(model, folder, folder / "truth.csv", seed=1, workers=1)
    with (folder / "truth.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert figures["frames"] == len(rows) == 8
    labels = [set(row["labels"].split()) for row in rows]
    for key, row in figures["overview"]["faults"].items():
        assert row["positives"] == sum(key in each for each in labels), key
    faulty = sum(bool(each) for each in labels)
    assert figures["overview"]["faulty_frames"] == faulty > 0


def test_a_wrong_table_is_told_before_anything_is_labelled(model, tmp_path, monkeypatch):
    render(tmp_path / "subs", 1, [], 256, 256, seed=5)
    monkeypatch.setattr("classifier.label.label_night", lambda *_: pytest.fail("labelled"))
    (tmp_path / "other.csv").write_text("file,labels\nm31.fits,trail\n", encoding="utf-8")
    with pytest.raises(UsageError, match="about none of the labelled subs"):
        real_figures(model, tmp_path / "subs", tmp_path / "other.csv", seed=1)


@pytest.mark.slow
def test_real_frames_are_judged(real_frames):
    """Every star field of the folder is scored; the default model drops hardly a clean one."""
    figures = real_figures(load_model(), real_frames, real_frames / "manifest.csv", seed=1)
    assert figures["frames"] > 50
    assert figures["overview"]["clean_dropped"]["value"] <= 0.1
    assert figures["not_sky_frames"] >= 10
