"""Learning from somebody's own rejects: labels from folders, fair comparison, nothing lost.

The network's look at a frame is replaced by made-up features here, so that what can be learnt
is known; the path through real files is tested at the end.
"""

import json

import numpy as np
import pytest
import torch
from small_model import SMALL, small_network, write_small_model

from classifier.errors import FrameError, ModelError, UsageError
from classifier.sheet import SHAPE_FACTS
from classifier.vocabulary import INDEX, KEYS
from classifier.weights import load_model
from training.rejects import Look, find_rejects, look_at_all
from training.retrain import divide, make_task, retrain

SIGNS = {"trail": 0, "clouds": 1}


def put(folder, label: str, name: str, text: str) -> None:
    """A file that looks like a frame to the search; its text says what the fake look sees."""
    (folder / label).mkdir(parents=True, exist_ok=True)
    (folder / label / f"{name}.fits").write_text(text, encoding="utf-8")


def rejects_folder(root, good: int = 30, trail: int = 20, clouds: int = 16, nights: int = 8):
    """Subs over several nights; every fourth cloudy one has a trail too and lies in both."""
    for label, count in (("good", good), ("trail", trail), ("clouds", clouds)):
        for number in range(count):
            faults = [] if label == "good" else [label]
            if label == "clouds" and number % 4 == 0:
                faults.append("trail")
            text = json.dumps(
                {"faults": faults, "id": f"{label} {number}", "night": number % nights}
            )
            for fault in faults or ["good"]:
                put(root, fault, f"sub-{label}-{number}", text)
    return root


class FakeEye:
    """Stands for reading and encoding a file; counts how often it looked."""

    def __init__(self, clue: float = 6.0):
        self.clue, self.looked = clue, 0

    def __call__(self, path, model, rig) -> Look:
        self.looked += 1
        told = json.loads(path.read_text(encoding="utf-8"))
        rng = np.random.default_rng(list(told["id"].encode()))
        features = rng.normal(size=SMALL.features).astype(np.float32)
        for fault in told["faults"]:
            features[SIGNS[fault]] += self.clue
        shape = rng.normal(size=len(SHAPE_FACTS)).astype(np.float32)
        return Look(features, shape, "M 31 | L", f"night {told['night']}")


@pytest.fixture
def old(tmp_path):
    return write_small_model(tmp_path / "models" / "small")


def test_labels_come_from_folders_and_content(tmp_path):
    folder = rejects_folder(tmp_path / "mine", good=3, trail=2, clouds=4)
    found, notes = find_rejects(folder)
    assert not notes
    assert len(found) == 9
    labels = [reject.labels for reject in found]
    assert labels.count(frozenset()) == 3
    assert labels.count(frozenset({"trail"})) == 2
    assert labels.count(frozenset({"clouds", "trail"})) == 1


def test_the_same_name_with_other_content_is_another_sub(tmp_path):
    put(tmp_path, "good", "sub", "one")
    put(tmp_path, "trail", "sub", "two")
    assert len(find_rejects(tmp_path)[0]) == 2


def test_good_and_faulty_at_once_is_left_out(tmp_path):
    put(tmp_path, "good", "sub", "one")
    put(tmp_path, "trail", "other", "one")
    found, notes = find_rejects(tmp_path)
    assert not found
    assert "cannot both be" in notes[0]


def test_a_folder_that_is_no_fault_is_named(tmp_path):
    put(tmp_path, "trails", "sub", "one")
    with pytest.raises(UsageError, match="'trails'"):
        find_rejects(tmp_path)
    with pytest.raises(UsageError, match="no folder"):
        find_rejects(tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="'good'"):
        find_rejects(tmp_path / "empty")


def test_frames_are_looked_at_once(tmp_path, old):
    folder, eye, model = rejects_folder(tmp_path / "mine"), FakeEye(), load_model(old)
    found, _ = find_rejects(folder)
    _, first, _ = look_at_all(found, model, tmp_path / "cache", look=eye)
    assert eye.looked == len(found)
    damaged = next((tmp_path / "cache").rglob("*.npz"))
    damaged.write_bytes(damaged.read_bytes()[:50])
    _, again, _ = look_at_all(found, model, tmp_path / "cache", look=eye)
    assert eye.looked == len(found) + 1
    for mine, theirs in zip(first, again, strict=True):
        assert np.array_equal(mine.features, theirs.features)
        assert (mine.run, mine.night) == (theirs.run, theirs.night)
    # What another rig file says changes what the network sees.
    look_at_all(found, model, tmp_path / "cache", rig="another", look=eye)
    assert eye.looked == 2 * len(found) + 1


def test_an_unreadable_sub_is_told_and_left_out(tmp_path, old):
    eye = FakeEye()

    def half_blind(path, model, rig):
        if path.stem.endswith("-3"):
            raise FrameError("The file ends too early.")
        return eye(path, model, rig)

    found, _ = find_rejects(rejects_folder(tmp_path / "mine"))
    read, looks, notes = look_at_all(found, load_model(old), tmp_path / "cache", look=half_blind)
    assert len(read) == len(looks) == len(found) - 3
    assert all("ends too early" in note for note in notes)
    assert len(notes) == 3


def test_a_clear_sign_is_learnt_and_written_as_a_new_model(tmp_path, old):
    folder, before = rejects_folder(tmp_path / "mine"), (old / "weights.safetensors").read_bytes()
    outcome = retrain(folder, tmp_path / "out", model=old, look=FakeEye())
    assert outcome.better
    assert outcome.split == "by whole runs and nights"
    row = outcome.figures["labels"]["trail"]
    assert row["frames"] == 24
    # One of 32 features is 6 sigma apart: an observer who knew which would make no error, one
    # who has to find it among 32 in 62 subs makes some.
    assert row["new_precision"] > 0.9 > row["old_precision"]
    new = load_model(outcome.folder)
    assert new.name == "small-own"
    assert new.config["training"]["retrained_from_sha256"] == load_model(old).sha256
    assert (old / "weights.safetensors").read_bytes() == before
    # How frames are looked at stays: features and their cache remain valid.
    fresh = small_network().state_dict()
    for name, tensor in new.network.state_dict().items():
        assert torch.equal(tensor, fresh[name]) != name.startswith("head"), name
    assert "small-own" in (outcome.folder / "card.md").read_text(encoding="utf-8")
    assert outcome.lines()[-1] == f"kept: {outcome.folder}"
    again = retrain(folder, tmp_path / "out", model=old, look=FakeEye())
    assert again.folder.name == "small-own-2"


def test_labels_without_a_sign_are_not_kept(tmp_path, old):
    """The first round teaches; the second, on noise, has nothing to add to it."""
    taught = retrain(rejects_folder(tmp_path / "mine"), tmp_path / "a", model=old, look=FakeEye())
    noise = FakeEye(clue=0.0)
    outcome = retrain(rejects_folder(tmp_path / "more"), tmp_path / "b", taught.folder, look=noise)
    total = outcome.figures["all"]
    assert outcome.better == (total["sure"] >= 0.95 and total["new_loss"] < total["old_loss"])
    assert outcome.figures["labels"]["trail"]["new_precision"] < 0.75
    if not outcome.better:
        assert outcome.folder is None
        assert not list((tmp_path / "b").glob("*/config.json"))


def test_a_model_that_already_knows_is_not_replaced(tmp_path, old):
    folder = rejects_folder(tmp_path / "mine")
    first = retrain(folder, tmp_path / "a", model=old, look=FakeEye())
    second = retrain(folder, tmp_path / "a", model=first.folder, look=FakeEye())
    row = second.figures["labels"]["trail"]
    assert row["new_precision"] >= row["old_precision"] - 0.05


@pytest.mark.parametrize(("good", "trail"), [(3, 20), (30, 4)])
def test_too_few_subs_is_said_with_the_numbers(tmp_path, old, good, trail):
    folder = rejects_folder(tmp_path / "mine", good=good, trail=trail, clouds=0)
    with pytest.raises(UsageError, match=rf"good {good}.*trail {trail}.*at least 8"):
        retrain(folder, tmp_path / "out", model=old, look=FakeEye())


def test_a_rare_fault_is_told_and_not_taught(tmp_path, old):
    folder = rejects_folder(tmp_path / "mine", clouds=3)
    outcome = retrain(folder, tmp_path / "out", model=old, look=FakeEye())
    assert set(outcome.figures["labels"]) == {"trail"}
    assert outcome.split == "by whole runs and nights"
    assert any("clouds has 3 subs" in note for note in outcome.notes)


def test_one_night_is_divided_sub_by_sub_and_said_so(tmp_path, old):
    folder = rejects_folder(tmp_path / "mine", nights=1)
    outcome = retrain(folder, tmp_path / "out", model=old, look=FakeEye())
    assert "sub by sub" in outcome.split


def test_no_night_stands_on_both_sides(tmp_path, old):
    model = load_model(old)
    found, _ = find_rejects(rejects_folder(tmp_path / "mine"))
    labels = [reject.labels for reject in found]
    looks = [FakeEye()(reject.path, model, None) for reject in found]
    task = make_task(model, labels, looks, ("trail", "clouds"))
    folds, _ = divide(task, seed=1)
    for night in np.unique(task.group):
        assert len(np.unique(folds[task.group == night])) == 1
    assert set(folds) == {0, 1, 2, 3}


def test_what_the_labels_do_not_say_is_held_to_the_old_answer(tmp_path, old):
    model = load_model(old)
    labels = [frozenset()] * 8 + [frozenset({"trail"})] * 8
    eye = FakeEye()
    put(tmp_path, "good", "one", json.dumps({"faults": [], "id": "x", "night": 1}))
    looks = [eye(tmp_path / "good" / "one.fits", model, None)] * 16
    task = make_task(model, labels, looks, ("trail",))
    assert task.stated[:8].all()
    assert (task.target[:8] == 0).all()
    assert task.stated[8:].sum(0).tolist() == [8 if key == "trail" else 0 for key in KEYS]
    # Old answers at the share of faults the model was calibrated at: 0.5 logit - 1.
    old_answer = torch.sigmoid(0.5 * torch.from_numpy(task.old[8:]).float() - 1)
    column = INDEX["drift"]
    torch.testing.assert_close(task.target[8:, column], old_answer[:, column])
    # Positives make up the calibrated share of 0.2 of the stated weight.
    weight = task.weight[:, INDEX["trail"]]
    assert weight[8:].sum().item() == pytest.approx(0.2)
    assert weight[:8].sum().item() == pytest.approx(0.8)


def test_a_missing_model_is_named(tmp_path):
    with pytest.raises(ModelError, match="nothing"):
        retrain(rejects_folder(tmp_path / "mine"), tmp_path / "out", model="nothing")


def test_real_files_are_read_looked_at_and_learnt_from(tmp_path, old):
    """Sixteen small FITS subs written by astropy, half of them with a bright line across."""
    fits = pytest.importorskip("astropy.io.fits")
    rng = np.random.default_rng(6)
    for number in range(16):
        label = "trail" if number % 2 else "good"
        picture = rng.normal(1000, 20, (128, 160))
        for x, y in rng.integers(5, 120, (30, 2)):
            picture[y - 1 : y + 2, x - 1 : x + 2] += rng.uniform(200, 3000)
        if label == "trail":
            picture[np.arange(128), np.arange(128) + number] += 500
        header = fits.Header()
        header["EXPTIME"], header["OBJECT"] = 60.0, "M 31"
        header["DATE-OBS"] = f"2026-11-{10 + number // 2:02d}T22:00:00"
        (tmp_path / "mine" / label).mkdir(parents=True, exist_ok=True)
        hdu = fits.PrimaryHDU(picture.clip(0, 65535).astype(np.uint16), header)
        hdu.writeto(tmp_path / "mine" / label / f"sub{number}.fits")
    (tmp_path / "mine" / "good" / "torn.fits").write_bytes(b"SIMPLE  = ")

    lines: list[str] = []
    outcome = retrain(tmp_path / "mine", tmp_path / "out", model=old, say=lines.append)
    assert outcome.frames == 16
    assert outcome.split == "by whole runs and nights"
    assert [note for note in outcome.notes if note.startswith("torn.fits was left out")]
    assert "16 subs, 16 of them looked at now" in lines[0]
    # Two processes see the same as one.
    other = retrain(tmp_path / "mine", tmp_path / "other", model=old, workers=2)
    assert other.figures == outcome.figures
    assert sorted(other.notes) == sorted(outcome.notes)
    again: list[str] = []
    repeated = retrain(tmp_path / "mine", tmp_path / "out", model=old, say=again.append)
    assert "16 subs, 0 of them looked at now" in again[0]
    assert repeated.figures == outcome.figures
