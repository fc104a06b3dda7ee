"""Finding the frames of a night: folders, prefixes, links, suffixes."""

import os
from pathlib import Path

import pytest

from classifier.errors import FrameError, UsageError
from classifier.frame import find_frames, is_frame_file, read_frame


def touch(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def names(found):
    return [name for _, name in found]


def test_folders_are_searched_through_and_sorted(tmp_path):
    touch(tmp_path, "b.FITS", "a.fit", "deep/er/c.fits.gz", "deep/d.NEF", "notes.txt", "x.gz")
    touch(tmp_path, "._a.fit", "Z.Fz", "t.tar.bz2")
    found = find_frames([tmp_path])
    assert names(found) == ["Z.Fz", "a.fit", "b.FITS", "deep/d.NEF", "deep/er/c.fits.gz"]
    assert all((tmp_path / name) == path for path, name in found)


def test_several_folders_prefix_their_names(tmp_path):
    touch(tmp_path, "one/lights/a.fits", "two/lights/a.fits", "ha/a.fits")
    folders = [tmp_path / "one/lights", tmp_path / "two/lights", tmp_path / "ha"]
    assert names(find_frames(folders)) == ["lights/a.fits", "lights-2/a.fits", "ha/a.fits"]


def test_a_file_given_twice_is_listed_once(tmp_path):
    touch(tmp_path, "night/lights/a.fits", "night/b.fits")
    found = find_frames([tmp_path / "night", tmp_path / "night/lights"])
    assert names(found) == ["night/b.fits", "night/lights/a.fits"]


def test_single_files_and_missing_folders(tmp_path):
    touch(tmp_path, "a.fits", "readme.txt")
    assert find_frames([tmp_path / "a.fits"]) == [(tmp_path / "a.fits", "a.fits")]
    assert find_frames([]) == []
    with pytest.raises(UsageError, match=r"no folder .*nowhere"):
        find_frames([tmp_path / "nowhere"])
    with pytest.raises(UsageError, match="neither a folder nor a frame"):
        find_frames([tmp_path / "readme.txt"])


def test_links_to_folders_are_not_followed(tmp_path):
    touch(tmp_path, "night/a.fits", "other/b.fits")
    try:
        (tmp_path / "night/link").symlink_to(tmp_path / "other", target_is_directory=True)
        (tmp_path / "night/loop").symlink_to(tmp_path / "night", target_is_directory=True)
        (tmp_path / "night/gone.fits").symlink_to(tmp_path / "nowhere.fits")
    except OSError:
        pytest.skip("this system or user may not make links")
    # A link that leads nowhere stays in the list, so that the report can say so.
    assert names(find_frames([tmp_path / "night"])) == ["a.fits", "gone.fits"]
    with pytest.raises(FrameError, match="no longer there"):
        read_frame(tmp_path / "night/gone.fits")


def test_a_closed_folder_is_listed_itself(tmp_path, monkeypatch):
    touch(tmp_path, "open/a.fits", "closed/b.fits")
    scandir = os.scandir

    def refuse(path):
        # Permissions cannot be taken away from root, so the refusal is played.
        if Path(path).name == "closed":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    assert names(find_frames([tmp_path])) == ["closed", "open/a.fits"]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        *[(f"a{suffix}", True) for suffix in (".fit", ".fits", ".fts", ".fits.fz", ".fit.gz")],
        *[(f"a{suffix}", True) for suffix in (".FTS.BZ2", ".cr2", ".CR3", ".nef", ".arw", ".dng")],
        *[(f"a{suffix}", True) for suffix in (".raf", ".orf", ".rw2", ".pef", ".tif", ".TIFF")],
        *[(f"a.b.c{suffix}", True) for suffix in (".png", ".jpg", ".jpeg", ".bmp")],
        *[(f"a{suffix}", False) for suffix in (".gz", ".tar.gz", ".txt", "", ".fits.txt", ".ser")],
    ],
)
def test_suffix_tells_a_frame(name, expected):
    assert is_frame_file(Path(name)) is expected
