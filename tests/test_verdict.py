"""The table of rules in `classifier/verdict.py`, row by row, and what must never happen."""

import math
from dataclasses import replace

import numpy as np
import pytest

from classifier.evidence import Evidence
from classifier.opinion import Levels, Opinion, group_confidence, supported
from classifier.verdict import (
    FEW_SUBS,
    SHORT_RUN,
    SIZE_ALONE,
    TAKES_COMPARING,
    UNFAMILIAR_WHY,
    WIDEST_WINGS,
    judge_run,
    judge_sub,
    noise_ratios,
)
from classifier.vocabulary import FAULTS, KEYS, Effect, fault

LEVELS = Levels(
    thresholds=dict.fromkeys(KEYS, 0.7), unsure=dict.fromkeys(KEYS, 0.4), unfamiliar=0.9
)
SPOILING = [row.key for row in FAULTS if row.effect is Effect.SPOILS]
MANY = FEW_SUBS + 1


def measure(key: str, state: str, times: float = 1.0) -> Evidence:
    """Evidence in the vocabulary's own unit, `times` its threshold."""
    row = fault(key)
    return Evidence(state, times * row.counts_from, row.unit, row.counts_from)


def opinion(unfamiliar=0.0, noise_ratio=None, evidence=(), numbers=(), **confidence) -> Opinion:
    confidence = dict.fromkeys(KEYS, 0.01) | confidence
    return Opinion(confidence, dict(evidence), unfamiliar, noise_ratio, dict(numbers))


def verdict(run_size=MANY, **given) -> str:
    return judge_sub(opinion(**given), LEVELS, run_size).verdict


def test_clean_sub_is_kept():
    judged = judge_sub(opinion(), LEVELS, MANY)
    assert (judged.verdict, judged.faults, judged.why) == ("keep", (), "No fault found.")


@pytest.mark.parametrize("key", SPOILING)
def test_spoiling_fault_drops_from_its_threshold_on(key):
    seen = {key: measure(key, "yes")}
    assert verdict(**{key: 0.7}, evidence=seen) == "drop"
    assert verdict(**{key: 0.699}, evidence=seen) == "look"
    assert verdict(**{key: 0.399}) == "keep"


@pytest.mark.parametrize("key", SPOILING)
def test_a_model_that_is_not_very_sure_needs_a_measure_to_drop(key):
    assert verdict(**{key: 0.9}) == "drop"
    assert verdict(**{key: 0.87}) == "look"
    open_cause = {key: measure(key, "unknown", 1.0)}
    below = {key: measure(key, "unknown", 0.9)}
    assert verdict(**{key: 0.87}, evidence=open_cause) == "drop"
    assert verdict(**{key: 0.87}, evidence=below) == "look"
    told = judge_sub(opinion(**{key: 0.87}), LEVELS, MANY)
    assert "no measure bears it out" in told.why
    assert told.faults == (key,)


@pytest.mark.parametrize("key", SPOILING)
def test_a_short_run_labels_what_is_sure_or_measured(key):
    """Without subs to compare with, a doubt is told and is no label."""
    yes = {key: measure(key, "yes")}
    told = judge_sub(opinion(**{key: 0.87}), LEVELS, 1)
    if key != SIZE_ALONE:  # which is told of as taking comparing
        assert fault(key).title in told.why.lower() and told.verdict == "look"
        assert judge_sub(opinion(**{key: 0.9}), LEVELS, 1).faults == (key,)
    assert told.faults == ()
    assert judge_sub(opinion(**{key: 0.87}, evidence=yes), LEVELS, 1).faults == (key,)


def test_a_value_that_speaks_against_the_label_is_told_with_its_level():
    """1.47 paths beside a label of guiding loss puzzle whoever does not know that 1.5 are asked."""
    row = fault("guiding_loss")
    short = f", counts from {row.counts_from:g})"
    for state, told in (("no", short), ("unknown", short), ("yes", f" {row.unit})")):
        seen = {"guiding_loss": measure("guiding_loss", state, 0.98)}
        why = judge_sub(opinion(guiding_loss=0.95, evidence=seen), LEVELS, MANY).why
        assert f"measured 1.47 {row.unit}" in why and told in why, why


@pytest.mark.parametrize("key", KEYS)
def test_nothing_below_its_threshold_ever_drops(key):
    # Whatever the measure says and whatever the run: the model alone can drop.
    for run_size in (1, FEW_SUBS, MANY, 500):
        for state in ("yes", "no", "unknown"):
            evidence = {key: measure(key, state, 9.0)}
            sub = opinion(noise_ratio=9.0, evidence=evidence, **{key: 0.699})
            assert judge_sub(sub, LEVELS, run_size).verdict != "drop"


@pytest.mark.parametrize("key", [row.key for row in FAULTS if row.effect is Effect.CALIBRATES])
def test_what_calibration_mends_is_kept(key):
    judged = judge_sub(opinion(**{key: 0.99}), LEVELS, MANY)
    assert judged.verdict == "keep" and judged.faults == (key,)
    assert fault(key).title in judged.why.lower()


def test_trail_costs_a_sub_only_where_clipping_could_reject_it():
    # The largest deviation that one of n numbers can have from their mean is (n-1)/sqrt(n) of
    # their standard deviation (Samuelson 1968): the outlier alone against n-1 equal numbers.
    for n in (FEW_SUBS, MANY):
        numbers = np.zeros(n)
        numbers[0] = 1e6
        largest = (numbers[0] - numbers.mean()) / numbers.std(ddof=1)
        assert largest == pytest.approx((n - 1) / math.sqrt(n), rel=1e-12)
        assert (largest > 3.0) == (n == MANY)
    assert verdict(run_size=MANY, trail=0.95) == "drop"
    few = judge_sub(opinion(trail=0.95), LEVELS, FEW_SUBS)
    assert few.verdict == "keep" and "mask it" in few.why and f"run of {FEW_SUBS} subs" in few.why


def test_gradient_costs_a_sub_only_when_it_doubles_the_noise():
    assert verdict(gradient=0.95) == "keep"
    assert verdict(gradient=0.95, noise_ratio=1.99) == "keep"
    assert verdict(gradient=0.95, noise_ratio=2.0) == "drop"


def test_reflection_asks_for_a_look_and_the_other_depending_faults_do_not():
    assert verdict(reflection=0.95) == "look"
    for key in ("diffraction_spikes", "low_signal", "bayer_grid"):
        assert verdict(**{key: 0.95}) == "keep"


def test_unfamiliar_frame_is_looked_at_whatever_its_labels():
    judged = judge_sub(opinion(unfamiliar=0.91, clouds=0.99), LEVELS, MANY)
    assert (judged.verdict, judged.why, judged.faults) == ("look", UNFAMILIAR_WHY, ("clouds",))
    assert verdict(unfamiliar=0.9, clouds=0.99) == "drop"


def test_only_a_decisive_measure_overrules_the_model():
    def with_drift(state, times):
        return verdict(drift=0.95, evidence={"drift": measure("drift", state, times)})

    # drift counts from elongation 1.25 and is clean below 1.125, that is 0.9 times 1.25.
    assert with_drift("no", 0.85) == "look"
    assert with_drift("no", 0.95) == "drop"
    assert with_drift("unknown", 0.85) == "drop"


def test_decisive_measure_that_the_model_does_not_see_asks_for_a_look():
    def alone(state, times, **more):
        return verdict(evidence={"drift": measure("drift", state, times)}, **more)

    assert alone("yes", 1.15) == "look"
    assert alone("yes", 1.05) == "keep"  # within the soft zone: no strong disagreement
    assert alone("unknown", 2.0) == "keep"
    # A vibration that the model sees is the same light as the measured drift.
    assert alone("yes", 1.15, vibration=0.95) == "drop"
    # The measure of a fault that would not cost the sub does not cost a look either.
    assert verdict(evidence={"dust_motes": measure("dust_motes", "yes", 3.0)}) == "keep"


def test_measured_sibling_backs_the_model():
    evidence = {"drift": measure("drift", "no", 0.8), "vibration": measure("vibration", "yes", 1.4)}
    assert verdict(drift=0.95, evidence=evidence) == "drop"


def test_measure_that_says_no_spares_a_perhaps():
    evidence = {"clouds": measure("clouds", "no", 0.8)}
    assert verdict(clouds=0.5) == "look"
    assert verdict(clouds=0.5, evidence=evidence) == "keep"


def test_fault_in_most_of_a_run_ranks_instead_of_dropping():
    strengths = (3.0, 1.7, 2.4)
    faulty = [
        opinion(defocus=0.95, evidence={"defocus": Evidence("yes", s, "times", 1.6)})
        for s in strengths
    ]
    judged = judge_run([*faulty, opinion(), opinion()], LEVELS)
    assert [j.verdict for j in judged] == ["look", "look", "look", "keep", "keep"]
    ranks = [judged[i].why.split("number ")[1].split()[0] for i in range(3)]
    assert ranks == ["3", "1", "2"]
    assert "3 of this run's 5 subs" in judged[0].why
    # Half of the run is not more than half of it.
    half = judge_run([*faulty, opinion(), opinion(), opinion()], LEVELS)
    assert [j.verdict for j in half[:3]] == ["drop"] * 3


def test_other_fault_still_drops_in_a_run_that_is_ranked():
    faulty = [opinion(defocus=0.95) for _ in range(5)]
    judged = judge_run([*faulty, opinion(defocus=0.95, clouds=0.95)], LEVELS)
    assert [j.verdict for j in judged] == ["look"] * 5 + ["drop"]


@pytest.mark.parametrize("size", [1, 2, SHORT_RUN])
def test_short_run_drops_only_what_the_measure_confirms(size):
    clean = [opinion() for _ in range(size - 1)]
    alone = judge_run([opinion(clouds=0.95), *clean], LEVELS)[0]
    assert alone.verdict == "look" and "no measure confirms" in alone.why
    confirmed = opinion(clouds=0.95, evidence={"clouds": measure("clouds", "yes")})
    assert judge_run([confirmed, *clean], LEVELS)[0].verdict == "drop"
    # The same light confirms too.
    seen_as_drift = opinion(vibration=0.95, evidence={"drift": measure("drift", "yes")})
    assert judge_run([seen_as_drift, *clean], LEVELS)[0].verdict == "drop"


def test_longer_run_drops_on_the_model_where_the_measure_cannot_tell():
    clean = [opinion() for _ in range(SHORT_RUN)]
    assert judge_run([opinion(clouds=0.95), *clean], LEVELS)[0].verdict == "drop"


@pytest.mark.parametrize("size", [1, SHORT_RUN])
def test_swollen_stars_take_a_run_to_see(size):
    def alone(state, times):
        evidence = {"bloated_stars": measure("bloated_stars", state, times)}
        return judge_sub(opinion(bloated_stars=0.99, evidence=evidence), LEVELS, size)

    for state, times in (("unknown", 0.9), ("unknown", 2.0), ("no", 0.7)):
        judged = alone(state, times)
        assert judged.verdict == "keep" and judged.faults == () and judged.costly == ()
        assert "swollen" in judged.why and f"more than {SHORT_RUN} subs" in judged.why
    assert alone("yes", 1.5).verdict == "drop" and alone("yes", 1.5).faults == ("bloated_stars",)
    # Other labels keep their own say beside it.
    both = judge_sub(opinion(bloated_stars=0.99, drift=0.99), LEVELS, size)
    assert both.verdict == "look" and both.faults == ("drift",)
    assert judge_sub(opinion(bloated_stars=0.99), LEVELS, SHORT_RUN + 1).verdict == "drop"


@pytest.mark.parametrize("key", TAKES_COMPARING)
def test_slight_forms_in_a_short_run_need_a_measure(key):
    def seen(state, times, size):
        evidence = {key: measure(key, state, times)}
        return verdict(size, evidence=evidence, **{key: 0.65})

    assert seen("unknown", 0.9, SHORT_RUN) == "keep"
    assert seen("unknown", 0.9, SHORT_RUN + 1) == "look"
    assert seen("no", 0.9, SHORT_RUN + 1) == "keep"
    assert seen("yes", 1.1, SHORT_RUN) == "look"
    assert seen("unknown", 1.1, SHORT_RUN) == "look"  # the measure reaches its threshold


def test_perhaps_without_a_measure_must_be_more_likely_than_not():
    assert verdict(miscollimation=0.499) == "keep"
    assert verdict(miscollimation=0.5) == "look"
    supporting = {"miscollimation": measure("miscollimation", "unknown", 1.05)}
    assert verdict(miscollimation=0.41, evidence=supporting) == "look"
    assert verdict(miscollimation=0.39, evidence=supporting) == "keep"


def test_faults_of_the_same_light_are_weighed_together():
    # One star has one of them: 0.45 + 0.2 + 0.01 for any, 0.47 without the second.
    judged = judge_sub(opinion(drift=0.45, vibration=0.2), LEVELS, MANY)
    assert judged.verdict == "look" and "66 % that it is one of these" in judged.why
    assert verdict(drift=0.45) == "keep"
    no = {"drift": measure("drift", "no", 0.95)}
    assert verdict(drift=0.45, vibration=0.2, evidence=no) == "keep"


@pytest.mark.parametrize("key", KEYS)
def test_what_the_model_half_sees_and_the_measure_clearly_finds_is_a_label(key):
    row = fault(key)
    clear = 0.4 if row.grows_downwards else 3.0
    seen = {key: measure(key, "yes", clear)}
    told = judge_sub(opinion(noise_ratio=3.0, evidence=seen, **{key: 0.5}), LEVELS, MANY)
    assert told.faults == (key,)
    costs = row.effect is Effect.SPOILS or key in ("trail", "gradient")
    assert told.verdict == ("look" if costs or key == "reflection" else "keep")
    assert ("the measure bears it out" in told.why) == costs
    # Less sure, by a measure in the soft zone, or with the measure alone it is none.
    for confidence, times in ((0.29, clear), (0.5, 0.9 if row.grows_downwards else 1.01)):
        seen = {key: measure(key, "yes", times)}
        assert judge_sub(opinion(evidence=seen, **{key: confidence}), LEVELS, MANY).faults == ()


def test_what_nothing_else_looks_like_is_a_label_whatever_the_model_says():
    seen = {"trail": replace(measure("trail", "yes", 3.0), sure=True)}
    told = judge_sub(opinion(trail=0.0, evidence=seen), LEVELS, MANY)
    # Never on a measure alone is a sub dropped; where it could not be spared it is kept.
    assert (told.verdict, told.faults) == ("look", ("trail",))
    assert "in a form that nothing else has; the model does not see it." in told.why
    told = judge_sub(opinion(trail=0.0, evidence=seen), LEVELS, FEW_SUBS)
    assert (told.verdict, told.faults) == ("keep", ("trail",))
    # In the same place in other subs it was something else.
    fixed = {"trail": replace(seen["trail"], state="no", value=0.0, mistaken=True)}
    assert judge_sub(opinion(trail=0.0, evidence=fixed), LEVELS, MANY).faults == ()


def test_of_faults_that_are_one_light_one_is_borne_out():
    seen = {"drift": measure("drift", "yes", 2.0), "vibration": measure("vibration", "yes", 2.0)}
    told = judge_sub(opinion(drift=0.3, vibration=0.35, evidence=seen), LEVELS, MANY)
    assert told.faults == ("vibration",)
    # Beside a label there is no second one for the same light.
    told = judge_sub(opinion(drift=0.35, vibration=0.9, evidence=seen), LEVELS, MANY)
    assert told.faults == ("vibration",) and told.verdict == "drop"


def test_measured_sibling_supports_a_perhaps():
    # The measure calls it a vibration, the model half sees a drift: one and the same light.
    evidence = {"drift": measure("drift", "no", 1.2), "vibration": measure("vibration", "yes", 1.2)}
    assert verdict(drift=0.41, evidence=evidence) == "look"
    assert verdict(drift=0.41, evidence={"drift": measure("drift", "no", 1.2)}) == "keep"


def test_no_is_no_support_however_large_its_value():
    other_cause = {"defocus": measure("defocus", "no", 3.0)}
    assert not supported("defocus", opinion(evidence=other_cause))
    assert verdict(defocus=0.69, evidence=other_cause) == "keep"


@pytest.mark.parametrize("key", [row.key for row in FAULTS if row.effect is Effect.CALIBRATES])
def test_what_calibration_mends_never_asks_for_a_look(key):
    for confidence in (0.01, 0.41, 0.65, 0.99):
        for state in ("yes", "no", "unknown"):
            for size in (1, SHORT_RUN, MANY):
                sub = opinion(evidence={key: measure(key, state, 5.0)}, **{key: confidence})
                assert judge_sub(sub, LEVELS, size).verdict == "keep"


def test_frame_without_stars_is_looked_at():
    judged = judge_sub(opinion(numbers={"star_count": 0.0}), LEVELS, 1)
    assert judged.verdict == "look" and "is no star" in judged.why
    few = opinion(numbers={"star_count": 2.0})
    whole = judge_sub(replace(few, pixels=1_000_000), LEVELS, 1)
    assert whole.verdict == "look" and "Only 2 stars in it" in whole.why
    for other in (few, replace(few, pixels=40_000)):  # of unknown size, and a window
        assert judge_sub(other, LEVELS, 1).verdict == "keep"
    three = opinion(numbers={"star_count": 3.0})
    assert judge_sub(replace(three, pixels=1_000_000), LEVELS, 1).verdict == "keep"
    assert verdict(numbers={"star_count": math.nan}) == "keep"
    assert verdict(numbers={"star_count": 0.0}, clouds=0.95) == "drop"


def test_only_wings_wider_than_any_star_are_strange():
    def concentration(beta):
        # The circle of radius r holds 1 - (1 + (r/a)^2)^(1-beta) of a Moffat star's light.
        hfr = math.sqrt(2 ** (1 / (beta - 1)) - 1)
        return hfr / math.sqrt(2 ** (1 / beta) - 1)

    assert concentration(4.765) == pytest.approx(1.137, abs=0.002)
    for beta in (2.0, 2.5, 4.765):
        assert verdict(numbers={"concentration": concentration(beta)}) == "keep"
    # Light that fades as exp(-r/h), a galaxy's disc: half within 1.678 h, half maximum at 0.693 h.
    assert verdict(numbers={"concentration": 1.678 / math.log(2)}) == "look"
    assert concentration(2.0) < WIDEST_WINGS < concentration(1.9)


def test_group_confidence_is_that_of_members_that_exclude_each_other():
    joint = group_confidence(dict.fromkeys(KEYS, 0.0) | {"drift": 0.25, "vibration": 0.5})
    assert joint == {"elongated": 0.75, "soft": 0.0}
    assert group_confidence(dict.fromkeys(KEYS, 0.7)) == {"elongated": 1.0, "soft": 1.0}


def test_noise_ratio_is_against_the_dark_quarter():
    ratios = noise_ratios([10.0, 10.0, 10.0, 25.0, None, math.nan])
    assert ratios[:4] == [1.0, 1.0, 1.0, 2.5]
    assert ratios[4:] == [None, None]
    assert noise_ratios([10.0, 30.0]) == [None, None]


def test_why_is_one_sentence():
    subs = [
        opinion(),
        opinion(clouds=0.95, drift=0.9),
        opinion(clouds=0.5),
        opinion(dust_motes=0.9, vignetting=0.9, trail=0.9),
        opinion(reflection=0.9),
        opinion(unfamiliar=1.0),
        opinion(evidence={"drift": measure("drift", "yes", 1.3)}),
        opinion(drift=0.9, evidence={"drift": measure("drift", "no", 0.8)}),
        opinion(drift=0.49, vibration=0.3),
        opinion(numbers={"star_count": 0.0}),
        opinion(numbers={"concentration": 3.0}),
    ]
    for sub in subs:
        why = judge_sub(sub, LEVELS, FEW_SUBS).why
        assert why[0].isupper() and why.endswith(".") and ". " not in why, why


def test_label_is_not_given_where_the_measure_knows_better():
    fixed = Evidence("no", 0.0, "sigma over its length", 8.0, "in other subs too", mistaken=True)
    judged = judge_sub(opinion(trail=0.95, evidence={"trail": fixed}), LEVELS, MANY)
    assert judged.verdict == "keep" and judged.faults == ()
    plain = Evidence("no", 0.0, "sigma over its length", 8.0)
    assert verdict(trail=0.95, evidence={"trail": plain}) == "look"
