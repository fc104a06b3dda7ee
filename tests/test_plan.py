"""The plan of a night: cuts, aims, weights, trails, and what the command writes and refuses."""

import csv
import json

import numpy as np
import pytest
from typer.testing import CliRunner

from classifier.cli import app
from classifier.clipping import line_gain
from classifier.plan import plan_night, plan_run, weigh
from classifier.plan_text import plan_csv, plan_json, sentences
from classifier.results import FrameResult, Results, read_results, write_results

RUN = "M 31 | L | 120 s | cam | bin 1 | gain 100"


def sub(name, noise=10.0, fwhm_px=3.0, elongation=1.02, verdict="keep", run=RUN, **rest):
    numbers = {
        "noise_adu": noise, "fwhm_px": fwhm_px, "elongation": elongation, "angle_deg": 30.0,
        "exposure_s": 120.0,
    }  # fmt: skip
    numbers |= rest.pop("numbers", {})
    evidence = {"clouds": {"state": "no", "value": rest.pop("lost_mag", 0.0)}}
    evidence |= rest.pop("evidence", {})
    return FrameResult(name, run, verdict, numbers=numbers, evidence=evidence, **rest)


def good_ones(count):
    return [sub(f"good{i:02}.fits") for i in range(count)]


def test_equal_subs_are_all_kept():
    plan = plan_run(RUN, good_ones(20))
    assert {cut.kept for cut in plan.recommended.values()} == {20}
    assert plan.recommended["depth"].deeper_mag == pytest.approx(0.0, abs=1e-9)
    assert plan.everything.stack.noise == pytest.approx(10 / 20**0.5)
    assert plan.everything.stack.exposure_s == 2400.0
    # A depth against the first sub alone: 1.25 log10(20).
    stacks = plan.curves["depth"].stacks
    assert stacks[-1].depth_mag - stacks[0].depth_mag == pytest.approx(1.626, abs=1e-3)


@pytest.mark.parametrize(("ratio", "kept"), [(1.35, 21), (1.55, 20)])
def test_noise_decides_by_the_rule_of_equal_weights(ratio, kept):
    """One sub among twenty helps below sqrt(2 + 1/20) = 1.432 times their noise."""
    plan = plan_run(RUN, [*good_ones(20), sub("loud.fits", noise=10 * ratio)])
    # 0.005 mag is kept in hand before a sub is thrown away: at 1.55 it costs 0.009.
    assert plan.recommended["depth"].kept == kept


@pytest.mark.parametrize(
    ("fwhm_px", "aims"),
    # Limits at 1.16 and 1.33 (a pattern) and 1.73 (a star) of 3 px; five such subs of 25.
    [(3.3, {"depth", "both", "sharpness"}), (3.75, {"depth", "both"}), (4.5, {"depth"}),
     (7.5, set())],
)  # fmt: skip
def test_wide_subs_are_kept_for_depth_longer_than_for_sharpness(fwhm_px, aims):
    plan = plan_run(RUN, good_ones(20) + [sub(f"wide{i}.fits", fwhm_px=fwhm_px) for i in range(5)])
    assert {aim for aim, cut in plan.recommended.items() if cut.kept == 25} == aims
    for aim, cut in plan.recommended.items():
        if aim not in aims:
            assert cut.kept == 20 and cut.width_ratio < 1
            assert not any("wide" in name for name in plan.kept_names(aim))


def test_cloud_counts_as_noise():
    """A magnitude lost is 2.51 times the noise on the scale of the stars' light."""
    plan = plan_run(RUN, [*good_ones(10), sub("cloudy.fits", lost_mag=1.0)])
    assert plan.subs.noise[-1] == pytest.approx(25.12, abs=0.01)
    assert plan.weights["noise"][-1] == pytest.approx(10 ** (-0.8), rel=1e-6)
    assert plan.recommended["depth"].kept == 10


def test_a_loss_that_is_not_established_does_not_count():
    frames = good_ones(3)
    frames[1].evidence["clouds"] = {"state": "unknown", "value": 0.8}
    plan = plan_run(RUN, frames)
    assert plan.subs.noise.tolist() == [10.0] * 3 and "taken as none" in plan.assumed[0]


def test_low_altitude_counts_as_lost_light():
    """60 degrees from the zenith is airmass 1.993 (Pickering 2002), 0.2 mag each (cp)."""
    low, high = {"altitude_deg": 30.0}, {"altitude_deg": 90.0}
    plan = plan_run(RUN, [sub("a", numbers=high), sub("b", numbers=low)])
    assert plan.subs.noise[1] / plan.subs.noise[0] == pytest.approx(
        10 ** (0.4 * 0.2 * 0.993), rel=2e-3
    )


def test_weights_make_every_sub_useful():
    frames = [*good_ones(12), sub("loud", noise=25.0), sub("wide", fwhm_px=6.0)]
    plan = plan_run(RUN, frames)
    assert plan.weighted.kept == 14
    assert plan.weighted.deeper_mag > plan.recommended["depth"].deeper_mag
    for weights in plan.weights.values():
        assert weights.max() == 1.0 and (weights > 0).all()
    assert plan.weights["sharpness"][-1] < plan.weights["both"][-1] < plan.weights["depth"][-1]


def test_labels_and_plan_may_differ_and_say_so():
    frames = [
        *good_ones(10),
        sub("mild.fits", fwhm_px=3.2, verdict="drop"),
        sub("loud.fits", noise=30.0, verdict="keep"),
    ]
    plan = plan_run(RUN, frames)
    told = " ".join(sentences(plan, "depth"))
    assert "Kept although labelled drop, because the stack gains by it: mild.fits." in told
    assert "Left out although labelled keep, because the stack gains by it: loud.fits." in told
    assert plan.as_labelled.kept == 11


def test_what_cannot_be_weighed_is_left_out_with_the_reason():
    frames = [
        *good_ones(3),
        sub("starless.fits", fwhm_px=None),
        sub("double.fits", faults=["guiding_loss"], verdict="drop"),
        FrameResult("broken.fits", RUN, error="It cannot be read."),
    ]
    (plan,) = plan_night(Results({}, frames))
    assert [name for name, _ in plan.left_out] == ["starless.fits", "double.fits"]
    assert "star" in plan.left_out[0][1] and "several images" in plan.left_out[1][1]
    assert plan_run(RUN, frames[3:5]) is None


def test_unknown_facts_are_named_as_assumed():
    frames = good_ones(3)
    frames[1].evidence["clouds"]["value"] = None
    frames[2].numbers["exposure_s"] = None
    plan = plan_run(RUN, frames)
    assert len(plan.assumed) == 2 and plan.subs.exposure_s.tolist() == [120.0] * 3


@pytest.mark.parametrize(("count", "sigma", "left"), [(8, 5.0, 5 / 8), (30, 8.0, 0.0)])
def test_trail_and_its_ghost(count, sigma, left):
    """Eight subs reject nothing at 3 sigma: an eighth of the trail stays; thirty take it away."""
    gain = line_gain(1000.0, 3.0)
    trailed = sub(
        "trail.fits", faults=["trail"], where={"trail": [[0.0, 0.0, 600.0, 800.0]]},
        evidence={"trail": {"state": "yes", "value": sigma * gain}},
    )  # fmt: skip
    plan = plan_run(RUN, [*good_ones(count - 1), trailed])
    (trail,) = plan.trails
    assert trail.peak_sigma == pytest.approx(sigma)
    assert trail.ghost_snr == pytest.approx(left * count**0.5 * gain, abs=0.02 * gain)
    told = " ".join(sentences(plan, "depth"))
    assert ("rejects nothing in 8 subs" in told) is (count == 8)
    assert ("1 trail will not show in a stack of 30" in told) is (count == 30)
    assert ("mask it, drop the sub, or gather" in told) is (count == 8)


def test_a_trail_without_a_measure_is_not_reckoned_with():
    ghostly = sub(
        "m.fits", faults=["trail"], where={"trail": [[0.0, 0.0, 600.0, 800.0]]},
        evidence={"trail": {"state": "no", "value": 1.0}},
    )  # fmt: skip
    assert plan_run(RUN, [*good_ones(3), ghostly]).trails == []


def test_runs_are_planned_by_themselves():
    other = [sub(f"r{i}.fits", noise=40.0, run=RUN.replace("| L", "| R")) for i in range(4)]
    plans = plan_night(Results({}, good_ones(5) + other))
    assert [len(plan.names) for plan in plans] == [5, 4]
    assert all(cut.kept == 4 for cut in plans[1].recommended.values())
    (large,) = plan_night(Results({}, good_ones(5) + other), least_subs=5)
    assert len(large.names) == 5


def test_a_single_sub_is_a_plan_too():
    (plan,) = plan_night(Results({}, good_ones(1)))
    assert plan.recommended["sharpness"].kept == 1
    assert "keep all 1 sub" in " ".join(sentences(plan, "both"))


def test_six_hundred_subs_take_seconds():
    from time import process_time

    rng = np.random.default_rng(1)
    frames = [
        sub(f"{i}", rng.uniform(9, 15), rng.uniform(2.5, 4), rng.uniform(1, 1.3))
        for i in range(600)
    ]
    start = process_time()
    plan = plan_run(RUN, frames)
    assert process_time() - start < 20.0  # about 2 s; the bound is for a busy machine
    assert 1 < plan.recommended["sharpness"].kept <= plan.recommended["depth"].kept <= 600


def test_subs_carry_the_weights_of_the_plan(tmp_path):
    # E11, inverse variance: half the noise is four times the weight.
    frames = [*good_ones(3), sub("noisy", noise=20.0)]
    frames += [sub("gone", faults=["guiding_loss"]), FrameResult("torn", run=RUN, error="torn")]
    weigh(frames)
    plan = plan_run(RUN, [frame for frame in frames if not frame.error])
    for name, weights in plan.weights.items():
        assert [f.weights[name] for f in frames[:4]] == pytest.approx(list(weights))
    assert frames[3].weights["noise"] / frames[0].weights["noise"] == pytest.approx(0.25)
    assert frames[4].weights == frames[5].weights == {}
    write_results(Results({}, frames), tmp_path)
    rows = list(csv.DictReader((tmp_path / "frames.csv").open(encoding="utf-8")))
    assert float(rows[3]["weights.depth"]) == pytest.approx(frames[3].weights["depth"])
    assert rows[4]["weights.depth"] == ""
    again = read_results(tmp_path).frames[3].weights
    assert again == pytest.approx(frames[3].weights, rel=1e-5)


@pytest.fixture
def night(tmp_path):
    frames = [*good_ones(6), sub("soft<&$.fits", fwhm_px=6.0, verdict="drop")]
    frames += [sub("r1.fits", run="x $_ | R"), sub("r2.fits", run="x $_ | R")]
    write_results(Results({}, frames), tmp_path)
    return tmp_path


def test_command_writes_beside_the_results(night):
    before = {path: path.read_bytes() for path in night.iterdir()}
    result = CliRunner().invoke(app, ["plan", str(night)])
    assert result.exit_code == 0, result.output
    names = {path.name for path in night.iterdir()}
    assert names >= {"plan.json", "plan.csv", "plan-1.png", "plan-2.png"}
    assert all(path.read_bytes() == text for path, text in before.items())
    assert (night / "plan-1.png").read_bytes().startswith(b"\x89PNG")
    rows = list(csv.DictReader((night / "plan.csv").open(encoding="utf-8")))
    assert [row["path"] for row in rows][6] == "soft<&$.fits" and len(rows) == 9
    assert rows[6]["keep_both"] == "no" and 0 < float(rows[6]["weight_depth"]) < 0.5
    data = json.loads((night / "plan.json").read_text(encoding="utf-8"))
    curve = data["runs"][0]["curves"]["depth"]
    assert abs(curve["depth_mag"][-1]) < 1e-9 and len(curve["order"]) == 7
    assert data["runs"][0]["recommended"]["both"]["subs"] == 6
    assert data["runs"][0]["clip"]["good_values_rejected"] == pytest.approx(0.0027, abs=1e-5)

    again = CliRunner().invoke(app, ["plan", str(night)])
    assert again.exit_code != 0 and "--replace" in str(again.exception)
    replaced = CliRunner().invoke(app, ["plan", str(night), "--replace", "--picture", "svg"])
    assert replaced.exit_code == 0 and (night / "plan-1.svg").exists()


def test_json_goes_to_stdout_and_writes_nothing(night):
    before = set(night.iterdir())
    result = CliRunner().invoke(app, ["plan", str(night), "--json", "-"])
    assert json.loads(result.stdout)["schema"] == "nightcull/plan-1"
    assert set(night.iterdir()) == before


@pytest.mark.parametrize(
    ("arguments", "told"),
    [(["--aim", "speed"], "--aim takes"), (["--picture", "gif"], "png or svg")],
)
def test_requests_that_make_no_sense(night, arguments, told):
    result = CliRunner().invoke(app, ["plan", str(night), *arguments])
    assert result.exit_code != 0 and told in str(result.exception)


def test_a_folder_without_results(tmp_path):
    result = CliRunner().invoke(app, ["plan", str(tmp_path)])
    assert result.exit_code != 0 and "no frames.json" in str(result.exception)
    write_results(Results({}, [sub("a", fwhm_px=None)]), tmp_path)
    result = CliRunner().invoke(app, ["plan", str(tmp_path)])
    assert result.exit_code != 0 and "nothing to weigh" in str(result.exception)


def test_csv_and_json_tell_the_same():
    plans = plan_night(Results({}, [*good_ones(3), sub("wide", fwhm_px=5.0)]))
    rows = {row["path"]: row for row in csv.DictReader(plan_csv(plans).splitlines())}
    weights = plan_json(plans)["runs"][0]["weights"]["depth"]
    assert {name: float(row["weight_depth"]) for name, row in rows.items()} == pytest.approx(
        weights, abs=1e-4
    )


@pytest.mark.parametrize(("stars", "is_left_out"), [(70.0, True), (300.0, False)])
def test_pieces_of_donuts_are_not_the_sharpest_stars(stars, is_left_out):
    frames = [sub(f"good{i}", numbers={"star_count": 190.0}) for i in range(7)]
    frames.append(sub("odd", fwhm_px=1.8, numbers={"star_count": stars}))
    plan = plan_run(RUN, frames)
    assert ("odd" in dict(plan.left_out)) == is_left_out
    assert ("odd" in plan.names) != is_left_out
