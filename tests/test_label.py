"""The whole label path on small skies: bad files, calibration frames, workers, runs."""

import json
import math
import multiprocessing
import os
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.time import Time
from dying_worker import examine_or_die, examine_slowly, start
from sample_night import write_sub, write_untrained

import classifier.crew as crew
from classifier.errors import UsageError
from classifier.examine import examine
from classifier.frame import find_frames
from classifier.label import judge_night, label_night, modified_julian_date
from classifier.results import write_results
from classifier.rig import Rig
from classifier.vocabulary import KEYS
from classifier.weights import load_model

GOOD = ("a.fits", "b.fits", "c.fits")


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return load_model(write_untrained(tmp_path_factory.mktemp("models") / "untrained"))


@pytest.fixture(scope="module")
def bad_night(tmp_path_factory) -> Path:
    """Good subs among everything that a real folder holds."""
    folder = tmp_path_factory.mktemp("night")
    for seed, name in enumerate(GOOD, 1):
        write_sub(folder / name, seed)
    whole = (folder / "a.fits").read_bytes()
    (folder / "truncated.fits").write_bytes(whole[: len(whole) // 3])
    (folder / "text.fits").write_text("I am a letter, not a frame.\n" * 200, encoding="utf-8")
    (folder / "empty.fits").write_bytes(b"")
    (folder / "notes.txt").write_text("no frame at all", encoding="utf-8")
    write_sub(folder / "dark.fits", 9, IMAGETYP="Dark Frame")
    write_sub(folder / "small.fits", 9, shape=(40, 50))
    return folder


@pytest.fixture(scope="module")
def labelled(bad_night, model):
    calls = []
    results = label_night([bad_night], None, model, 1, lambda *call: calls.append(call))
    return results, calls


def by_path(results):
    return {frame.path: frame for frame in results.frames}


def test_good_subs_are_labelled_beside_bad_ones(labelled):
    results, _ = labelled
    frames = by_path(results)
    for name in GOOD:
        frame = frames[name]
        assert frame.error is None and frame.verdict == "keep" and frame.why == "No fault found."
        assert list(frame.confidence) == list(KEYS) and list(frame.evidence) == list(KEYS)
        assert all(math.isfinite(value) for value in frame.confidence.values())
        assert frame.run.startswith("Test Field | L | 90")


def test_bad_files_say_why_and_ask_for_a_look(labelled):
    results, _ = labelled
    frames = by_path(results)
    assert {frame.path for frame in results.unreadable} == {
        "truncated.fits",
        "text.fits",
        "empty.fits",
        "small.fits",
    }
    for frame in results.unreadable:
        assert frame.verdict == "look" and frame.faults == []
        assert frame.error.endswith(".") and "\n" not in frame.error
    assert "50 x 40 pixels" in frames["small.fits"].error


def test_calibration_frames_are_skipped_with_the_reason(labelled):
    results, _ = labelled
    assert results.skipped == [
        {"path": "dark.fits", "reason": "The header says this is a dark frame."}
    ]


def test_every_file_is_accounted_for_once(labelled, bad_night):
    results, calls = labelled
    names = [frame.path for frame in results.frames] + [file["path"] for file in results.skipped]
    assert sorted(names) == sorted(name for _, name in find_frames([bad_night]))
    assert [frame.path for frame in results.frames] == sorted(f.path for f in results.frames)
    assert [call[:2] for call in calls] == [(i + 1, len(names)) for i in range(len(names))]


def test_numbers_are_those_of_the_sky_that_was_written(labelled):
    numbers = by_path(labelled[0])["a.fits"].numbers
    # 800 ADU of sky; its noise is sqrt(800 + 9) = 28.4 ADU by construction.
    assert numbers["sky_adu"] == pytest.approx(800, abs=5)
    assert numbers["noise_adu"] == pytest.approx(28.4, rel=0.05)
    assert numbers["exposure_s"] == 90.0
    # A Gaussian of FWHM 3 px; broad bounds, the measure's own tests are the strict ones.
    assert numbers["fwhm_px"] == pytest.approx(3.0, abs=0.4)


def test_made_with_names_the_weights(labelled, model):
    results, _ = labelled
    assert results.made_with["model"] == "untrained"
    assert results.made_with["model_sha256"] == model.config["weights_sha256"]


def test_results_are_written_as_strict_json(labelled, tmp_path):
    write_results(labelled[0], tmp_path)

    def refuse(name):
        raise ValueError(name)

    text = (tmp_path / "frames.json").read_text(encoding="utf-8")
    assert len(json.loads(text, parse_constant=refuse)["frames"]) == 7


def test_workers_give_the_same_results(labelled, bad_night, model):
    two = label_night([bad_night], None, model, workers=2)
    one = labelled[0]
    assert [f.path for f in two.frames] == [f.path for f in one.frames]
    for a, b in zip(two.frames, one.frames, strict=True):
        assert a.as_json() == b.as_json()


def test_rig_reaches_the_measures(bad_night, model):
    known = label_night([bad_night / "a.fits"], Rig(offset_adu=300.0, gain_e_adu=2.0), model, 1)
    numbers = known.frames[0].numbers
    # (800 - 300) ADU x 2 e/ADU in 90 s.
    assert numbers["sky_e_per_s"] == pytest.approx(1000 / 90, rel=0.03)


def test_two_folders_are_told_apart(tmp_path, model):
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        write_sub(tmp_path / name / "a.fits")
    results = label_night([tmp_path / "first", tmp_path / "second"], None, model, 1)
    assert [frame.path for frame in results.frames] == ["first/a.fits", "second/a.fits"]


def test_folder_without_frames_is_refused(tmp_path, model):
    with pytest.raises(UsageError, match="no frame to label"):
        label_night([tmp_path], None, model, 1)


def test_any_exception_becomes_one_sentence(bad_night, model, monkeypatch):
    def explode(frame):
        raise ZeroDivisionError("second line\nhidden")

    monkeypatch.setattr("classifier.examine.measure_frame", explode)
    seen = examine(bad_night / "a.fits", "a.fits", None, model)
    assert seen.sight is None
    assert seen.error == ("This frame could not be labelled (ZeroDivisionError: second line).")


def test_runs_are_judged_apart(tmp_path, model):
    for i, name in enumerate(("L", "L", "R")):
        write_sub(tmp_path / f"{i}.fits", i + 1, FILTER=name)
    results = label_night([tmp_path], None, model, 1)
    runs = [frame.run for frame in results.frames]
    assert runs[0] == runs[1] != runs[2]


def test_model_that_sees_everything_everywhere_ranks_the_run(tmp_path):
    sees_all = load_model(write_untrained(tmp_path / "all", offset=+6.0))
    subs = tmp_path / "subs"
    subs.mkdir()
    for i in range(4):
        write_sub(subs / f"{i}.fits", i + 1)
    results = label_night([subs], None, sees_all, 1)
    # But swollen stars: so short a run gives nothing to compare a size with.
    expected = [key for key in KEYS if key != "bloated_stars"]
    assert all(frame.faults == expected for frame in results.frames)
    assert {frame.verdict for frame in results.frames} == {"look"}


def test_unfamiliar_frames_are_looked_at(tmp_path):
    folder = write_untrained(tmp_path / "strange")
    model = load_model(folder)
    model.whitening = model.whitening * 1e8
    write_sub(tmp_path / "a.fits")
    results = judge_night([examine(tmp_path / "a.fits", "a.fits", None, model)], model)
    assert results.frames[0].verdict == "look" and "unlike" in results.frames[0].why


def test_dying_worker_costs_only_the_frame_that_killed_it(monkeypatch, tmp_path):
    monkeypatch.setattr(crew, "_examine_in_worker", examine_or_die)
    monkeypatch.setattr(crew, "_start_worker", start)
    files = [(tmp_path / name, name) for name in ("a.fits", "b.fits", "c.fits", "d.fits")]

    class Folder:
        folder = tmp_path

    seen = list(crew.examine_all(files, None, Folder(), workers=2))
    assert sorted(one.name for one in seen) == ["a.fits", "b.fits", "c.fits", "d.fits"]
    errors = {one.name: one.error for one in seen}
    assert "ended without an answer" in errors["b.fits"]
    assert {errors[name] for name in ("a.fits", "c.fits", "d.fits")} == {"read"}


def test_stopping_does_not_wait_for_the_frames_in_hand(monkeypatch, tmp_path):
    monkeypatch.setattr(crew, "_examine_in_worker", examine_slowly)
    monkeypatch.setattr(crew, "_start_worker", start)
    files = [(tmp_path / name, name) for name in ("a.fits", "b.fits", "c.fits")]

    class Folder:
        folder = tmp_path

    seen = crew.examine_all(files, None, Folder(), workers=2)
    assert next(seen).name == "a.fits"
    workers = multiprocessing.active_children()
    assert workers
    began = time.monotonic()
    seen.close()  # what Ctrl-C in the loop over it comes to
    # Asked again and again: while the pool's own thread takes note of an end, a worker that is gone
    # is for a moment neither joined nor dead. The frames in hand would take a minute.
    while any(worker.is_alive() for worker in workers) and time.monotonic() - began < 10:
        time.sleep(0.05)
    assert not any(worker.is_alive() for worker in workers)


def test_few_files_are_not_worth_many_processes():
    assert crew.useful_workers(3) == 1
    assert crew.useful_workers(3, wanted=8) == 3
    assert crew.useful_workers(10_000) == (os.cpu_count() or 1)


@pytest.mark.parametrize("moment", ["2000-01-01T12:00:00", "2026-03-14T20:52:10.5"])
def test_modified_julian_date_is_astropys(moment):
    ours = modified_julian_date(datetime.fromisoformat(moment).replace(tzinfo=UTC))
    assert ours == pytest.approx(Time(moment, scale="utc").mjd, abs=1e-9)
    assert ours == modified_julian_date(datetime.fromisoformat(moment))


def test_thread_limits_of_workers_do_not_outlive_them(monkeypatch):
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    with crew._thread_variables():
        assert os.environ["OMP_NUM_THREADS"] == "1"
    assert "OMP_NUM_THREADS" not in os.environ


def test_line_of_the_model_marks_a_trail_it_alone_sees(tmp_path):
    sees_all = load_model(write_untrained(tmp_path / "all", offset=+6.0))
    write_sub(tmp_path / "a.fits")
    (frame,) = label_night([tmp_path / "a.fits"], None, sees_all, 1).frames
    (line,) = frame.where["trail"]
    assert len(line) == 4 and np.isfinite(line).all()
