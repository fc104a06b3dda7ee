"""Star sheets without frames: contact sheets read by the code that reads frames.

`classifier.sheet` finds, cuts, scales and stacks the stars of a contact sheet as it does those of
a frame; only where a star lies in its frame is told by the contact sheet.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.sheet import SHAPE_FACTS, cut_sheet
from classifier.surface import Surface, read_surface
from classifier.sweeps import halved
from synth.contact_sheet import COLUMNS, ROWS, ContactSheets
from synth.rng import torch_stream
from synth.sheet_plan import SheetPlan
from synth.star_sheets import SheetRenderer
from synth.strength import settle

# Shape facts that cut-outs alone give; the others describe a whole frame.
STAR_FACTS = SHAPE_FACTS[:2] + SHAPE_FACTS[3:13]
SNR = 2  # the column of a star's facts that holds log1p(S/N) / 3
RIM_PX = 8  # rows of a tile that lie well away from its star


@dataclass(frozen=True)
class Sheets:
    """What the network's star branch takes, for B frames, in the order of their plan.

    cutouts (B, 64, 32, 32), facts (B, 64, 5), stack (B, 4, 32, 32): as `classifier.sheet.Sheet`
    has them. shape (B, 12): STAR_FACTS. strength (B, 16) in the vocabulary's units, NaN = left
    out; for all but star faults it tells nothing about the cut-outs.
    """

    cutouts: Tensor
    facts: Tensor
    stack: Tensor
    shape: Tensor
    strength: Tensor

    def __len__(self) -> int:
        return len(self.cutouts)

    def rows(self, rows: Tensor) -> "Sheets":
        return Sheets(**{name: tensor[rows] for name, tensor in vars(self).items()})


def render_sheets(
    plan: SheetPlan,
    seed: int,
    index: int,
    device: torch.device | str = "cpu",
    told_share: float = 0.6,
    times: int = 1,
) -> Iterator[Sheets]:
    """Planned scenes -> Sheets, `times` times. `seed` and `index` fix the noise.

    told_share: share of the frames whose files tell the level at which they saturate. From the
    second time on the same frames' stars lie at other places.
    """
    renderer = SheetRenderer(plan, device)
    generator = torch_stream(device, seed, "contact", index)
    strength = torch.from_numpy(settle(plan.truth, str(device))).float().to(device)
    for turn in range(times):
        contacts = renderer.contacts(generator, anew=turn > 0)
        parts = [read_contact(contact, told_share) for contact in contacts]
        order = torch.cat([contact.rows for contact in contacts]).argsort()
        cutouts, facts, stack, shape = (
            torch.cat(column)[order] for column in zip(*parts, strict=True)
        )
        yield Sheets(cutouts, facts, stack, shape, strength)


def read_contact(contact: ContactSheets, told_share: float = 1.0) -> tuple[Tensor, ...]:
    """Cut-outs, facts, stack and star facts of a contact sheet, as `Sheets` has them."""
    numbers = contact.numbers
    is_cfa = numbers["is_cfa"] > 0.5
    surface = _surface(contact, is_cfa)
    saturation = numbers["saturation_adu"]
    # Which frames tell it is spread evenly over the batch: no draw is needed.
    told = torch.frac(contact.rows * 0.6180339887) < told_share
    saturation = torch.where(told, saturation, torch.nan)
    sheet = cut_sheet(contact.pixels, surface, is_cfa, saturation, home=contact.home)
    snr = torch.expm1(3 * sheet.facts[..., SNR]) * crowding(surface.excess, contact)[:, None]
    facts = sheet.facts.clone()
    facts[..., SNR] = torch.log1p(snr) / 3
    shape = torch.cat((sheet.shape[:, :2], sheet.shape[:, 3:13]), 1)
    return sheet.cutouts, facts, sheet.stack, shape


def _surface(contact: ContactSheets, is_cfa: Tensor) -> Surface:
    """The frames' sky as the tiles' rims show it: even, and free of the tiles' own stars."""
    pixels, side = contact.pixels, contact.tile_px
    tiles = pixels.view(len(pixels), ROWS, side, pixels.shape[2])
    rims = tiles[:, :, :RIM_PX].reshape(len(pixels), ROWS * RIM_PX, -1)
    sky = read_surface(rims, is_cfa, contact.numbers["offset_adu"])
    half = F.avg_pool2d(rims[:, None], 2)[:, 0].flatten(1)
    middle = half.median(1, keepdim=True).values
    # The mean of the even part: a median can lie half a step off where steps are coarse.
    even = ((half - middle).abs() < 3 * sky.half_noise[:, None]).float()
    level = middle[:, 0] + ((half - middle) * even).sum(1) / even.sum(1).clamp_min(1)
    excess = F.avg_pool2d(pixels[:, None], 2)[:, 0] - level[:, None, None]
    return replace(sky, excess=excess, quarter=halved(excess))


def crowding(excess: Tensor, contact: ContactSheets) -> Tensor:
    """(b,) noise of a contact sheet over that of the frame it stands for.

    A contact sheet has a bright star in every tile, so its noise is read a little high: the rest
    of the frame is like the tiles' rims. excess: (b, h, w) of its Surface.
    """
    smooth = F.avg_pool2d(excess[:, None], 3, 1, 1)[:, 0]
    response = 0.5 * (excess + smooth)
    side = contact.tile_px // 2
    tiles = response.view(len(response), ROWS, side, COLUMNS, side)
    rims = tiles[:, :, 1 : RIM_PX // 2].flatten(1)
    everything = response[:, :: max(1, side // 12)].flatten(1)
    here, rest = (each.abs().median(1).values for each in (everything, rims))
    height, width = contact.size_px
    share = min(1.0, ROWS * COLUMNS * contact.tile_px**2 / (height * width))
    return here / (share * here + (1 - share) * rest).clamp_min(1e-9)
