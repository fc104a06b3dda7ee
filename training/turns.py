"""Turned and mirrored views: what the same frame would have given with the camera turned.

A sky has no up, so a frame mirrored or turned by right angles keeps all its labels. Rendering
is dear and turning is nearly free: every use of a rendered frame sees another of the 8 turns.
Pictures, star places and the direction-bearing numbers turn together.
"""

from dataclasses import replace

import torch
from torch import Tensor

from classifier.context import CONTEXT
from classifier.sheet import SHAPE_FACTS
from classifier.views import Views

TURNS = 8
# The fixed tiles lie at (x, y) = (.25, .25), (.75, .25), (.25, .75), (.75, .75).
_TILES_X, _TILES_Y, _TILES_SWAP = (1, 0, 3, 2, 4, 5), (2, 3, 0, 1, 4, 5), (0, 2, 1, 3, 4, 5)


def turn(views: Views, context: Tensor, which: int) -> tuple[Views, Tensor]:
    """Views and run context (B, len(CONTEXT)) as the turn `which`, 0 (none) to 7, gives them.

    Bit 0 mirrors left to right, bit 1 top to bottom, bit 2 swaps x and y. Where the stars were
    found (`stars_px`, `line_px`) is not turned: the network does not see it. The light along lines
    (`lines`) is told by numbers that know no direction.
    """
    views, context = views[:], context.clone()
    if which & 1:
        views, context = _mirror(views, context, 3, 0, _TILES_X)
    if which & 2:
        views, context = _mirror(views, context, 2, 1, _TILES_Y)
    if which & 4:
        views, context = _swap(views, context)
    return views, context


def turned_map(maps: Tensor, which: int) -> Tensor:
    """Maps (B, n, side, side) of the whole frame as the turn `which` gives them."""
    if which & 1:
        maps = maps.flip(3)
    if which & 2:
        maps = maps.flip(2)
    return maps.transpose(2, 3) if which & 4 else maps


def _mirror(
    views: Views, context: Tensor, dim: int, axis: int, tiles: tuple[int, ...]
) -> tuple[Views, Tensor]:
    place = views.sheet_facts.clone()
    place[..., axis] = -place[..., axis]
    stack = _about_star(views.stack, dim)
    # The third picture has its stars turned to the frame's centre: a mirror flips it across
    # that direction, whichever way the frame is mirrored.
    stack[:, 2] = _about_star(views.stack[:, 2:3], 2)[:, 0]
    return (
        replace(
            views,
            sky=views.sky.flip(dim),
            sheet=_about_star(views.sheet, dim),
            sheet_facts=place,
            stack=stack,
            bright=_about_star(views.bright, dim),
            tiles=views.tiles[:, list(tiles)].flip(dim),
            facts=_negated(views.facts, SHAPE_FACTS, "stretch_sin"),
        ),
        _negated(context, CONTEXT, "stretch_sin"),
    )


def _swap(views: Views, context: Tensor) -> tuple[Views, Tensor]:
    place = views.sheet_facts[..., [1, 0, *range(2, views.sheet_facts.shape[-1])]]
    stack = views.stack.transpose(2, 3).clone()
    stack[:, 2] = _about_star(views.stack[:, 2:3], 2)[:, 0]
    facts = _negated(views.facts, SHAPE_FACTS, "stretch_cos")
    wide, high = SHAPE_FACTS.index("log_width_px"), SHAPE_FACTS.index("log_height_px")
    facts[:, [wide, high]] = facts[:, [high, wide]]
    return (
        replace(
            views,
            sky=views.sky.transpose(2, 3),
            sheet=views.sheet.transpose(2, 3),
            sheet_facts=place,
            stack=stack,
            bright=views.bright.transpose(2, 3),
            tiles=views.tiles[:, list(_TILES_SWAP)].transpose(2, 3),
            facts=facts,
        ),
        _negated(context, CONTEXT, "stretch_cos"),
    )


def _about_star(pictures: Tensor, dim: int) -> Tensor:
    """Mirror cut-outs about pixel side // 2, where the star sits, not about their edges."""
    return torch.roll(pictures.flip(dim), 1, dim)


def _negated(numbers: Tensor, names: tuple[str, ...], part: str) -> Tensor:
    numbers = numbers.clone()
    columns = [index for index, name in enumerate(names) if name.startswith(part)]
    numbers[:, columns] = -numbers[:, columns]
    return numbers
