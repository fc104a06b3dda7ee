"""What model and measures say of one sub, in words."""

from classifier.evidence import Evidence
from classifier.opinion import Levels, Opinion
from classifier.verdict import judge_sub
from classifier.vocabulary import KEYS

LEVELS = Levels(
    thresholds=dict.fromkeys(KEYS, 0.7), unsure=dict.fromkeys(KEYS, 0.4), unfamiliar=0.9
)
SURE = dict.fromkeys(KEYS, 0.01) | {"guiding_loss": 0.97}


def test_a_label_is_told_with_what_was_measured_of_the_same_light():
    """Guiding loss beside a measure that sees a vibration: no number under its level, as if the
    measure did not agree."""
    seen = {
        "vibration": Evidence("yes", 1.62, "elongation", 1.25),
        "guiding_loss": Evidence("no", 1.03, "path in good FWHMs", 1.5),
    }
    told = Opinion(SURE, seen).described("guiding_loss")
    assert told == "guiding loss (97 % sure, measured as vibration: 1.62 elongation)"
    own = seen | {"guiding_loss": Evidence("yes", 2.1, "path in good FWHMs", 1.5)}
    told = Opinion(SURE, own).described("guiding_loss")
    assert told == "guiding loss (97 % sure, measured 2.1 path in good FWHMs)"


def test_a_dropped_sub_is_told_what_the_measure_saw_and_left_open():
    """Else the number alone, under its level, would speak against the label."""
    note = "narrow cores with more light about them than the run's other stars: haze or dew"
    seen = {"bloated_stars": Evidence("unknown", 1.04, "times the good FWHM", 1.4, note)}
    confidence = dict.fromkeys(KEYS, 0.01) | {"bloated_stars": 0.97}
    judged = judge_sub(Opinion(confidence, seen), LEVELS, 24)
    assert judged.verdict == "drop"
    assert judged.why == (
        "Bloated stars (97 % sure, measured 1.04 times the good FWHM, counts from 1.4); "
        + note
        + "."
    )
    reached = {"bloated_stars": Evidence("unknown", 1.6, "times the good FWHM", 1.4, note)}
    assert judge_sub(Opinion(confidence, reached), LEVELS, 24).why.endswith("good FWHM).")
    alike = seen | {"defocus": Evidence("yes", 2.1, "times the in-focus HFR", 1.6)}
    assert judge_sub(Opinion(confidence, alike), LEVELS, 24).why.endswith("in-focus HFR).")
