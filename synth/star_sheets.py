"""Star cut-outs rendered straight from a frame's star shapes, without the frame.

    plan = plan_sheets(draw_star_scenes(seed=1, index=0, count=64, width_px=1536, height_px=1024))
    for tiles in render_tiles(plan, seed=1, index=0, device="cuda"):
        tiles.pixels, tiles.rows            # ADU; which of the planned frames these are
    plan.truth                              # for strength.settle: the labels

A frame's brightest stars get a square tile each, as the frame would hold it there: the star with
the shape of its place, its neighbours from the catalogue, mosaic, sky, hot pixels, read-out. What
lies between the brightest stars, and the sky's structure, is never made.
"""

from collections.abc import Iterator

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from synth.catalogue import MARGIN_PX
from synth.compiled import fused, made
from synth.rng import torch_stream
from synth.sensor import spill
from synth.sheet_plan import NUMBERS, SheetPlan
from synth.sheet_shapes import LIGHTS, SheetShapes, turns
from synth.shot_noise import counted
from synth.stamp_rows import gathered, laid_by_pixels, laid_in_rows
from synth.star_tiles import CROWD_SCALES, TILES, StarTiles
from synth.starlight import BRIGHT_STARS, OVER, STAMP_PX
from synth.tile_noise import RESPONSE_SIGMA, as_adu, read, sky_noise2_e
from synth.transfer import moved

# Side of the tiles for stars that reach so far: room for a cut-out at their sampling.
TILE_PX = ((7.0, 48), (10.0, 64), (20.0, 96), (float("inf"), 144))
# Tiles begin at multiples of this in the frame, so that binned pixels lie as they do there.
ALIGN_PX = {48: 8, 64: 8, 96: 16, 144: 16}
# A frame's tiles are chosen among so many of its brightest stars.
LOOKED_AT = 256
# Light of a faint compact star ends here, as on whole frames.
FAINT_REACH_PX, REACH_PX = 12.0, 32.0
# Pieces of sky without a chosen star that crowding is read from, and their most stars.
SKY_TILES, SKY_TILE_PX, SKY_STARS = 5, 96, 32
MOST_PX = 1 << 28
SENSOR_NUMBERS = "full_well_e", "read_noise_e", "prnu", "gain_e_adu", "offset_adu", "top_adu"
MOST_FRAMES = 1000  # the places in their stamps are numbers of 31 bits


def render_tiles(
    plan: SheetPlan,
    seed: int,
    index: int,
    device: torch.device | str = "cpu",
    neighbours: int = 8,
    anew: bool = False,
) -> list[StarTiles]:
    """Tiles of a plan's frames: see `SheetRenderer.tiles`."""
    generator = torch_stream(device, seed, "tiles", index)
    return SheetRenderer(plan, device).tiles(generator, neighbours, anew)


class SheetRenderer:
    """A plan on a device with its stars' shapes made: it can be rendered again and again.

    order: (B,) where the plan's frames are among those of all batches, one after the other.
    most_px: pixels of tiles that are rendered at a time, at least those of one frame. Some ten
    arrays of so many float32 are in memory at once, beside the stars' shapes of 7 MB a frame.
    fused: pixels are made by compiled code, see `synth.compiled`.
    """

    def __init__(
        self,
        plan: SheetPlan,
        device: torch.device | str = "cpu",
        most_px: int = MOST_PX,
        fused: bool = False,
    ):
        reach, order = plan.numbers[:, NUMBERS.index("reach_px")], _order(plan)
        self._groups: list[tuple[int, _Frames]] = []
        given, least = [], -1.0
        for most, tile_px in TILE_PX:
            rows = order[(reach[order] > least) & (reach[order] <= most)]
            least = most
            some = max(1, min(most_px // (TILES * tile_px**2), MOST_FRAMES))
            for start in range(0, len(rows), some):
                frames = _Frames(plan, rows[start : start + some], tile_px, device, fused)
                self._groups.append((tile_px, frames))
                given.append(rows[start : start + some])
        self.order = moved(np.concatenate(given).argsort(), device)

    def tiles(
        self, generator: torch.Generator, neighbours: int = 8, anew: bool = False
    ) -> list[StarTiles]:
        """Tiles of all frames: see `each`."""
        return list(self.each(generator, neighbours, anew))

    def each(
        self, generator: torch.Generator, neighbours: int = 8, anew: bool = False
    ) -> Iterator[StarTiles]:
        """Tiles of all frames, one batch or more for each size of tile that is needed.

        neighbours: how many stars, at most, are laid down in a tile besides its own, those that
        give it most light. anew: the stars get other places, drawn evenly over the field as the
        catalogue's are, so that one plan serves many times.
        """
        for tile_px, frames in self._groups:
            if anew:
                frames.scatter(generator)
            yield frames.tiles(tile_px, neighbours, generator)


class _Frames:
    """Some frames of a plan, whose stars need tiles of the same size."""

    def __init__(
        self,
        plan: SheetPlan,
        rows: np.ndarray,
        side: int,
        device: torch.device | str,
        fused: bool,
    ):
        def there(array: np.ndarray) -> Tensor:
            return moved(array[rows], device)

        self.size_px, self.device, self.fused = plan.size_px, torch.device(device), fused
        self.rows = moved(rows, device)
        self.numbers = dict(zip(NUMBERS, there(plan.numbers).unbind(1), strict=True))
        # So many of the frames, the first, have wells that spill.
        self.blooming = int((plan.numbers[rows, NUMBERS.index("blooms")] > 0).sum())
        self.sky_e = there(plan.sky_e)
        self.x, self.y, self.flux_e = (v.contiguous() for v in there(plan.stars).unbind(2))
        self.planes = None if plan.planes is None else there(plan.planes)
        self.batch = torch.arange(len(rows), device=device)[:, None]
        self.crowd: tuple[Tensor, Tensor] | None = None
        self.scattered = False
        # Zeros between the stamps' rows, as many as a tile is wide, where whole rows are read.
        whole_rows = self.device.type != "cpu" and not fused
        pitch = STAMP_PX + (max(side, SKY_TILE_PX) if whole_rows else 0)
        self.shapes = SheetShapes(plan, rows, pitch, device, fused)

    def scatter(self, generator: torch.Generator) -> None:
        """Other places for the stars, up to the catalogue's margin beyond the edges."""
        height, width = self.size_px
        for name, side in (("x", width), ("y", height)):
            place = torch.rand(self.x.shape, generator=generator, device=self.x.device)
            setattr(self, name, place * (side + 2 * MARGIN_PX) - MARGIN_PX - 0.5)
        if not self.scattered:  # once spread evenly, they crowd as much anywhere
            self.scattered, self.crowd = True, None

    def tiles(self, side: int, neighbours: int, generator: torch.Generator) -> StarTiles:
        there, places = self._chosen(generator)
        step = ALIGN_PX[side]
        origin = step * ((places + 0.5 - side / 2) / step).round().long()
        # What has to be asked of the device is asked before the work on pixels.
        hot = self._hot_pixels(TILES * side**2, generator)
        hanging = self._hanging(origin, side)
        empty_e = self.sky_e + self.numbers["dark_e"][:, None]
        light = self._light(origin, side, neighbours + 1, empty_e)
        light.view(-1).index_add_(0, *hot)
        pixels = self._read(light, generator)
        self._repeat_edges(pixels, origin, hanging)
        self.crowd = self._crowding(generator) if self.crowd is None else self.crowd
        crowding, lift_e = self.crowd
        return StarTiles(
            pixels,
            self.rows,
            self.size_px,
            origin,
            places,
            there,
            crowding,
            lift_e,
            self.sky_e,
            self.numbers,
            self.planes is not None,
        )

    def _chosen(self, generator: torch.Generator) -> tuple[Tensor, Tensor]:
        """Whether each tile has a star, and where it is: the brightest, saturated ones last."""
        height, width = self.size_px
        x, y, flux = (v[:, :LOOKED_AT] for v in (self.x, self.y, self.flux_e))
        inside = (x > 0) & (x < width - 1) & (y > 0) & (y < height - 1) & (flux > 0)
        peak = self.shapes.peak
        # Two stars closer than this are one peak, the fainter lost in the brighter.
        width_px = (0.88 / peak.clamp_min(1e-4)).sqrt()
        apart = (0.8 * width_px).clamp_min(5.0)[:, None, None]
        lost = made(_is_lost, self.fused)(x, y, inside, apart)
        # Peaks beyond the first 128 are not looked at on whole frames either.
        inside = inside & ~lost
        inside = inside & (inside.cumsum(1) <= 128)
        limit = 0.9 * torch.minimum(
            self.numbers["full_well_e"],
            self.numbers["saturation_adu"] * self.numbers["gain_e_adu"],
        )
        clipped = flux * peak[:, None] > limit[:, None]
        key = torch.where(clipped, flux * 1e-6, flux) * inside
        key, index = _padded(key, TILES).topk(TILES, 1)
        index = index.clamp_max(x.shape[1] - 1)
        there = key > 0
        place = torch.stack((x.gather(1, index), y.gather(1, index)), 2)
        return there, torch.where(there[..., None], place, self._anywhere(TILES, generator))

    def _anywhere(self, count: int, generator: torch.Generator) -> Tensor:
        """(b, count, 2) places spread evenly over the frame."""
        height, width = self.size_px
        free = torch.rand(len(self.x), count, 2, generator=generator, device=self.x.device)
        return torch.stack((free[..., 0] * (width - 1.0), free[..., 1] * (height - 1.0)), 2)

    def _light(
        self, origin: Tensor, side: int, count: int, empty_e: Tensor | None = None
    ) -> Tensor:
        """(b, n, side, side) electrons of the `count` stars that light each tile most, above those
        of an empty sky (b, 4) at the mosaic's places."""
        star, flux = self._strongest(origin, side, count)
        fine_x = torch.floor(self.x * OVER + 0.5).long()
        fine_y = torch.floor(self.y * OVER + 0.5).long()
        first = self.shapes.first(self.batch, self._lights(), fine_x, fine_y)
        left = torch.div(fine_x, OVER, rounding_mode="floor") - STAMP_PX // 2
        top = torch.div(fine_y, OVER, rounding_mode="floor") - STAMP_PX // 2
        chosen = (v.gather(1, star.flatten(1)).view(star.shape) for v in (first, left, top))
        planes = None
        if self.planes is not None:
            planes = self.planes[self.batch[:, :, None], star]
        pitch = self.shapes.pitch
        of = self.shapes.stamps, pitch, origin, side, (*chosen, flux), planes
        if self.fused:
            return fused(gathered)(
                *of, torch.zeros_like(self.sky_e) if empty_e is None else empty_e
            )
        light = (laid_in_rows if pitch >= STAMP_PX + side else laid_by_pixels)(*of)
        if empty_e is not None:
            light += empty_e.view(-1, 1, 2, 2).repeat(1, 1, side // 2, side // 2)
        return light

    def _strongest(self, origin: Tensor, side: int, count: int) -> tuple[Tensor, Tensor]:
        """(b, n, count) numbers and electrons of the stars that light each tile most."""
        faint = (self.flux_e < 150 * self.numbers["noise_e"][:, None]) & (
            self.numbers["reach_px"] < 7.2
        )[:, None]
        reach = torch.where(faint, FAINT_REACH_PX, REACH_PX)
        weight = made(_weight, self.fused)(origin, side, self.x, self.y, self.flux_e, reach)
        weight, star = _padded(weight, count).topk(count, 2)
        star = star.clamp_max(self.x.shape[1] - 1)
        flux = self.flux_e[:, None].expand(-1, star.shape[1], -1).gather(2, star)
        return star, torch.where(weight > 0, flux, 0.0)

    def _lights(self) -> Tensor:
        """(b, n) which of its frame's lights each star takes: its place's, or the bright one."""
        height, width = self.size_px
        zone_x = (self.x / width * 3).long().clamp(0, 2)
        zone_y = (self.y / height * 3).long().clamp(0, 2)
        zone = zone_y * 3 + zone_x
        bright = self.flux_e[:, :BRIGHT_STARS] > 2500 * self.numbers["noise_e"][:, None]
        zone[:, :BRIGHT_STARS] = torch.where(bright, LIGHTS - 1, zone[:, :BRIGHT_STARS])
        return zone

    def _hot_pixels(self, pixels: int, generator: torch.Generator) -> tuple[Tensor, Tensor]:
        """Places among all tiles' pixels, `pixels` a frame, and electrons there."""
        count = torch.poisson(self.numbers["hot_share"] * pixels, generator=generator).long()
        frame = torch.repeat_interleave(self.batch[:, 0], count)
        place = torch.randint(pixels, frame.shape, generator=generator, device=self.device)
        tail = torch.randn(frame.shape, generator=generator, device=self.device) * 0.7
        return frame * pixels + place, self.numbers["hot_e"][frame] * tail.exp()

    def _read(self, light: Tensor, generator: torch.Generator) -> Tensor:
        """(b, n, side, side) expected electrons -> ADU, as `sensor.read_out` does it.

        Every tile is a piece of sensor of its own; bad lines are left out.
        """
        one, other = (
            torch.randn(light.shape, generator=generator, device=light.device) for _ in range(2)
        )
        some, rest = slice(self.blooming), slice(self.blooming, None)
        if not self.fused:
            electrons = counted(light, one)
            electrons[some] = self._spilt(electrons[some])
            return as_adu(electrons, light, other, self._of(slice(None)))
        if self.blooming:
            electrons = self._spilt(fused(counted)(light[some], one[some]))
            light[some] = fused(as_adu)(electrons, light[some], other[some], self._of(some))
        if self.blooming < len(light):
            fused(read)(light[rest], one[rest], other[rest], self._of(rest))
        return light

    def _spilt(self, electrons: Tensor) -> Tensor:
        """Of the first frames, those whose wells spill: what is too much runs along the columns."""
        if not self.blooming:
            return electrons
        well = self.numbers["full_well_e"][: self.blooming].repeat_interleave(electrons.shape[1])
        every = torch.ones_like(well, dtype=torch.bool)
        lines = spill(electrons.flatten(0, 1), well, every, is_fused=self.fused)
        return lines.view_as(electrons)

    def _of(self, some: slice) -> dict[str, Tensor]:
        """What `tile_noise.as_adu` asks for, of some of the frames."""
        return {name: self.numbers[name][some] for name in SENSOR_NUMBERS}

    def _hanging(self, origin: Tensor, side: int) -> tuple[Tensor, Tensor]:
        """Frame and number of the tiles that hang over the frame's edge."""
        height, width = self.size_px
        over = (origin.amin(2) < 0) | (origin[..., 0] + side > width)
        frame, tile = torch.nonzero(over | (origin[..., 1] + side > height)).unbind(1)
        return frame, tile

    def _repeat_edges(self, pixels: Tensor, origin: Tensor, hanging: tuple[Tensor, Tensor]) -> None:
        """In tiles that hang over the frame's edge its last pixels are repeated, in place."""
        height, width = self.size_px
        side = pixels.shape[-1]
        b, t = hanging
        steps = torch.arange(side, device=pixels.device)
        corner = origin[b, t]
        x = (corner[:, :1] + steps).clamp(0, width - 1) - corner[:, :1]
        y = (corner[:, 1:] + steps).clamp(0, height - 1) - corner[:, 1:]
        # A frame narrower than the tile has both edges in it.
        x, y = x.clamp(0, side - 1), y.clamp(0, side - 1)
        pixels[b, t] = pixels[b[:, None, None], t[:, None, None], y[:, :, None], x[:, None, :]]

    def _crowding(self, generator: torch.Generator) -> tuple[Tensor, Tensor]:
        """Noise of the sky with its faint stars over that without, at the scales at which peaks are
        looked for (b, CROWD_SCALES), and the level of those stars (b,), electrons.

        Read where nothing was chosen, as medians of the pictures in which peaks are looked for.
        """
        origin = 2 * (self._anywhere(SKY_TILES, generator) / 2).long() - SKY_TILE_PX // 2
        picture = F.avg_pool2d(self._light(origin, SKY_TILE_PX, SKY_STARS), 2)
        level = picture.flatten(1).median(1).values
        noise = self._half_noise_e()[:, None, None, None]
        picture = picture - level[:, None, None, None]
        grain = torch.randn(picture.shape, generator=generator, device=picture.device)
        picture = picture + noise * grain
        shares = []
        for k in range(CROWD_SCALES):
            response = 0.5 * (picture[..., 1:-1, 1:-1] + F.avg_pool2d(picture, 3, 1))
            spread = 1.4826 * response.abs().flatten(1).median(1).values
            shares.append(spread * 2**k / (noise[:, 0, 0, 0] * RESPONSE_SIGMA))
            picture = F.avg_pool2d(picture, 2)
        return torch.stack(shares, 1).clamp_min(1.0), level

    def _half_noise_e(self) -> Tensor:
        """(b,) sigma of the mean of 2 x 2 pixels of empty sky, electrons."""
        return sky_noise2_e(self.sky_e, self.numbers).sum(1).sqrt() / 4


def _order(plan: SheetPlan) -> np.ndarray:
    """(B,) numbers of the frames: those whose wells spill first, those whose field turned together,
    else as they were."""
    blooms, turned = plan.numbers[:, NUMBERS.index("blooms")] > 0, turns(plan)
    return np.argsort(np.where(blooms, turned, 3 - turned), kind="stable")


def _is_lost(x: Tensor, y: Tensor, inside: Tensor, apart: Tensor) -> Tensor:
    """(b, n) whether a brighter star inside the frame lies nearer than `apart` px, (b, 1, 1)."""
    near = (x[:, :, None] - x[:, None]) ** 2 + (y[:, :, None] - y[:, None]) ** 2 < apart**2
    return (near.tril(-1) & inside[:, None]).any(2)


def _weight(
    origin: Tensor, side: int, x: Tensor, y: Tensor, flux_e: Tensor, reach: Tensor
) -> Tensor:
    """(b, tiles, n) how much each of n stars, (b, n), lights a tile; reach: (b, n) px."""
    middle = origin + (side - 1) / 2
    away = torch.maximum(
        (middle[..., 0, None] - x[:, None]).abs(), (middle[..., 1, None] - y[:, None]).abs()
    )
    outside = (away - side / 2).clamp_min(0)
    # A star's wings fall roughly as the square of the distance.
    return flux_e[:, None] / (1 + outside) ** 2 * (outside < reach[:, None])


def _padded(values: Tensor, count: int) -> Tensor:
    """At least `count` numbers in the last dimension, zeros at the end."""
    return torch.nn.functional.pad(values, (0, max(0, count - values.shape[-1])))
