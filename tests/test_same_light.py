"""Verdicts on faults that are the same light: how sure several are together, and which is named."""

from dataclasses import replace

from test_verdict import LEVELS, MANY, measure, opinion

from classifier.evidence import Evidence
from classifier.opinion import supported
from classifier.verdict import judge_sub


def test_several_of_one_light_together_are_a_label():
    """The split between drift, vibration and guiding may be open where their sum is not."""
    open_cause = {"drift": measure("drift", "unknown", 1.2)}
    shared = {"drift": 0.3, "guiding_loss": 0.5}  # together 0.3 + 0.5 + 0.01 = 81 %
    told = judge_sub(opinion(**shared, evidence=open_cause), LEVELS, MANY)
    assert (told.verdict, told.faults) == ("drop", ("guiding_loss",))
    assert "or drift or vibration (81 % that it is one of these)" in told.why
    # Without light that is drawn out, or less sure, or all of it one fault's, there is no label.
    round_stars = {"drift": measure("drift", "unknown", 0.9)}
    for confidence, evidence in (
        (shared, round_stars),
        (shared, {}),
        ({"drift": 0.15, "guiding_loss": 0.45}, open_cause),
        ({"guiding_loss": 0.699}, open_cause),
        ({"drift": 0.5, "defocus": 0.5}, open_cause),
    ):
        told = judge_sub(opinion(**confidence, evidence=evidence), LEVELS, MANY)
        assert told.faults == () and told.verdict != "drop"
    # A label that stands by itself is the only one.
    told = judge_sub(opinion(drift=0.4, guiding_loss=0.75, evidence=open_cause), LEVELS, MANY)
    assert told.faults == ("guiding_loss",) and "one of these" not in told.why


def test_the_run_says_which_of_one_light_it_is():
    """One frame cannot tell a drift from a shake; subs that are all drawn out one way can."""
    shared = {"drift": 0.3, "vibration": 0.5}
    run_knows = {
        "drift": measure("drift", "yes", 1.2),
        "vibration": measure("vibration", "no", 1.2),
    }
    told = judge_sub(opinion(**shared, evidence=run_knows), LEVELS, MANY)
    assert (told.verdict, told.faults) == ("drop", ("drift",))
    assert told.why.startswith("Drift (30 % sure") and "or vibration" in told.why
    # Not where the model gives it no part, nor where nothing is measured for another.
    unlikely = {"drift": 0.04, "vibration": 0.69}
    told = judge_sub(opinion(**unlikely, evidence=run_knows), LEVELS, MANY)
    assert "drift" not in told.faults
    only_no = {
        "drift": measure("drift", "unknown", 1.2),
        "vibration": measure("vibration", "no", 1.2),
    }
    told = judge_sub(opinion(**shared, evidence=only_no), LEVELS, MANY)
    assert told.faults == ("vibration",)


def neighbours_say(key: str, other: str) -> dict[str, Evidence]:
    """The measure finds `key` and not `other` by the sub's neighbours."""
    note = "the neighbouring subs are stretched the same way"
    return {
        key: replace(measure(key, "yes", 1.2), note=note),
        other: replace(measure(other, "no", 1.2), note=note),
    }


def test_where_the_model_is_not_sure_the_neighbours_say_which_smear_it_is():
    """By the vocabulary a drift keeps its direction from sub to sub, a shake does not."""
    drifts = neighbours_say("drift", "vibration")
    told = judge_sub(opinion(vibration=0.75, drift=0.1, evidence=drifts), LEVELS, MANY)
    assert (told.verdict, told.faults) == ("drop", ("drift",))
    assert told.why == (
        "Drift: the model says vibration (75 % sure, measured as drift: 1.5 elongation), but the "
        "neighbouring subs are stretched the same way."
    )
    # A surer model, one that sees no part of the other, and a measure that knows neither.
    for given in (
        {"vibration": 0.8, "drift": 0.1, "evidence": drifts},
        {"vibration": 0.75, "drift": 0.01, "evidence": drifts},
        {"vibration": 0.75, "drift": 0.1, "evidence": {"drift": drifts["drift"]}},
    ):
        assert judge_sub(opinion(**given), LEVELS, MANY).faults == ("vibration",)
    # Of a jump the neighbours tell nothing.
    jump = {"guiding_loss": measure("guiding_loss", "no", 1.2)} | drifts
    given = opinion(guiding_loss=0.75, drift=0.1, evidence=jump)
    assert judge_sub(given, LEVELS, MANY).faults == ("guiding_loss",)
    shakes = neighbours_say("vibration", "drift")
    told = judge_sub(opinion(vibration=0.1, drift=0.75, evidence=shakes), LEVELS, MANY)
    assert told.faults == ("vibration",)
    # Given both, nothing is put in the place of anything.
    told = judge_sub(opinion(vibration=0.85, drift=0.75, evidence=shakes), LEVELS, MANY)
    assert told.faults == ("vibration",) and told.why.startswith("Vibration (85 % sure")


def test_an_open_measure_above_its_level_supports_but_not_where_less_is_worse():
    for key, is_so in (("diffraction_spikes", True), ("drift", True), ("low_signal", False)):
        for times in (0.5, 2.0):
            seen = {key: measure(key, "unknown", times)}
            assert supported(key, opinion(evidence=seen)) == (is_so and times > 1)
