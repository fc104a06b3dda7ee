"""How pressing a label is: by the causes of the night, else by the commonest one; in the page."""

from classifier.remedies import URGENCIES, remedy
from classifier.results import FrameResult
from classifier.sub_report import label_rows
from classifier.urgency import urgency_of
from classifier.vocabulary import KEYS


def reading(name: str, *causes: tuple[str, float, str]) -> dict:
    """Of a night in which this sub was taken: another night of its run decides nothing for it."""
    rows = [{"fault": f, "likelihood": p, "urgency": u} for f, p, u in causes]
    return {"run": "one run", "subs": ["another.fits", name], "causes": rows}


def test_the_commonest_cause_decides_where_the_night_tells_none():
    for key in KEYS:
        told = urgency_of(key, "a", [])
        assert told == f"usually: {remedy(key).causes[0].urgency}"
        assert told.removeprefix("usually: ") in URGENCIES


def test_the_likeliest_cause_of_the_same_night_decides():
    readings = [
        reading("a", ("drift", 0.5, "nothing to do"), ("drift", 0.8, "stop and fix now")),
        reading("b", ("drift", 0.9, "note for next time"), ("trail", 0.1, "stop and fix now")),
    ]
    assert urgency_of("drift", "a", readings) == "stop and fix now"
    assert urgency_of("drift", "b", readings) == "note for next time"
    assert urgency_of("trail", "b", readings) == "usually: nothing to do"  # too unlikely to count
    assert urgency_of("drift", "c", readings).startswith("usually: ")


def test_labels_of_the_page_carry_urgency_and_what_is_said():
    evidence = {"state": "yes", "value": 0.4, "unit": "%", "threshold": 0.05}
    quiet = {"state": "unknown", "value": None, "unit": "", "threshold": None}
    frame = FrameResult(
        "a.fits",
        run="a",
        verdict="keep",
        faults=["hot_pixels"],
        confidence={"hot_pixels": 0.9, "clouds": 0.35},
        evidence={
            "hot_pixels": evidence | {"advice": "Theirs.", "calibration": "Gone."},
            "clouds": quiet,
        },
    )
    hot, clouds = label_rows(frame, [reading("a.fits", ("hot_pixels", 0.9, "stop and fix now"))])
    assert hot.urgency == "stop and fix now" and hot.said == ("Theirs.", "Gone.")
    assert clouds.urgency == "" and clouds.said == ()  # neither labelled nor measured


def test_a_measure_that_sees_a_fault_and_not_its_cause_is_told_apart_from_one_that_cannot_tell():
    spikes = {"state": "unknown", "unit": "sigma", "threshold": 3.0, "note": "one pair, at 137 deg"}
    cases = ((9.5, "sees it, the cause is open", True), (2.4, "cannot tell", False))
    for value, stance, is_noted in cases:
        frame = FrameResult(
            "a.fits",
            run="a",
            verdict="keep",
            faults=["diffraction_spikes"],
            confidence={"diffraction_spikes": 0.9},
            evidence={"diffraction_spikes": spikes | {"value": value}},
        )
        (row,) = label_rows(frame)
        assert row.stance == stance
        assert row.measured.endswith("at 137 deg") == is_noted
