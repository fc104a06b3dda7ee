"""The repository itself: what is tracked, how long files are, what no file may mention."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    ".ci",
    ".gitignore",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "classifier",
    "models",
    "pyproject.toml",
    "synth",
    "tests",
    "training",
}
MAX_LINES = 400  # the aim is 300; beyond 400 a file holds more than one thing
MAX_BYTES = 16 * 2**20  # the weights of one model; nothing else comes near

# One letter of each word stands in brackets so that this file does not match itself.
FORBIDDEN = {
    "a path of one machine": r"(?<![\w.~/])/(?:wor[k]|hom[e]|roo[t]|tm[p]|op[t]|User[s]|mn[t])/\w",
    "a path of one Windows machine": r"\b[A-Z]:\\+User[s]\\",
    "a package index": r"inde[x]-url|find-link[s]|trusted-hos[t]|pythonhoste[d]|\bpyp[i]\.",
    "a private key": r"BEGIN [A-Z ]*PRIVATE KE[Y]",
    "an unresolved merge": r"^(?:<{7}|>{7}) ",
}


def tracked() -> list[Path]:
    """All files under version control, relative to the root."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a clone: no list of tracked files")
    command = ["git", "ls-files", "-z", "--cached"]
    names = subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout
    return [Path(n) for n in names.decode("utf-8").split("\0") if n and (ROOT / n).is_file()]


def is_binary(path: Path) -> bool:
    return path.suffix in {".safetensors", ".png", ".jpg"}


def text_of(path: Path) -> str:
    return (ROOT / path).read_bytes().decode("utf-8")  # bytes: line ends must stay as they are


def test_top_level_is_fixed():
    assert {path.parts[0] for path in tracked()} == TOP_LEVEL


def test_tracked_files_are_text_weights_or_pictures():
    for path in tracked():
        if is_binary(path):
            continue
        text = text_of(path)  # raises on anything that is not UTF-8
        assert "\0" not in text, path
        assert "\r" not in text, f"{path} has line ends of another system"
        assert text == "" or text.endswith("\n"), f"{path} lacks a line end at its end"


def test_no_large_files():
    sizes = {str(path): (ROOT / path).stat().st_size for path in tracked()}
    assert {name: size for name, size in sizes.items() if size > MAX_BYTES} == {}


def test_source_files_are_short():
    lines = {str(p): text_of(p).count("\n") for p in tracked() if p.suffix == ".py"}
    assert lines, "no source file is tracked"
    assert {name: count for name, count in lines.items() if count > MAX_LINES} == {}


@pytest.mark.parametrize("what", FORBIDDEN)
def test_no_file_mentions(what):
    pattern = re.compile(FORBIDDEN[what], flags=re.MULTILINE)
    hits = [
        f"{path}: {match.group()!r}"
        for path in tracked()
        if not is_binary(path)
        for match in pattern.finditer(text_of(path))
    ]
    assert hits == []


def test_the_patterns_find_what_they_are_for():
    for what, example in {
        "a path of one machine": "open('/" + "home/me/x')",
        "a path of one Windows machine": "C:\\" + "Users\\me",
        "a package index": "--index" + "-url x",
        "a private key": "-----BEGIN RSA PRIVATE " + "KEY-----",
        "an unresolved merge": "<" * 7 + " HEAD",
    }.items():
        assert re.search(FORBIDDEN[what], example, flags=re.MULTILINE), what
    for fine in ("~/astro/m31", "../shared/real", "https://www.w3.org/TR/", "a/work/b"):
        assert not re.search(FORBIDDEN["a path of one machine"], fine)


def test_no_catch_all_modules():
    """A file is named after the one noun in it; a drawer for odds and ends only ever grows."""
    stems = {path.stem for path in tracked() if path.suffix == ".py"}
    assert not stems & {"utils", "util", "helpers", "common", "misc"}
