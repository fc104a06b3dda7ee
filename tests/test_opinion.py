"""What model and measures say of one sub, in words."""

from classifier.evidence import Evidence
from classifier.opinion import Opinion
from classifier.vocabulary import KEYS

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
