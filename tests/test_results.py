"""What `label` writes: the contract of frames.json, the same flattened, and nothing lost."""

import csv
import io
import json
import math
import os
import stat
import sys
from pathlib import Path

import numpy as np
import pytest

from classifier.errors import UsageError
from classifier.results import (
    FrameResult,
    Results,
    claimed_folder,
    csv_text,
    free_folder,
    json_lines,
    plain,
    read_results,
    write_results,
    write_whole,
)
from classifier.vocabulary import GROUPS, KEYS

ENTRY_KEYS = [
    "path",
    "run",
    "verdict",
    "faults",
    "why",
    "confidence",
    "groups",
    "evidence",
    "numbers",
    "unfamiliar",
    "where",
    "weights",
    "error",
]


def result(path="a.fits", **changes) -> FrameResult:
    values = {
        "run": "M 31 | L | 120 s",
        "verdict": "drop",
        "faults": ["trail", "drift"],
        "why": 'It says "no", twice.',
        "confidence": dict.fromkeys(KEYS, 0.25),
        "groups": dict.fromkeys(GROUPS, 0.5),
        "evidence": {
            "trail": {"state": "yes", "value": 14.2, "unit": "sigma", "threshold": 8.0},
            "clouds": {"state": "unknown", "value": None, "unit": "mag", "threshold": 0.25},
        },
        "numbers": {"star_count": 812.0, "hfr_px": math.nan},
        "unfamiliar": 0.02,
        "where": {"trail": [[1.0, 2.0, 3.5, 4.0]]},
    }
    return FrameResult(path, **(values | changes))


def night(*frames: FrameResult) -> Results:
    skipped = [{"path": "d.fits", "reason": "The header says this is a dark frame."}]
    return Results({"nightcull": "0", "model": "m", "model_sha256": "0"}, list(frames), skipped)


def strict(text: str):
    """Parse JSON as other programs do: NaN and Infinity are no JSON (RFC 8259, section 6)."""

    def refuse(name):
        raise ValueError(name)

    return json.loads(text, parse_constant=refuse)


def test_frames_json_holds_the_contract(tmp_path):
    write_results(night(result()), tmp_path)
    content = strict((tmp_path / "frames.json").read_text(encoding="utf-8"))
    assert content["schema"] == "nightcull/frames-1"
    assert list(content["made_with"]) == ["nightcull", "model", "model_sha256"]
    (entry,) = content["frames"]
    assert list(entry) == ENTRY_KEYS
    assert list(entry["confidence"]) == list(KEYS)
    assert entry["numbers"] == {"star_count": 812.0, "hfr_px": None}
    assert entry["evidence"]["clouds"]["value"] is None
    assert entry["where"] == {"trail": [[1.0, 2.0, 3.5, 4.0]]}
    assert content["skipped"][0]["path"] == "d.fits"


def test_results_survive_writing_and_reading(tmp_path):
    before = night(result(), result("b.fits", error="It is empty.", verdict="look"))
    write_results(before, tmp_path)
    after = read_results(tmp_path)
    assert after.as_json() == before.as_json()
    assert [frame.path for frame in after.unreadable] == ["b.fits"]


def test_plain_takes_numpy_and_drops_what_json_cannot_hold():
    value = {"a": np.float32(0.5), "b": np.array([1.0, np.inf]), "c": (1, np.int64(2)), "d": True}
    assert plain(value) == {"a": 0.5, "b": [1.0, None], "c": [1, 2], "d": True}


def test_csv_is_the_same_flattened():
    odd = 'nights/"best", 2.fits'
    rows = list(csv.DictReader(io.StringIO(csv_text(night(result(odd), result("b.fits"))))))
    assert [row["path"] for row in rows] == [odd, "b.fits"]
    first = rows[0]
    assert first["faults"] == "trail drift" and first["why"] == 'It says "no", twice.'
    assert float(first["confidence.clouds"]) == 0.25
    assert float(first["evidence.trail.value"]) == 14.2
    assert first["evidence.clouds.value"] == "" and first["numbers.hfr_px"] == ""
    assert json.loads(first["where"]) == {"trail": [[1.0, 2.0, 3.5, 4.0]]}


def test_csv_of_an_unreadable_frame_has_every_column():
    broken = FrameResult("x.fits", why="This file could not be read.", error="It is empty.")
    (row,) = csv.DictReader(io.StringIO(csv_text(night(broken))))
    assert row["error"] == "It is empty." and row["confidence.clouds"] == ""


def test_json_lines_are_ascii_one_object_a_line():
    lines = list(json_lines(night(result("Nächte/ü.fits"), result("b.fits"))))
    assert [strict(line)["path"] for line in lines] == ["Nächte/ü.fits", "b.fits"]
    assert all(line.isascii() and "\n" not in line for line in lines)


def test_results_there_already_are_refused_before_the_work(tmp_path):
    write_results(night(result()), tmp_path)
    kept = (tmp_path / "frames.json").read_bytes()
    refused = pytest.raises(UsageError, match=r"already holds results \(frames.json.*--replace")
    with refused, claimed_folder(tmp_path, replace=False):
        pytest.fail("the work was begun")
    with claimed_folder(tmp_path, replace=True):
        assert (tmp_path / "frames.json").read_bytes() == kept


def test_folder_made_for_work_that_fails_goes_again(tmp_path):
    for made in (tmp_path / "new", tmp_path):
        with pytest.raises(ZeroDivisionError), claimed_folder(made, replace=False):
            assert made.is_dir()
            _ = 1 / 0
    assert list(tmp_path.iterdir()) == []


def test_out_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    refused = pytest.raises(UsageError, match="is a file where a folder is needed")
    with refused, claimed_folder(tmp_path / "out", replace=True):
        pytest.fail("the work was begun")


def test_free_folder_counts_up(tmp_path):
    wanted = tmp_path / "nightcull-m31"
    assert free_folder(wanted) == wanted
    wanted.mkdir()
    (tmp_path / "nightcull-m31-2").mkdir()
    assert free_folder(wanted) == tmp_path / "nightcull-m31-3"


def test_failed_write_leaves_the_old_file_and_no_rest(tmp_path, monkeypatch):
    target = tmp_path / "frames.csv"
    target.write_text("old", encoding="utf-8")

    def full(self, other):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(target, "new")
    assert target.read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["frames.csv"]


def test_file_locked_by_another_program_does_not_cost_the_night(tmp_path, monkeypatch):
    # Windows refuses to replace a file that another program holds open.
    target = tmp_path / "frames.csv"
    target.write_text("open in a spreadsheet", encoding="utf-8")
    real = Path.replace

    def locked(self, other):
        if Path(other) == target:
            raise PermissionError(13, "Access is denied")
        return real(self, other)

    monkeypatch.setattr(Path, "replace", locked)
    assert write_whole(target, "new") == tmp_path / "frames-2.csv"
    assert (tmp_path / "frames-2.csv").read_text(encoding="utf-8") == "new"
    assert target.read_text(encoding="utf-8") == "open in a spreadsheet"


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
def test_files_are_as_readable_as_others(tmp_path):
    mask = os.umask(0o022)
    try:
        path = write_whole(tmp_path / "frames.json", "{}")
    finally:
        os.umask(mask)
    assert stat.S_IMODE(path.stat().st_mode) == 0o644


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("{", "is damaged"),
        ('{"schema": "other/1", "frames": []}', "'other/1'"),
        ('{"schema": "nightcull/frames-1"}', "is damaged"),
        ("[]", "is damaged"),
    ],
)
def test_damaged_results_get_one_sentence(tmp_path, text, complaint):
    (tmp_path / "frames.json").write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=complaint):
        read_results(tmp_path)


def test_folder_without_results_says_how_to_make_them(tmp_path):
    with pytest.raises(UsageError, match="nightcull label FOLDER"):
        read_results(tmp_path)
