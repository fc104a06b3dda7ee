"""`nightcull compare`: what it counts from a frames.json, and how a dispute is told."""

import io

import pytest
from rich.console import Console
from sklearn.metrics import cohen_kappa_score

from classifier.compare import by_frame, compare, told
from classifier.results import FrameResult, Results, write_results
from classifier.terminal import show_comparison
from classifier.vocabulary import KEYS, fault
from classifier.weights import load_model

# Of eight frames: what the model gives, and what the measure says about trails.
MODEL = (1, 1, 1, 0, 0, 0, 0, 1)
MEASURE = ("yes", "yes", "no", "no", "no", "yes", "no", "unknown")


@pytest.fixture(scope="module")
def comparison(tmp_path_factory):
    frames = []
    row = fault("trail")
    for i, (given, state) in enumerate(zip(MODEL, MEASURE, strict=True)):
        value = {"yes": 20.0, "no": 1.0, "unknown": None}[state]
        evidence = {
            key: {"state": "unknown", "value": None, "unit": "", "threshold": None} for key in KEYS
        }
        evidence["trail"] = {
            "state": state,
            "value": value,
            "unit": row.unit,
            "threshold": row.counts_from,
        }
        frames.append(
            FrameResult(
                f"{i}.fits",
                faults=["trail"] if given else [],
                confidence=dict.fromkeys(KEYS, 0.02) | ({"trail": 0.97} if given else {}),
                evidence=evidence,
            )
        )
    frames.append(FrameResult("broken.fits", error="It is empty."))
    folder = tmp_path_factory.mktemp("results")
    write_results(Results({}, frames), folder)
    return compare(folder)


def test_a_label_that_rests_on_the_measure_is_not_the_models_word(tmp_path):
    """The two are compared with each other: what made them a label together is no agreement."""
    model, row = load_model(), fault("clouds")
    evidence = {
        key: {"state": "unknown", "value": None, "unit": "", "threshold": None} for key in KEYS
    }
    evidence["clouds"] = {"state": "yes", "value": 2.0, "unit": row.unit, "threshold": 0.25}
    made = {"model": model.name, "model_sha256": model.sha256}
    half = FrameResult(
        "half.fits",
        faults=["clouds"],
        confidence=dict.fromkeys(KEYS, 0.02) | {"clouds": 0.4},
        evidence=evidence,
    )
    write_results(Results(made, [half]), tmp_path)
    (tmp_path / "truth.csv").write_text("file,labels\nhalf.fits,clouds\n", encoding="utf-8")
    told = compare(tmp_path, against=tmp_path / "truth.csv")
    assert told.tallies[KEYS.index("clouds")].counts["measure only"] == 1
    assert [dispute.fault for dispute in told.disputes] == ["clouds"]
    clouds = told.scores.faults[KEYS.index("clouds")]
    assert (clouds.model.recall, clouds.measure.recall) == (0.0, 1.0)


def test_counts_and_kappa_of_a_night(comparison):
    tally = comparison.tallies[KEYS.index("trail")]
    assert tally.fault == "trail"
    assert list(tally.counts.values()) == [2, 1, 1, 3, 1]
    compared = [i for i, state in enumerate(MEASURE) if state != "unknown"]
    expected = cohen_kappa_score(
        [MODEL[i] for i in compared], [MEASURE[i] == "yes" for i in compared]
    )
    # By hand: 5 of 7 agree; by chance 3/7 x 3/7 + 4/7 x 4/7 = 25/49; kappa = (35-25)/(49-25).
    assert expected == pytest.approx(10 / 24)
    assert tally.kappa == pytest.approx(10 / 24)


def test_unreadable_frames_are_left_out(comparison):
    assert comparison.frames == 8
    assert comparison.disputed_frames == 2


def test_disputes_name_both_numbers(comparison):
    said = {path: [told(d) for d in found] for path, found in by_frame(comparison.disputes).items()}
    assert said == {
        "2.fits": [
            "the model says trail (97 %), measured 1 sigma over its length, counts from 8",
        ],
        "5.fits": ["measured trail (20 sigma over its length, counts from 8), the model 2 %"],
    }


def test_table_is_shown_with_the_disputed_subs(comparison):
    text = io.StringIO()
    show_comparison(Console(file=text, width=110, color_system=None), comparison, shown=1)
    lines = text.getvalue().splitlines()
    (trail,) = [line.split() for line in lines if line.strip().startswith("Trail")]
    assert trail == ["Trail", "2", "1", "1", "3", "1", "0.42"]
    # By hand from the two rows at the top: both twice, one alone once each.
    told = " ".join(text.getvalue().split())
    assert "name the same fault of a sub 2 times, the model alone 1 time" in told
    assert "They dispute 2 of 8 subs." in told
    assert "Neither finds in any sub: hot pixels, " in told and "Hot pixels" not in told
    assert "... and 1 more" in text.getvalue()
