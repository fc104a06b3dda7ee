"""Kept results are the results, to the letter, and are never used where anything changed."""

import dataclasses
import io
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from sample_night import write_sub, write_untrained
from typer.testing import CliRunner

import classifier.cache
import classifier.crew
import classifier.label
from classifier.cache import Cache, cache_folder
from classifier.cli import app
from classifier.examine import Examined, examine
from classifier.label import label_night
from classifier.packing import PackingError, packed, unpacked
from classifier.results import Results
from classifier.rig import Rig
from classifier.weights import load_model

SHAPE = (160, 200)


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return load_model(write_untrained(tmp_path_factory.mktemp("models") / "untrained"))


@pytest.fixture
def night(tmp_path) -> Path:
    folder = tmp_path / "night"
    folder.mkdir()
    for seed, name in enumerate(("a.fits", "b.fits"), 1):
        write_sub(folder / name, seed, shape=SHAPE, **{"DATE-OBS": f"2026-03-0{seed}T22:00:00"})
    write_sub(folder / "dark.fits", 9, shape=SHAPE, IMAGETYP="Dark Frame")
    (folder / "torn.fits").write_bytes((folder / "a.fits").read_bytes()[:3000])
    return folder


@pytest.fixture
def place(tmp_path) -> Path:
    return tmp_path / "cache"


@pytest.fixture
def looked_at(monkeypatch) -> list[str]:
    """The names of the files that are really examined from now on."""
    names = []

    def noted(path, name, rig, model, masters=None):
        names.append(name)
        return examine(path, name, rig, model, masters)

    monkeypatch.setattr(classifier.crew, "examine", noted)
    return names


def entries(place: Path) -> list[Path]:
    return sorted(place.glob("*/*.npz"))


def labelled(night, model, place, rig=None) -> tuple[Results, Cache]:
    cache = Cache(place, model.sha256, rig)
    return label_night([night], rig, model, 1, cache=cache), cache


def assert_same(one, other):
    assert type(one) is type(other)
    if dataclasses.is_dataclass(one):
        for each in dataclasses.fields(one):
            assert_same(getattr(one, each.name), getattr(other, each.name))
    elif isinstance(one, dict):
        assert list(one) == list(other)
        for key, value in one.items():
            assert_same(value, other[key])
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype
        np.testing.assert_array_equal(one, other)
    elif isinstance(one, float):
        np.testing.assert_equal(one, other)  # NaN is NaN
    else:
        assert one == other


def test_a_frame_is_packed_without_loss(night, model):
    sight = examine(night / "a.fits", "a.fits", Rig(offset_adu=200.0), model).sight
    assert sight.facts.time_utc == datetime(2026, 3, 1, 22, tzinfo=UTC)
    assert_same(unpacked(packed((sight, None)))[0], sight)


@pytest.mark.parametrize(
    "value",
    [None, [1, [2.5, "x"]], (float("inf"), -0.0), b"\x00\xff", {"a": (b"", [])}, np.arange(3)],
)
def test_plain_values_are_packed_without_loss(value):
    assert_same(unpacked(packed(value)), value)


def test_foreign_objects_are_neither_packed_nor_run(tmp_path):
    with pytest.raises(TypeError, match="cannot be packed"):
        packed(object())

    class Trap:
        def __reduce__(self):
            return (Path.touch, (tmp_path / "sprung",))

    stream = io.BytesIO()
    np.savez(stream, tree=np.array([Trap()], dtype=object))
    with pytest.raises(PackingError):
        unpacked(stream.getvalue())
    assert not (tmp_path / "sprung").exists()
    stream = io.BytesIO()
    np.savez(stream, tree=np.frombuffer(b'["class", "Path", {}]', np.uint8))
    with pytest.raises(PackingError):
        unpacked(stream.getvalue())


@pytest.mark.parametrize("tree", [b'["bytes", 0, 5]', b'["bytes", -1, 1]', b'["bytes", 2, 1]'])
def test_bytes_that_are_not_there_are_damage(tree):
    stream = io.BytesIO()
    np.savez(stream, tree=np.frombuffer(tree, np.uint8), bytes=np.zeros(3, np.uint8))
    with pytest.raises(PackingError, match="missing"):
        unpacked(stream.getvalue())


def test_a_second_run_looks_at_nothing_and_says_the_same(night, model, place, looked_at):
    fresh = label_night([night], None, model, 1)
    looked_at.clear()
    first, _ = labelled(night, model, place)
    assert len(looked_at) == 4
    looked_at.clear()
    second, cache = labelled(night, model, place)
    # What could not be read is tried again.
    assert looked_at == ["torn.fits"]
    assert second.as_json() == first.as_json() == fresh.as_json()
    pictures = [[frame.picture for frame in run.frames] for run in (fresh, second)]
    assert pictures[0] == pictures[1]
    assert cache.warning is None


def judged_nights(monkeypatch) -> list[int]:
    """The sizes of the nights that are really judged from now on."""
    sizes = []
    judge = classifier.label.judge_night
    monkeypatch.setattr(
        classifier.label,
        "judge_night",
        lambda seen, m: (sizes.append(len(seen)), judge(seen, m))[1],
    )
    return sizes


def test_a_whole_night_that_is_the_same_is_not_judged_again(night, model, place, monkeypatch):
    (night / "torn.fits").unlink()
    sizes = judged_nights(monkeypatch)
    first, _ = labelled(night, model, place)
    second, cache = labelled(night, model, place)
    assert sizes == [3] and cache.warning is None
    assert second.as_json() == first.as_json()
    for field in ("readings", "skipped", "prior"):
        assert_same(getattr(second, field), getattr(first, field))
    assert [(f.notes, f.picture) for f in second.frames] == [
        (f.notes, f.picture) for f in first.frames
    ]
    # One frame more, a name of its own, other priors: each is another night.
    labelled(night, model.with_prior({"trail": 0.3}), place)
    (night / "a.fits").rename(night / "c.fits")
    labelled(night, model, place)
    write_sub(night / "d.fits", 4, shape=SHAPE)
    labelled(night, model, place)
    assert sizes == [3, 3, 3, 4]


def test_a_night_with_what_could_not_be_read_is_judged_again(night, model, place, monkeypatch):
    sizes = judged_nights(monkeypatch)
    for _ in range(2):
        labelled(night, model, place)
    assert sizes == [4, 4]


def test_a_damaged_night_is_judged_again(night, model, place, monkeypatch):
    (night / "torn.fits").unlink()
    first, _ = labelled(night, model, place)
    (kept,) = (
        entry for entry in entries(place) if isinstance(unpacked(entry.read_bytes()), Results)
    )
    for content in (b"PK", packed([1])):
        kept.write_bytes(content)
        again, cache = labelled(night, model, place)
        assert "damaged" in cache.warning
        assert again.as_json() == first.as_json()


def test_an_interrupted_run_goes_on_where_it_was(night, model, place, looked_at):
    def impatient(done, total, name):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        label_night([night], None, model, 1, impatient, cache=Cache(place, model.sha256, None))
    assert looked_at == ["a.fits", "b.fits"]
    looked_at.clear()
    labelled(night, model, place)
    assert looked_at == ["dark.fits", "torn.fits"]


def test_a_moved_file_has_its_present_name(night, model, place, looked_at):
    labelled(night, model, place)
    looked_at.clear()
    (night / "a.fits").rename(night / "z.fits")
    results, _ = labelled(night, model, place)
    assert looked_at == ["torn.fits"]
    assert [frame.path for frame in results.frames] == [
        "b.fits",
        "torn.fits",
        "z.fits",
    ]


def _change_time(path):
    os.utime(path, ns=(0, path.stat().st_mtime_ns + 1))


def _change_bytes(offset):
    """Other pixels, with size and time as before."""

    def change(path):
        stat = path.stat()
        data = bytearray(path.read_bytes())
        data[offset] ^= 1
        path.write_bytes(data)
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))

    return change


def _lengthen(path):
    stat = path.stat()
    path.write_bytes(path.read_bytes() + bytes(2880))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


@pytest.mark.parametrize(
    "change", [_change_time, _change_bytes(4000), _change_bytes(-3000), _lengthen]
)
def test_a_changed_file_is_looked_at_again(night, model, place, looked_at, change):
    labelled(night, model, place)
    looked_at.clear()
    change(night / "b.fits")
    labelled(night, model, place)
    assert looked_at == ["b.fits", "torn.fits"]


@pytest.mark.parametrize("changed", [0, 65_535, 300_000 - 65_536, 299_999])
def test_beginning_and_end_of_a_large_file_are_compared(tmp_path, place, changed):
    path = tmp_path / "large.fits"
    path.write_bytes(bytes(300_000))
    cache = Cache(place, "0" * 64, None)
    assert cache.find(path, path.name) is None
    cache.keep(Examined(path, path.name, skipped="It is large."))
    assert cache.find(path, path.name).skipped == "It is large."
    _change_bytes(changed)(path)
    assert cache.find(path, path.name) is None


def test_another_rig_model_or_program_looks_again(night, model, place, monkeypatch):
    labelled(night, model, place)
    path, name = night / "a.fits", "a.fits"
    assert Cache(place, model.sha256, None).find(path, name) is not None
    assert Cache(place, model.sha256, Rig(gain_e_adu=2.0)).find(path, name) is None
    assert Cache(place, "0" * 64, None).find(path, name) is None
    for attribute, value in (("__version__", "9.9.9"), ("LIBRARIES", ("numpy",))):
        with monkeypatch.context() as patch:
            patch.setattr(classifier.cache, attribute, value)
            classifier.cache._program.cache_clear()
            assert Cache(place, model.sha256, None).find(path, name) is None
        classifier.cache._program.cache_clear()


def test_another_line_of_code_looks_again(tmp_path, monkeypatch):
    (tmp_path / "cache.py").write_text("a = 1\n")
    monkeypatch.setattr(classifier.cache, "__file__", str(tmp_path / "cache.py"))
    told = []
    for text in ("a = 1\n", "a = 2\n", "a = 1\n"):
        (tmp_path / "stars.py").write_text(text)
        classifier.cache._program.cache_clear()
        told.append(classifier.cache._program())
    classifier.cache._program.cache_clear()
    assert told[0] == told[2] != told[1]


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: data[: len(data) // 2],
        lambda data: b"",
        lambda data: b"no archive at all",
        lambda data: data[:200] + bytes([data[200] ^ 255]) + data[201:],
        lambda data: packed(("something", "else")),
        lambda data: packed(7),
    ],
)
def test_damage_costs_one_warning_and_no_result(night, model, place, looked_at, damage):
    first, _ = labelled(night, model, place)
    for entry in entries(place):
        entry.write_bytes(damage(entry.read_bytes()))
    looked_at.clear()
    second, cache = labelled(night, model, place)
    assert second.as_json() == first.as_json()
    assert len(looked_at) == 4
    assert cache.warning is not None and cache.warning.startswith("A kept result is damaged")
    looked_at.clear()
    _, mended = labelled(night, model, place)
    assert looked_at == ["torn.fits"] and mended.warning is None


def test_a_folder_that_cannot_be_used_costs_one_warning(night, model, tmp_path):
    (tmp_path / "cache").write_text("a file where the folder should be")
    results, cache = labelled(night, model, tmp_path / "cache")
    assert len(results.frames) == 3
    assert "NIGHTCULL_CACHE" in cache.warning or "made anew" in cache.warning


def test_what_changes_while_it_is_examined_is_not_kept(night, model, place):
    cache = Cache(place, model.sha256, None)
    path = night / "a.fits"
    assert cache.find(path, "a.fits") is None
    examined = examine(path, "a.fits", None, model)
    _change_time(path)
    cache.keep(examined)
    assert entries(place) == []


def test_the_longest_unused_go_first(night, model, place):
    labelled(night, model, place)
    kept = entries(place)
    assert len(kept) == 3
    for age, entry in enumerate(kept):
        os.utime(entry, ns=(0, 10**18 - age * 10**9))
    sizes = [entry.stat().st_size for entry in kept]
    cache = Cache(place, model.sha256, None)
    cache.prune(sum(sizes))
    assert entries(place) == kept
    cache.prune(sum(sizes[:2]) + 10)
    assert entries(place) == kept[:2]


def test_where_caches_belong(monkeypatch, tmp_path):
    monkeypatch.setattr(classifier.cache.sys, "platform", "linux")
    assert cache_folder({"NIGHTCULL_CACHE": str(tmp_path)}) == tmp_path
    assert cache_folder({"XDG_CACHE_HOME": str(tmp_path)}) == tmp_path / "nightcull"
    # The specification: relative paths are invalid and to be ignored.
    assert cache_folder({"XDG_CACHE_HOME": "x"}) == Path.home() / ".cache" / "nightcull"
    monkeypatch.setattr(classifier.cache.sys, "platform", "darwin")
    assert cache_folder({}) == Path.home() / "Library" / "Caches" / "nightcull"
    monkeypatch.setattr(classifier.cache.sys, "platform", "win32")
    assert cache_folder({"LOCALAPPDATA": str(tmp_path)}) == tmp_path / "nightcull"


def test_label_uses_it_unless_told_not_to(night, model, tmp_path, monkeypatch, place, looked_at):
    monkeypatch.setenv("NIGHTCULL_CACHE", str(place))

    def run(*more):
        looked_at.clear()
        arguments = ["label", str(night), "--model", str(model.folder), "--workers", "1", *more]
        done = CliRunner().invoke(app, arguments)
        assert done.exit_code == 3  # one file is torn
        return len(looked_at)

    assert run("--out", str(tmp_path / "1"), "--no-cache") == 4
    assert not place.exists()
    assert run("--out", str(tmp_path / "2")) == 4
    assert run("--out", str(tmp_path / "3")) == 1
    texts = {(tmp_path / out / "frames.json").read_text() for out in "123"}
    assert len(texts) == 1
