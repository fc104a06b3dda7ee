"""What each branch of the network is asked on its own while it learns.

Branches that are only ever heard together leave the work to the quickest of them: spikes were told
by the field, known by heart, and not by the bright stars. So each has a head of its own that has
to name the faults which that view can show, and the sky, which is the largest, has to say where in
the frame they lie. The heads are thrown away when the training ends.
"""

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from classifier.network import LINES, Network
from classifier.vocabulary import INDEX, KEYS
from training.fault_cells import CELLS, SOMEWHERE

_SHAPES = ("vibration", "drift", "defocus", "bloated_stars", "miscollimation", "guiding_loss")
# What a view cannot show, its branch could only learn by heart.
SHOWN_IN: dict[str, tuple[str, ...]] = {
    "sky": ("dust_motes", "vignetting", "clouds", "trail", "gradient", "reflection"),
    "stars": _SHAPES,
    "stack": _SHAPES,
    "bright": ("diffraction_spikes", "reflection", *_SHAPES),
    "tiles": ("hot_pixels", "low_signal", "bayer_grid"),
    "facts": KEYS,
    LINES: ("trail",),
}


class BranchLessons(nn.Module):
    """Linear heads, one per branch and one for the cells of the sky, and their losses."""

    asked: Tensor
    somewhere: Tensor

    def __init__(self, network: Network):
        super().__init__()
        self.heads = nn.ModuleList(
            nn.Sequential(nn.LayerNorm(length), nn.Linear(length, len(KEYS)))
            for length in network.branch_features
        )
        asked = torch.zeros(len(network.branches), len(KEYS))
        for row, name in enumerate(network.branches):
            asked[row, [INDEX[key] for key in SHOWN_IN[name]]] = 1.0
        self.register_buffer("asked", asked)
        self.register_buffer("somewhere", torch.tensor([INDEX[key] for key in SOMEWHERE]))
        self.cells = nn.Conv2d(network.sky.widths[3], len(SOMEWHERE), 1)
        # A cell in a hundred is lit: where a network is trained on, no shock shall run through it.
        nn.init.constant_(self.cells.get_parameter("bias"), -4.0)

    def loss(self, told: list[Tensor], targets: Tensor) -> Tensor:
        """Mean binary cross-entropy in nats over what is asked and known.

        told: vectors (B, n) of each branch, as `Network.told`. targets: (B, 16), NaN unknown.
        """
        logits = torch.stack([h(t) for h, t in zip(self.heads, told, strict=True)], 1).float()
        known = (~targets.isnan())[:, None] * self.asked
        wanted = targets.nan_to_num(0.0)[:, None].expand_as(logits)
        each = F.binary_cross_entropy_with_logits(logits, wanted, reduction="none")
        return (each * known).sum() / known.sum().clamp_min(1)

    def cell_loss(self, sky_maps: list[Tensor], targets: Tensor, cells: Tensor) -> Tensor:
        """Binary cross-entropy in nats of a row of cells together, mean over what is known.

        sky_maps: of the sky encoder. targets: as above. cells: as `fault_cells` gives them; where
        a fault lies they are as sure as its label.
        """
        (maps,) = (each for each in sky_maps if each.shape[-1] == CELLS)
        wanted = cells.float() * targets[:, self.somewhere, None, None]
        known = ~wanted.isnan()
        each = F.binary_cross_entropy_with_logits(
            self.cells(maps).float(), wanted.nan_to_num(0.0), reduction="none"
        )
        return CELLS * (each * known).sum() / known.sum().clamp_min(1)
