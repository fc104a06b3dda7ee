"""The shipped model on pictures that packages of the registry carry: none is a rendering of ours.

A practised eye's verdicts: what is no light sub of a star field (a cat, the Moon, a retina, a page,
a finished picture of the sky) is for the user to look at, never kept and never dropped; a star
field without a spoiling fault is not dropped.

| package | its files here | what they are |
|---|---|---|
| scikit-image | `data/*`, listed below | photographs, drawings, the Hubble Deep Field as JPEG |
| scikit-learn | `datasets/images/*.jpg` | two photographs |
| matplotlib | `mpl-data/sample_data/grace_hopper.jpg` | a portrait |
| galsim | `share/acs_I_unrot_sci_20_cf.fits` | one star of a space telescope, 81 px |
| astropy | `m13.fits` among the tests of compression | scanned plate of the cluster M 13 |
| ccdproc | `tests/data/a8280271.fits` | a raw sub, 150 s, two bright stars and overscan |
| sep | `data/image.fits` of its source archive | stacked field of stars and galaxies |

The last two come from the installed package, or from the copies beside the repository.
"""

import importlib.util
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest

from classifier.examine import examine
from classifier.label import judge_night
from classifier.vocabulary import FAULTS, Effect
from classifier.weights import load_model

SPOILS = {str(f.key) for f in FAULTS if f.effect is Effect.SPOILS}
PHOTOGRAPHS = {
    "skimage": (
        "data/chelsea.png",
        "data/astronaut.png",
        "data/camera.png",
        "data/coffee.png",
        "data/motorcycle_left.png",
        "data/rocket.jpg",
        "data/clock_motion.png",
    ),
    "sklearn": ("datasets/images/china.jpg", "datasets/images/flower.jpg"),
    "matplotlib": ("mpl-data/sample_data/grace_hopper.jpg",),
}
OTHERS = {
    "skimage": (
        "data/hubble_deep_field.jpg",
        "data/moon.png",
        "data/retina.jpg",
        "data/phantom.png",
        "data/page.png",
        "data/grass.png",
    ),
    "galsim": ("share/acs_I_unrot_sci_20_cf.fits",),
}
MORE = {
    "skimage": (
        "data/microaneurysms.png",
        "data/cell.png",
        "data/ihc.png",
        "data/coins.png",
        "data/brick.png",
        "data/gravel.png",
        "data/text.png",
        "data/horse.png",
    ),
}
# What the present model keeps, each with what it says of it.
MISSED: dict[str, str] = {}


def listed(*tables: dict[str, tuple[str, ...]]) -> list:
    return [
        pytest.param(
            package,
            name,
            id=Path(name).name,
            marks=pytest.mark.xfail(strict=True, reason=MISSED[name]) if name in MISSED else (),
        )
        for table in tables
        for package, names in table.items()
        for name in names
    ]


def carried(package: str, name: str) -> Path:
    """A file of an installed package, found without importing it; skips where it is not there."""
    spec = importlib.util.find_spec(package)
    path = Path(str(spec.origin)).parent / name if spec else None
    if path is None or not path.is_file():
        pytest.skip(f"no {name} in an installed {package}")
    return path


@pytest.fixture(scope="module")
def judged():
    """A function: path -> the frame judged by itself."""
    model = load_model()

    @lru_cache
    def judge(path: Path):
        (frame,) = judge_night([examine(path, path.name, None, model)], model).frames
        return frame

    return judge


def _is_for_the_user(frame) -> None:
    assert frame.verdict == "look", (frame.faults, frame.unfamiliar, frame.why)
    assert frame.why.endswith(".") or frame.error


@pytest.mark.parametrize(("package", "name"), listed(PHOTOGRAPHS, OTHERS))
def test_what_is_no_sub_is_for_the_user_to_look_at(package, name, judged):
    _is_for_the_user(judged(carried(package, name)))


@pytest.mark.slow
@pytest.mark.parametrize(("package", "name"), listed(MORE))
def test_more_that_is_no_sub_is_for_the_user_to_look_at(package, name, judged):
    _is_for_the_user(judged(carried(package, name)))


def test_most_photographs_are_called_unlike_the_sky(judged):
    # The other reasons to look may fail on the next photograph; this one is meant for them.
    paths = [carried(package, name) for package, names in PHOTOGRAPHS.items() for name in names]
    threshold = load_model().config["unfamiliar_threshold"]
    called = [(judged(path).unfamiliar or 0.0) >= threshold for path in paths]
    assert sum(called) >= 0.7 * len(called), dict(zip([p.name for p in paths], called, strict=True))


@pytest.fixture
def raw_sub(request) -> Path:
    """ccdproc's frame: of the installed package, or the same file beside the repository."""
    try:
        path = Path(str(distribution("ccdproc").locate_file("ccdproc/tests/data/a8280271.fits")))
    except PackageNotFoundError:
        path = Path()
    if path.is_file():
        return path
    return Path(request.getfixturevalue("real_frames")) / "astropy+ccdproc" / "a8280271.fits"


def _is_good(frame) -> None:
    assert frame.error is None
    assert frame.verdict in ("keep", "look"), (frame.faults, frame.why)
    assert not SPOILS & set(frame.faults), (frame.faults, frame.confidence)


def test_plate_of_a_globular_cluster_is_a_star_field(judged):
    folder = "io/fits/hdu/compressed/tests/data"
    frame = judged(carried("astropy", f"{folder}/m13.fits"))
    _is_good(frame)
    # Crowded to the core, and still hundreds of stars to an eye.
    assert frame.numbers["star_count"] > 100


def test_raw_sub_of_ccdproc_is_kept(judged, raw_sub):
    frame = judged(raw_sub)
    _is_good(frame)
    assert frame.verdict == "keep", (frame.faults, frame.unfamiliar, frame.why)


def test_stacked_field_of_sep_is_kept(judged, real_frames):
    frame = judged(real_frames / "kbarbary+sep" / "image.fits")
    _is_good(frame)
    assert frame.verdict == "keep", (frame.faults, frame.unfamiliar, frame.why)
    assert frame.unfamiliar < 0.5
