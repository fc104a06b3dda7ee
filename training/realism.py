"""How far rendered clean frames are from real ones: their statistics compared, and a classifier
that tries to tell them apart.

For every real frame a run of clean frames of its size is rendered, whose files tell no more facts
than the real one's does; windows of the real frame stand against them. Judged are plain
statistics one by one, and, cross-validated with whole groups of frames held out, classifiers on the
statistics, on the numbers of the views, on a network's features, and on what each of its branches
says, which tells the view that gives rendered frames away: an area under the curve of
0.5 means that nothing tells rendered from real, 1 that everything does. The linear and the forest
learn what real frames are like from the other real groups, and with a handful of rigs they learn
those rigs: areas under 0.5 then say that a new rig is unlike them. `outlying` knows rendered frames
only and asks how far out a frame lies, which needs no real frame to learn from.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from sklearn.covariance import LedoitWolf
from sklearn.ensemble import RandomForestClassifier
from sklearn.impute import SimpleImputer
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import StratifiedGroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from classifier.network import BRANCHES, LINES
from classifier.sheet import SHAPE_FACTS
from classifier.views import PHYSICAL, Views, make_views
from classifier.weights import Model, load_model
from synth.generate import render_batch
from synth.rng import seed_of, stream
from training.evaluate import write_figures
from training.frame_statistics import STATISTICS, statistics
from training.good_frames import GoodFrame, good_frames
from training.grafts import turned_windows
from training.metrics import bootstrap_interval

SCHEMA = "nightcull/realism-1"
FOLDS = 5
KINDS = ("outlying", "linear", "forest")
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Set:
    """N frames in numbers: statistics (N, S), facts (N, F) of the views, features (N, D), the group
    of each (N,), and what each of the network's branches says of them, (N, its length)."""

    statistics: Array
    facts: Array
    features: Array
    group: NDArray[np.str_]
    branches: tuple[Array, ...]

    @staticmethod
    def cat(parts: list["Set"]) -> "Set":
        return Set(
            np.concatenate([p.statistics for p in parts]),
            np.concatenate([p.facts for p in parts]),
            np.concatenate([p.features for p in parts]),
            np.concatenate([p.group for p in parts]),
            tuple(np.concatenate(each) for each in zip(*(p.branches for p in parts), strict=True)),
        )

    @property
    def views(self) -> dict[str, Array]:
        """What classifiers are given, by name."""
        names = (*BRANCHES, LINES)[: len(self.branches)]
        return {
            "statistics": self.statistics,
            "facts": self.facts,
            "features": self.features,
            **{f"branch {name}": told for name, told in zip(names, self.branches, strict=True)},
        }


def realism(
    folder: str | Path,
    model: str | Path | None = None,
    seed: int = 1,
    windows: int = 4,
    renderings: int = 2,
    out: str | Path | None = None,
    say: Callable[[str], None] = lambda line: None,
) -> dict[str, Any]:
    """Compare rendered clean frames with the real good frames of a folder.

    model: whose features are judged, None = the default one. windows: windows taken of each real
    frame. renderings: runs of as many frames rendered for each. out: JSON file for the figures.
    say: told of progress.
    Returns the figures. Raises UsageError and ModelError.
    """
    loaded = load_model(model)
    frames, notes = good_frames(Path(folder))
    real, rendered = [], []
    for number, frame in enumerate(frames):
        rng = stream(seed, "realism", number)
        pixels = [w.pixels for w in turned_windows(frame, rng, windows)]
        real.append(_set(np.stack(pixels), frame.physical.repeat(windows, 1), frame.group, loaded))
        for run in range(number * renderings, (number + 1) * renderings):
            rendered.append(_rendered(frame, pixels[0].shape, seed, run, windows, loaded))
        say(f"{number + 1} of {len(frames)} frames")
    figures = compare(Set.cat(real), Set.cat(rendered), seed)
    figures |= {"model": loaded.name, "sources": len(frames), "notes": notes}
    if out is not None:
        write_figures(figures, Path(out))
    return figures


def _rendered(
    frame: GoodFrame, shape: tuple[int, ...], seed: int, run: int, count: int, model: Model
) -> Set:
    """Clean rendered frames of the same size, with the facts that the real file lacks forgotten."""
    height, width = (n - n % 2 for n in shape)
    batch = render_batch(
        seed_of(seed, "realism"),
        run,
        count,
        width,
        height,
        faults=(),
        cfa=frame.bayer is not None,
    )
    physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
    physical = torch.where(frame.physical.isnan(), torch.nan, physical)
    return _set(batch.pixels.numpy(), physical, f"rendered {run}", model)


def _set(pixels: np.ndarray, physical: torch.Tensor, group: str, model: Model) -> Set:
    with torch.inference_mode():
        lines = model.network.config.lines
        views = make_views(torch.from_numpy(np.ascontiguousarray(pixels)), physical, lines=lines)
        told = model.network.told(views)
        features = model.network.join(told).double().numpy()
    widths = _fwhm_px(views)
    mosaic = [bool(flag > 0.5) for flag in physical[:, PHYSICAL.index("is_cfa")]]
    rows = [statistics(p, m, w) for p, m, w in zip(pixels, mosaic, widths, strict=True)]
    facts = views.facts.double().numpy()
    branches = tuple(part.double().numpy() for part in told)
    return Set(np.stack(rows), facts, features, np.array([group] * len(pixels)), branches)


def _fwhm_px(views: Views) -> list[float]:
    column = SHAPE_FACTS.index("log_fwhm_px")
    return [float(np.clip(np.exp(float(v)), 1.2, 20.0)) for v in views.facts[:, column]]


def compare(real: Set, rendered: Set, seed: int, **effort: int) -> dict[str, Any]:
    """Figures on two sets of frames: see the module. Intervals resample groups. effort: as in
    `told_apart`."""
    return {
        "schema": SCHEMA,
        "real_frames": len(real.group),
        "real_groups": len(np.unique(real.group)),
        "rendered_frames": len(rendered.group),
        "statistics": {
            name: one_number(real.statistics[:, i], rendered.statistics[:, i])
            for i, name in enumerate(STATISTICS)
        },
        "classifiers": {
            name: told_apart(
                values,
                rendered.views[name],
                real.group,
                rendered.group,
                seed,
                # Which branch tells is said by the quickest that looks for a difference.
                ("linear",) if name.startswith("branch") else KINDS,
                **effort,
            )
            for name, values in real.views.items()
        },
    }


def one_number(real: Array, rendered: Array) -> dict[str, float]:
    """Medians and outer sixths of both, and the share of pairs in which the rendered is larger."""
    real, rendered = real[np.isfinite(real)], rendered[np.isfinite(rendered)]
    if len(real) == 0 or len(rendered) == 0:
        return dict.fromkeys(("real", "rendered", "rendered_is_larger"), float("nan"))
    pairs = rendered[:, None] - real[None]
    values = {"rendered_is_larger": float((pairs > 0).mean() + 0.5 * (pairs == 0).mean())}
    for name, part in (("real", real), ("rendered", rendered)):
        low, middle, high = np.quantile(part, [0.16, 0.5, 0.84])
        values |= {name: float(middle), f"{name}_low": float(low), f"{name}_high": float(high)}
    return values


def told_apart(
    real: Array,
    rendered: Array,
    real_group: NDArray[np.str_],
    rendered_group: NDArray[np.str_],
    seed: int,
    which: Sequence[str] = KINDS,
    trees: int = 200,
    repeats: int = 3,
) -> dict[str, dict[str, float]]:
    """Area under the ROC curve of some of three classifiers, on frames of groups they were not
    fitted on; their answers are means over `repeats` divisions into folds."""
    values = np.concatenate((real, rendered))
    truth = np.repeat([0, 1], [len(real), len(rendered)])
    group = np.concatenate((real_group, rendered_group))
    kinds: dict[str, Callable[[], Any]] = {
        "outlying": Outlying,
        "linear": lambda: make_pipeline(
            SimpleImputer(strategy="median", keep_empty_features=True),
            StandardScaler(),
            LogisticRegression(C=0.05, max_iter=2000),
        ),
        "forest": lambda: make_pipeline(
            SimpleImputer(strategy="median", keep_empty_features=True),
            RandomForestClassifier(trees, min_samples_leaf=2, random_state=seed % 2**31),
        ),
    }
    return {name: _area(kinds[name], values, truth, group, seed, repeats) for name in which}


class Outlying:
    """Rendered frames as one cloud, shrunk as Ledoit & Wolf do (2004, J. Multivar. Anal. 88, 365);
    a frame is the more likely rendered the nearer it lies."""

    def fit(self, values: Array, truth: NDArray[np.int_]) -> "Outlying":
        rendered = values[truth == 1]
        self._ready = make_pipeline(
            SimpleImputer(strategy="median", keep_empty_features=True), StandardScaler()
        )
        self._cloud = LedoitWolf().fit(self._ready.fit_transform(rendered))
        return self

    def predict_proba(self, values: Array) -> Array:
        away = np.log(self._cloud.mahalanobis(self._ready.transform(values)) + 1e-9)
        rendered = 1 / (1 + np.exp(away - np.log(values.shape[1])))
        return np.stack((1 - rendered, rendered), 1)


def _area(
    make: Callable[[], Any],
    values: Array,
    truth: Array,
    group: NDArray[np.str_],
    seed: int,
    repeats: int,
) -> dict[str, float]:
    """Out-of-fold area with its interval over groups."""
    scores = np.zeros(len(truth))
    for repeat in range(repeats):
        folds = StratifiedGroupKFold(FOLDS, shuffle=True, random_state=(seed + repeat) % 2**31)
        for fit, held in folds.split(values, truth, group):
            classifier = make().fit(values[fit], truth[fit])
            scores[held] += classifier.predict_proba(values[held])[:, 1] / repeats

    def area(rows: NDArray[np.intp]) -> float:
        both = len(np.unique(truth[rows])) == 2
        return float(roc_auc_score(truth[rows], scores[rows])) if both else float("nan")

    low, high = bootstrap_interval(area, group, np.random.default_rng(seed))
    return {"auc": area(np.arange(len(truth))), "low": low, "high": high}


def lines(figures: dict[str, Any]) -> list[str]:
    """The figures for people, in a few lines."""
    told = [
        f"{figures['real_frames']} windows of {figures['sources']} real frames in "
        f"{figures['real_groups']} groups against {figures['rendered_frames']} rendered clean ones",
        f"{'':34}{'real':>9}{'rendered':>10}   rendered larger in",
    ]
    for name, row in figures["statistics"].items():
        told.append(
            f"{name:34}{row['real']:9.3f}{row['rendered']:10.3f}"
            f"{100 * row['rendered_is_larger']:10.0f} % of pairs"
        )
    for name, kinds in figures["classifiers"].items():
        for kind, row in kinds.items():
            told.append(
                f"told apart by {name}, {kind}: AUC {row['auc']:.2f} "
                f"({row['low']:.2f} to {row['high']:.2f})"
            )
    return told
