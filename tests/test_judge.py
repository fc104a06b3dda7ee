"""What `nightcull evaluate` is asked, what it writes, and what of it goes into a model's folder."""

import json
import math

import pytest
from small_model import MADE, fitted, small_network
from test_evaluate import answers_of
from test_evaluation_page import figures  # noqa: F401 - a fixture
from typer.testing import CliRunner

from classifier.cli import app
from classifier.errors import UsageError
from classifier.vocabulary import KEYS
from classifier.weights import load_model
from training.card import card_text
from training.evaluate import figures_text, read_figures, write_figures
from training.export import write_model
from training.figures import figures_of
from training.judge import Wanted, judge, own_figures, record


@pytest.fixture
def model(tmp_path):
    """A small model with its figures and its card, as a training leaves it."""
    folder = tmp_path / "models" / "small"
    write_model(folder, small_network(), fitted(), 0.9, MADE)
    made = load_model(folder)
    write_figures(figures_of(made, answers_of(), 1), folder / "evaluation.json")
    return made


def test_real_frames_and_their_truth_go_together(tmp_path):
    for given in ({"real": tmp_path}, {"truth": tmp_path / "truth.csv"}):
        with pytest.raises(UsageError, match="go together"):
            Wanted(**given)


def test_a_former_model_needs_rendered_frames():
    with pytest.raises(UsageError, match="--beside"):
        Wanted(frames=0, former="third-light")
    assert Wanted(former="third-light").frames is None


def test_nothing_is_written_over(tmp_path):
    there = tmp_path / "figures.json"
    there.write_text("{}", encoding="utf-8")
    with pytest.raises(UsageError, match="not written over"):
        Wanted(out=there)
    there.rename(tmp_path / "figures.html")
    with pytest.raises(UsageError, match=r"figures\.html exists"):
        Wanted(out=there)
    assert Wanted(out=there, page=tmp_path / "other.html").page_path == tmp_path / "other.html"


def test_no_frames_take_the_models_own_figures(model, tmp_path):
    out = tmp_path / "figures.json"
    found = judge(model.folder, Wanted(frames=0, out=out))
    assert found["frames"] == 400
    own = (model.folder / "evaluation.json").read_text(encoding="utf-8")
    assert out.read_text(encoding="utf-8") == own
    assert "Evaluation of small" in (tmp_path / "figures.html").read_text(encoding="utf-8")


def test_what_was_done_is_there_when_a_later_part_fails(model, tmp_path):
    out = tmp_path / "figures.json"
    with pytest.raises(UsageError, match="no good frame"):
        judge(model.folder, Wanted(frames=0, grafts=tmp_path, out=out))
    assert read_figures(out)["frames"] == 400


def test_figures_of_other_weights_are_refused(model):
    path = model.folder / "evaluation.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    write_figures(content | {"weights_sha256": "0" * 64}, path)
    with pytest.raises(UsageError, match="other weights"):
        own_figures(model)
    path.unlink()
    with pytest.raises(UsageError, match="no figures of its own"):
        own_figures(model)


def test_a_card_is_written_from_the_file_and_names_nobodys_files(model, figures):  # noqa: F811
    found = own_figures(model) | {name: figures[name] for name in ("grafted", "real")}
    card = record(model, found)
    written = read_figures(model.folder / "evaluation.json")
    text = card.read_text(encoding="utf-8")
    assert text == card_text(model.config, written)
    assert "## Rendered, grafted and real frames" in text
    assert "| | rendered | grafted | real |" in text
    assert "trail.fits" not in (model.folder / "evaluation.json").read_text(encoding="utf-8")
    assert not {"notes", "judged_wrong"} & set(written["real"])
    assert found["real"]["judged_wrong"], "the figures themselves keep the names"
    macro = written["grafted"]["overview"]["macro_average_precision"]
    assert f"{macro['value']:.2f} ({macro['low']:.2f} to {macro['high']:.2f})" in text


def test_what_was_not_judged_anew_stays(model, figures):  # noqa: F811
    record(model, own_figures(model) | {"grafted": figures["grafted"]})
    record(model, figures_of(model, answers_of(240), 1) | {"real": figures["real"]})
    written = read_figures(model.folder / "evaluation.json")
    assert written["frames"] == 240
    assert written["grafted"]["frames"] == 160
    assert written["real"]["frames"] == figures["real"]["frames"]


def test_card_tells_the_strengths_and_is_silent_where_older_figures_have_none(model):
    own = own_figures(model)
    text = card_text(model.config, own)
    row = own["faults"]["trail"]["sensitivity"]
    # A model that is always right finds every trail, so the strengths lie below the weakest.
    assert row["strength_50"]["reached"] == "always"
    told = "| trail | sigma over its length | 8 | below the weakest | below the weakest |"
    assert told in text
    for fault in own["faults"].values():
        del fault["sensitivity"]
    older = card_text(model.config, own)
    assert "Strength at which" not in older
    assert all(f"| {key} |" in older for key in KEYS)


def test_unknown_figures_come_back_as_nan(tmp_path):
    path = tmp_path / "figures.json"
    path.write_text(figures_text({"a": [1.0, math.nan], "b": "no null here"}), encoding="utf-8")
    back = read_figures(path)
    assert back["a"][0] == 1 and math.isnan(back["a"][1])
    assert back["b"] == "no null here"


def test_command_writes_figures_page_and_card(model, tmp_path):
    out = tmp_path / "figures.json"
    words = ["evaluate", "--model", str(model.folder), "--frames", "0", "--out", str(out), "--card"]
    run = CliRunner().invoke(app, words, env={"COLUMNS": "160"})
    assert run.exit_code == 0, run.output
    assert "macro average precision" in run.output
    assert "trail" in run.output
    assert (tmp_path / "figures.html").is_file()
    assert (model.folder / "card.md").is_file()
    again = CliRunner().invoke(app, words)
    assert isinstance(again.exception, UsageError)
