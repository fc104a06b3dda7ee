"""Network, measures and both together on one set of frames: what is gathered, what is scored."""

import numpy as np
import pytest
from sample_night import write_untrained
from scipy.special import expit
from sklearn.metrics import average_precision_score

from classifier.results import FrameResult, Results
from classifier.vocabulary import FAULTS, INDEX, KEYS
from classifier.weights import load_model
from training.forests import cross_fitted
from training.measured import Measured, figures_of, gather, measured_figures, table_of


def entry(path, run, hfr_px, trail):
    evidence = {key: {"state": "unknown", "value": None, "threshold": None} for key in KEYS}
    evidence["trail"] = {"state": "yes", "value": trail, "threshold": 8.0}
    numbers = {"hfr_px": hfr_px, "time_mjd": 60000.0, "skew": float("nan")}
    return FrameResult(path, run, numbers=numbers, evidence=evidence, confidence=CONFIDENCE)


CONFIDENCE = dict.fromkeys(KEYS, 0.01) | {"trail": 0.75, "clouds": 1.0}


@pytest.fixture(scope="module")
def frames():
    return [
        entry("a.fits", "one", 2.0, 10.0),
        entry("b.fits", "one", 4.0, 10.0),
        entry("c.fits", "two", 8.0, 10.0),
        FrameResult("broken.fits", error="It is empty."),
    ]


def test_table_holds_numbers_evidence_and_both_against_the_run(frames):
    table, columns = table_of(frames[:3])
    column = {name: table[:, i] for i, name in enumerate(columns)}
    assert "time_mjd" not in column
    np.testing.assert_array_equal(column["hfr_px"], [2.0, 4.0, 8.0])
    np.testing.assert_array_equal(column["trail value"], 10.0)
    np.testing.assert_array_equal(column["trail state"], 1.0)
    np.testing.assert_array_equal(column["drift state"], 0.0)
    assert np.isnan(column["skew"]).all() and np.isnan(column["drift value in its run"]).all()
    # log(1 + 2) and log(1 + 4) about their mean, which is the median of two; the third is alone.
    half = (np.log(5.0) - np.log(3.0)) / 2
    np.testing.assert_allclose(column["hfr_px in its run"], [-half, half, 0.0], atol=1e-12)


def test_gather_keeps_frames_and_truth_together(frames):
    rows = [
        {"file": file, "index": 2, "run": run} | dict.fromkeys(KEYS, strength)
        for file, run, strength in (("c.fits", 1, 3.0), ("a.fits", 0, 1.0), ("b.fits", 0, 2.0))
    ]
    known = gather(Results({}, frames), rows)
    np.testing.assert_array_equal(known.strength[:, 0], [1.0, 2.0, 3.0])
    np.testing.assert_array_equal(known.run, [2000, 2000, 2001])
    np.testing.assert_allclose(expit(known.network[:, INDEX["trail"]]), 0.75)
    assert np.isfinite(known.network).all()
    # "yes" at 10 / 8 of the level: 2 + 1.25 / 2.25.
    np.testing.assert_allclose(known.verdicts[:, INDEX["trail"]], 2 + 1.25 / 2.25)


def test_figures_against_scikit_learn():
    """One fault with a network that knows half, a measure that knows the other half."""
    rng = np.random.default_rng(5)
    run = np.repeat(np.arange(40), 8)
    column = INDEX["trail"]
    row = FAULTS[column]
    truth = rng.random(len(run)) < 0.25
    strength = np.full((len(run), len(KEYS)), np.nan)
    strength[:, column] = np.where(truth, 2 * row.counts_from, 0.0)
    strength[::10, column] = (row.counts_from + row.clean_below) / 2  # neither: not scored
    network, verdicts = (
        rng.normal(size=(len(run), len(KEYS))) + 1.5 * truth[:, None] for _ in "ab"
    )
    known = Measured(verdicts[:, :3], ("x", "y", "z"), network, verdicts, strength, run)
    figures = figures_of(known, seed=1, trees=20)
    clear = np.arange(len(run)) % 10 > 0
    assert list(figures["faults"]) == ["trail"]
    trail = figures["faults"]["trail"]
    assert trail["positives"] == truth[clear].sum()
    parts = cross_fitted(
        verdicts[clear, :3], truth[clear], *[network[clear, 0]] * 2, run[clear], 1, 1
    )
    for name, answer in (("network", network), ("verdicts", verdicts)):
        # Each part has a fit of its own, so that frames are ranked within it only.
        expected = np.mean(
            [
                average_precision_score(
                    truth[clear][parts.part == part], answer[clear, column][parts.part == part]
                )
                for part in range(3)
            ]
        )
        assert trail[name]["average_precision"] == pytest.approx(expected)
        assert figures["macro_average_precision"][name]["value"] == pytest.approx(expected)
        low, high = trail[name]["interval"]
        assert low < expected < high
    # Three columns of independent noise about the truth and the network's: much is gained, and
    # the interval of a real gain lies above nothing.
    for name in ("paired", "together"):
        gain = trail["gain"][name]
        both, alone = (trail[each]["average_precision"] for each in (name, "network"))
        assert gain["value"] == pytest.approx(both - alone)
        assert 0.02 < gain["interval"][0] < gain["value"] < gain["interval"][1] < 0.6
    assert set(trail["leading"]) == {"x", "y", "z"}


def test_rendered_frames_are_labelled_and_scored(tmp_path):
    model = load_model(write_untrained(tmp_path / "untrained"))
    figures = measured_figures(model, 24, 3, size_px=(256, 256), trees=1)
    assert (figures["frames"], figures["runs"]) == (24, 3)
    assert figures["model"] == "untrained"
    assert figures["faults"], "some fault holds in three runs"
    # The untrained network answers the same everywhere: its average precision is the share of the
    # fault, as a mean over three parts of one run each. Frames weigh alike in the other share; of
    # the 8 of a run some are left out as neither clean nor faulty.
    for row in figures["faults"].values():
        share = row["positives"] / (row["positives"] + row["negatives"])
        assert row["network"]["average_precision"] == pytest.approx(share, abs=0.1)
    # The verdicts on them are whole, as everything was measured.
    told = figures["overview"]
    assert (told["frames"], told["groups"], told["verdicts_left_out"]) == (24, 3, "")
    for key, row in figures["faults"].items():
        assert told["faults"][key]["positives"] == row["positives"]
