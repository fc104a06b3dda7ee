"""Truth tables: those that rendering writes, those typed by hand, and what is wrong with some."""

import pytest

from classifier.errors import UsageError
from classifier.truth import Truth, read_truth
from classifier.vocabulary import KEYS
from synth.files import TRUTH_COLUMNS

NAMES = ["one/a.fits", "one/b.fits", "two/b.fits"]


def table(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "truth.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_table_typed_by_hand(tmp_path):
    path = table(tmp_path, "file,labels,unsure\na.fits,clean,\none/b.fits,trail Gradient,clouds\n")
    found = read_truth(path, NAMES)
    assert found.rows == {
        "one/a.fits": Truth(frozenset(), frozenset()),
        "one/b.fits": Truth(frozenset({"trail", "gradient"}), frozenset({"clouds"})),
    }
    assert found.notes == ("The truth of 1 labelled sub is not told: not scored.",)
    truth = found.rows["one/b.fits"]
    assert [truth.of(key) for key in ("trail", "clouds", "drift")] == [True, None, False]


def test_table_of_a_spreadsheet(tmp_path):
    """Semicolons, a byte-order mark, backslashes, and labels apart by commas."""
    text = 'file;labels\r\none\\a.fits;"trail, drift"\r\n;\r\n'
    found = read_truth(table(tmp_path, text, "utf-8-sig"), NAMES)
    assert found.rows["one/a.fits"].labels == {"trail", "drift"}


def test_what_is_no_star_field_is_scored_on_no_fault(tmp_path):
    """And bars stand between labels as well as commas do."""
    text = "file,labels,unfamiliar\na.fits,trail|drift,no\none/b.fits,,yes\n"
    found = read_truth(table(tmp_path, text), NAMES)
    assert found.rows["one/a.fits"] == Truth(frozenset({"trail", "drift"}), frozenset())
    assert found.rows["one/b.fits"].unfamiliar
    assert all(found.rows["one/b.fits"].of(key) is None for key in KEYS)


def test_table_beside_rendered_subs(tmp_path):
    """A strength left blank is not known; every other fault is there or is not."""
    strengths = ["" if key == "low_signal" else "1" for key in KEYS]
    row = ["b.fits", "0", "1", "2", "3", "trail", "trail", "clouds", "{}", *strengths]
    text = ",".join((*TRUTH_COLUMNS, *KEYS)) + "\n" + ",".join(row) + "\n"
    found = read_truth(table(tmp_path, text), ["b.fits"])
    assert found.rows["b.fits"] == Truth(frozenset({"trail"}), frozenset({"clouds", "low_signal"}))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name,labels\na.fits,\n", "no column `file`"),
        ("file,labels\na.fits,comet\n", "line 2: 'comet' is no fault"),
        ("file,labels\nb.fits,trail\n", "may be one/b.fits or two/b.fits"),
        ("file,labels\na.fits,\none/a.fits,\n", "line 3: 'one/a.fits' is there twice"),
        ("file,labels\nother.fits,\n", "about none of the labelled subs"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, text, told):
    with pytest.raises(UsageError, match=told):
        read_truth(table(tmp_path, text), NAMES)


def test_no_file(tmp_path):
    with pytest.raises(UsageError, match="There is no truth table"):
        read_truth(tmp_path / "none.csv", NAMES)
    with pytest.raises(UsageError, match="no CSV file in UTF-8"):
        read_truth(table(tmp_path, "file,labels\nä,\n", "latin-1"), NAMES)
