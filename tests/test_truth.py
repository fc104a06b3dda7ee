"""The table of outside checks: every number has its test, every test named exists."""

import re

import pytest

# How many checks each letter has in the table; E starts with the sensor's, 8 to 16 are stacking's.
NUMBERS = {
    "A": range(1, 11),
    "B": range(1, 12),
    "C": range(1, 18),
    "D": range(1, 13),
    "E": (5, 6, 7, 17, 18, 19, 20),
    "F": range(1, 18),
    "G": range(1, 8),
}


@pytest.fixture(scope="module")
def folder(root):
    return root / "tests" / "truth"


@pytest.fixture(scope="module")
def rows(folder) -> dict[str, str]:
    text = (folder / "README.md").read_text(encoding="utf-8")
    found = re.findall(r"^\| ([A-G]\d+) \| [^|]+ \| ([^|]+) \|$", text, flags=re.MULTILINE)
    assert len({name for name, _ in found}) == len(found), "a check stands there twice"
    return dict(found)


def test_every_check_is_in_the_table(rows):
    assert set(rows) == {f"{letter}{i}" for letter, many in NUMBERS.items() for i in many}


def test_every_test_named_exists(rows, folder, root):
    text = (folder / "README.md").read_text(encoding="utf-8")
    named = re.findall(r"(test_\w+): (test_\w+)", text)
    assert len(named) >= 80
    for module, function in named:
        source = (root / "tests" / f"{module}.py").read_text(encoding="utf-8")
        assert re.search(rf"^def {function}\(", source, flags=re.MULTILINE), (module, function)


def test_what_is_not_checked_says_why(rows):
    for name, where in rows.items():
        assert where.startswith("not here: ") or re.match(r"test_\w+: test_\w+", where), name
        assert len(where) > 20


def test_tables_name_their_source_and_are_used(folder, root):
    text = (folder / "README.md").read_text(encoding="utf-8")
    tables = sorted(path.name for path in folder.glob("*.csv"))
    assert sorted(set(re.findall(r"`(\w+\.csv)`", text))) == tables
    users = "".join(p.read_text(encoding="utf-8") for p in (root / "tests").glob("test_*.py"))
    for name in tables:
        head = (folder / name).read_text(encoding="utf-8").splitlines()[:2]
        assert all(line.startswith("#") for line in head), name
        assert f'"{name}"' in users, name
