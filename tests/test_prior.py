"""The prior: read from the command line, moved by Bayes' rule, stated in all that is written."""

import json

import pytest
import torch
from sample_night import write_sub, write_untrained
from scipy.special import expit, logit
from small_model import write_small_model
from typer.testing import CliRunner

from classifier.cli import app
from classifier.errors import UsageError
from classifier.prior import prior_sentence, read_prior
from classifier.vocabulary import INDEX, KEYS
from classifier.weights import load_model

TRAIL = INDEX["trail"]


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return load_model(write_small_model(tmp_path_factory.mktemp("models") / "small"))


def test_even_odds_at_an_even_prior_are_five_percent_at_five_percent(model):
    # odds' = odds x (pi' / (1 - pi')) / (pi / (1 - pi)): p 0.5 at pi 0.5 gives 0.05 at pi' 0.05,
    # exactly. Bayes' rule on the odds, as Paillassa, Bertin and Bouy 2020, A&A 634, A48, use it
    # for the classifier of their contaminants (from memory; check value H3).
    even = model.with_prior({"trail": 0.5})
    logits = torch.zeros(1, 16)
    # The small model's calibration is logit' = 0.5 logit - 1 at a prevalence of 0.2.
    logits[0, TRAIL] = (1 + logit(0.2)) / 0.5
    assert float(even.confidences(logits)[0, TRAIL]) == pytest.approx(0.5, abs=1e-6)
    rare = even.with_prior({"trail": 0.05})
    assert float(rare.confidences(logits)[0, TRAIL]) == pytest.approx(0.05, abs=1e-6)


def test_a_common_fault_is_labelled_in_the_same_frames(model):
    common = model.with_prior(dict.fromkeys(KEYS, 0.4))
    logits = torch.randn(500, 16, generator=torch.Generator().manual_seed(2)) * 6
    before, after = model.confidences(logits), common.confidences(logits)
    assert (after > before).all()
    for name in ("thresholds", "unsure"):
        old = torch.tensor([getattr(model, name)[key] for key in KEYS])
        new = torch.tensor([getattr(common, name)[key] for key in KEYS])
        assert torch.equal(before >= old, after >= new) and (new > old).all()
    assert 0 < float((before >= 0.6).float().mean()) < 1


def test_a_rare_fault_is_never_labelled_below_even_odds(model):
    rare = model.with_prior({"trail": 0.01})
    # 0.6 at a prior of 0.05 would be 0.6 / 0.4 x 0.0101 / 0.0526 = 0.288 to 1, 22 %.
    moved = expit(logit(0.6) + logit(0.01) - logit(0.05))
    assert moved == pytest.approx(0.2235, abs=1e-3)
    assert rare.thresholds["trail"] == 0.5 and rare.unsure["trail"] == 0.2
    # A little rarer: 0.6 becomes 0.543, still above even odds, and unsure 0.25 would be 0.21.
    slightly = model.with_prior({"trail": 0.04})
    assert slightly.thresholds["trail"] == pytest.approx(
        expit(logit(0.6) + logit(0.04) - logit(0.05))
    )
    assert 0.5 < slightly.thresholds["trail"] < 0.6 and 0.2 < slightly.unsure["trail"] < 0.25
    assert rare.thresholds["drift"] == 0.6 and rare.unsure["drift"] == 0.25
    # A model whose own level lies lower keeps it where nothing moves it.
    low = model.with_prior({})
    low.config["thresholds"]["trail"] = 0.3
    assert low.with_prior({"drift": 0.3}).thresholds["trail"] == 0.3
    assert low.with_prior({"trail": 0.02}).thresholds["trail"] == 0.3


def test_named_faults_go_over_all():
    assert read_prior(["trail=0.5"]) == {"trail": 0.5}
    assert read_prior(["clouds = 0.3", "all=0.1"]) == dict.fromkeys(KEYS, 0.1) | {"clouds": 0.3}
    assert read_prior([]) == {}


@pytest.mark.parametrize(
    ("given", "complaint"),
    [
        (["clouds"], "NAME=SHARE, not 'clouds'"),
        (["cloud=0.3"], "no fault 'cloud'; name one of hot_pixels"),
        (["rotation_mismatch=0.3"], "no fault 'rotation_mismatch'"),
        (["clouds=30%"], "not '30%'"),
        (["clouds=30"], "0.3 means three frames in ten"),
        (["clouds=0"], "from 0.001 to 0.999, not '0'"),
        (["clouds=1"], "not '1'"),
        (["clouds=nan"], "not 'nan'"),
        (["clouds="], "not ''"),
        (["all=0.1", "all=0.2"], "all is given twice"),
    ],
)
def test_nonsense_gets_one_sentence(given, complaint):
    with pytest.raises(UsageError) as caught:
        read_prior(given)
    assert complaint in str(caught.value)


def test_prior_in_words():
    usual = dict.fromkeys(KEYS, 0.05)
    told = "Confidences are stated for nights on which each fault has 5.0 % of the frames"
    assert prior_sentence(usual) == told + "."
    other = prior_sentence(usual | {"clouds": 0.3, "trail": 0.3, "drift": 0.001})
    assert other == told + ", except clouds and trail 30 % and drift 0.1 %."
    assert prior_sentence({}) == ""


def test_label_states_its_prior_and_confidences_follow(tmp_path):
    folder = tmp_path / "lights"
    folder.mkdir()
    write_sub(folder / "1.fits", 1)
    untrained = write_untrained(tmp_path / "untrained")

    def label(out, *options):
        arguments = ["label", folder, "--out", tmp_path / out, "--model", untrained, *options]
        result = CliRunner().invoke(app, [str(a) for a in arguments], catch_exceptions=False)
        assert result.exit_code == 0
        report = (tmp_path / out / "report.html").read_text(encoding="utf-8")
        return json.loads((tmp_path / out / "frames.json").read_text(encoding="utf-8")), report

    own, plain_report = label("own")
    stated, report = label("stated", "--prior", "all=0.1", "--prior", "trail=0.5")
    assert own["prior"] == dict.fromkeys(KEYS, 0.05)
    assert stated["prior"] == dict.fromkeys(KEYS, 0.1) | {"trail": 0.5}
    assert "each fault has 10 % of the frames, except trail 50 %." in report
    assert "each fault has 5.0 % of the frames." in plain_report
    for key, share in (("trail", 0.5), ("clouds", 0.1)):
        before, after = (night["frames"][0]["confidence"][key] for night in (own, stated))
        # Six figures are written; a confidence near 1 carries its odds to fewer.
        assert after == pytest.approx(expit(logit(before) + logit(share) - logit(0.05)), rel=1e-3)
        assert after > before
