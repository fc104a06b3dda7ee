"""The work behind `nightcull atlas`: a page of pictures of every fault at rising strength.

    write_atlas(Path("atlas.html"))

Every row is one rig, every column a strength: nothing put in, half-way to counting, just
counting, strong, extreme. Within a row only the strength changes: field, sky and the fault's own
random numbers stay. The strength under each picture is what its light really shows, by the same
code that labels training frames. The page needs no other file.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from classifier.errors import UsageError
from classifier.vocabulary import FAULTS, INDEX, KEYS, Fault, fault
from synth.atlas_panel import (
    close_up,
    data_uri,
    place_of_interest,
    verdict,
    white_balance,
    whole_frame,
)
from synth.atlas_rigs import SPECIMENS, clean_scene
from synth.generate import apply, render_scenes
from synth.recipes import RANGES
from synth.rng import seed_of
from synth.scene import Scene
from synth.strength import ABSENT, strengths

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Panel:
    """One frame of the atlas. shown: the strength in its light, NaN where noise would hide it
    from anybody."""

    is_clean: bool
    shown: float
    verdict: str
    frame: Image.Image
    close: Image.Image


def ladder(key: str) -> list[float]:
    """Four rising strengths: the last clean one, the first that counts, strong, extreme."""
    row = fault(key)
    low, high = RANGES[key]
    extreme = low if row.grows_downwards else high
    floor = _floor(row)
    steps = [row.clean_below - floor, row.counts_from - floor, extreme - floor]
    strong = float(np.sqrt(steps[1] * steps[2]))
    return [floor + step for step in (steps[0], steps[1], strong, steps[2])]


def _floor(row: Fault) -> float:
    """Strength of a frame without the fault: 1 for ratios, else 0."""
    return ABSENT.get(row.key, 0.0) if not row.grows_downwards else 0.0


# A recipe aims, the light decides: so many corrections bring it to within some percent.
_CORRECTIONS = 3


def draw_row(key: str, number: int, seed: int, width_px: int, height_px: int) -> list[Scene]:
    """The scenes of one row: clean, then the ladder; empty where the rig cannot have the fault."""
    clean = clean_scene(SPECIMENS[number], number, seed, width_px, height_px)
    if key == "bayer_grid" and clean.rig.camera.cfa is None:
        return []
    state = seed_of(seed, "atlas fault", key, number)

    def put_in(strength: float) -> Scene:
        return apply(clean, [key], np.random.default_rng(state), {key: strength})

    wanted = np.array(ladder(key))
    if key == "diffraction_spikes":
        # The field's own bright stars would show strong spikes from the first step on.
        extreme = put_in(wanted[-1])
        most_e = extreme.stars.flux_e.max() / extreme.strength[key]
        flux_e = np.minimum(clean.stars.flux_e, most_e)
        clean = replace(clean, stars=replace(clean.stars, flux_e=flux_e))
    floor = _floor(fault(key))
    asked = wanted.copy()
    for _ in range(_CORRECTIONS):
        shown = strengths([put_in(float(x)) for x in asked])[:, INDEX[key]]
        off = np.abs(shown / wanted - 1) > 0.02
        if not off.any():
            break
        # Where noise hides the fault, or the rig cannot show more of it, there is no telling.
        factor = np.clip((wanted - floor) / np.maximum(shown - floor, 1e-3), 0.3, 3.0)
        asked = np.where(off & np.isfinite(shown), floor + (asked - floor) * factor, asked)
    return [clean, *(put_in(float(x)) for x in asked)]


def render_row(
    key: str, number: int, seed: int, width_px: int, height_px: int, device: str = "cpu"
) -> list[Panel]:
    """The panels of one row."""
    scenes = draw_row(key, number, seed, width_px, height_px)
    if not scenes:
        return []
    # A clean frame is looked at where the strong one has its fault.
    places = [place_of_interest(scene, key) for scene in (scenes[3], *scenes[1:])]
    batch = render_scenes(scenes, seed, number, device)
    pixels, shown = batch.pixels.cpu().numpy(), batch.strength[:, INDEX[key]].tolist()
    cfa = scenes[0].rig.camera.cfa
    balance = white_balance(pixels[0], cfa)
    return [
        Panel(
            i == 0,
            shown[i],
            verdict(key, shown[i]),
            whole_frame(pixels[i], cfa, balance),
            close_up(pixels[i], *places[i]),
        )
        for i in range(len(scenes))
    ]


def write_atlas(
    out: Path,
    faults: Sequence[str] = KEYS,
    seed: int = 1,
    width_px: int = 960,
    height_px: int = 640,
    device: str = "cpu",
    picture: Path | None = None,
    progress: Progress = lambda *_: None,
) -> None:
    """Write the page to the new file `out`; `picture` also gets an overview as JPEG.

    UsageError for a file that is there already or a fault that does not exist.
    """
    _check(out, picture, faults)
    sections: list[dict[str, Any]] = []
    tiles: list[Image.Image] = []
    for k, key in enumerate(faults):
        rows = [
            render_row(key, number, seed, width_px, height_px, device)
            for number in range(len(SPECIMENS))
        ]
        sections.append(_section(fault(key), rows))
        tiles.append(_tile(key, [row for row in rows if row], k))
        progress(k + 1, len(faults), key)
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = Environment(
        loader=PackageLoader("synth", "."), autoescape=True, undefined=StrictUndefined
    )
    text = pages.get_template("atlas.html.j2").render(
        sections=sections, rigs=[s.title for s in SPECIMENS], seed=seed
    )
    out.write_text(text, encoding="utf-8")
    if picture is not None:
        overview(tiles, [fault(key).title for key in faults]).save(picture, "JPEG", quality=82)


def _check(out: Path, picture: Path | None, faults: Sequence[str]) -> None:
    for path in (out, picture):
        if path is not None and path.exists():
            raise UsageError(f"{path} exists already and is not written over; give a new name.")
    for key in faults:
        if key not in KEYS:
            raise UsageError(f"{key!r} is no fault of a sub; use {', '.join(KEYS)}.")
    if picture is not None and picture.suffix.lower() not in (".jpg", ".jpeg"):
        raise UsageError(f"The picture {picture.name} has to end in .jpg; give such a name.")


def _section(row: Fault, rows: list[list[Panel]]) -> dict[str, Any]:
    """What the page shows of one fault."""
    return {
        "key": row.key,
        "title": row.title,
        "what": row.what,
        "unit": row.unit,
        "counts_from": f"{row.counts_from:g}",
        "downwards": row.grows_downwards,
        "rows": [
            {"rig": SPECIMENS[i].title, "panels": [_panel(panel) for panel in panels]}
            for i, panels in enumerate(rows)
            if panels
        ],
    }


def _panel(panel: Panel) -> dict[str, Any]:
    return {
        "is_clean": panel.is_clean,
        "shown": f"{panel.shown:.3g}" if np.isfinite(panel.shown) else "",
        "verdict": panel.verdict,
        "frame": data_uri(panel.frame),
        "close": data_uri(panel.close),
    }


# Faults that a small picture shows only when they are extreme.
_THIN = ("trail", "reflection", "diffraction_spikes")


def _tile(key: str, rows: list[list[Panel]], turn: int) -> Image.Image:
    """A small sample of a fault: a strong one, whole frame with the close-up set into it."""
    panel = rows[(turn + 1) % min(3, len(rows))][4 if key in _THIN else 3]
    frame = panel.frame.convert("RGB").resize((240, 160))
    close = panel.close.convert("RGB").resize((72, 72), Image.Resampling.BOX)
    frame.paste(Image.new("RGB", (74, 74), (230, 227, 218)), (165, 85))
    frame.paste(close, (166, 86))
    return frame


def overview(tiles: list[Image.Image], titles: list[str]) -> Image.Image:
    """All faults in one picture, four in a row, each with its name below."""
    from PIL import ImageDraw, ImageFont

    columns = min(4, len(tiles))
    rows = -(-len(tiles) // columns)
    cell_x, cell_y = 248, 188
    sheet = Image.new("RGB", (columns * cell_x + 8, rows * cell_y + 8), (16, 19, 26))
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(14)
    for i, (tile, title) in enumerate(zip(tiles, titles, strict=True)):
        x, y = 8 + i % columns * cell_x, 8 + i // columns * cell_y
        sheet.paste(tile, (x, y))
        draw.text((x + 1, y + 162), title, fill=(230, 227, 218), font=font)
    return sheet


assert {row.key for row in FAULTS} == set(RANGES), "a fault of the atlas has no range"
