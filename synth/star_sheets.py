"""Star cut-outs rendered straight from a frame's star shapes, without the frame.

    plan = plan_sheets(draw_star_scenes(seed=1, index=0, count=64, width_px=1536, height_px=1024))
    for tiles in render_tiles(plan, seed=1, index=0, device="cuda"):
        tiles.pixels, tiles.rows            # ADU; which of the planned frames these are
    plan.truth                              # for strength.settle: the labels

A frame's brightest stars get a square tile each, as the frame would hold it there: the star with
the shape of its place, its neighbours from the catalogue, mosaic, sky, hot pixels, read-out. What
lies between the brightest stars, and the sky's structure, is never made.
"""

from collections.abc import Callable, Iterator

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from synth.catalogue import MARGIN_PX
from synth.psf import Blur, Pupil, phase_stamps, star_light
from synth.rng import torch_stream
from synth.sensor import spill
from synth.sheet_plan import NUMBERS, SheetPlan
from synth.stamp_rows import laid_in_rows, put_in_rows
from synth.star_tiles import CROWD_SCALES, TILES, StarTiles
from synth.starlight import BRIGHT_STARS, CENTRE_ZONE, OVER, STAMP_PX, ZONES, band
from synth.tile_noise import RESPONSE_SIGMA, as_adu, counted, fused, sky_noise2_e
from synth.transfer import moved, sent

# Side of the tiles for stars that reach so far: room for a cut-out at their sampling.
TILE_PX = ((7.0, 48), (10.0, 64), (20.0, 96), (float("inf"), 144))
# Tiles begin at multiples of this in the frame, so that binned pixels lie as they do there.
ALIGN_PX = {48: 8, 64: 8, 96: 16, 144: 16}
# A frame's tiles are chosen among so many of its brightest stars.
LOOKED_AT = 256
LIGHTS = len(ZONES) + 1  # the last is for the brightest stars: all colours of the band
# Light of a faint compact star ends here, as on whole frames.
FAINT_REACH_PX, REACH_PX = 12.0, 32.0
# Pieces of sky without a chosen star that crowding is read from, and their most stars.
SKY_TILES, SKY_TILE_PX, SKY_STARS = 5, 96, 32
AT_ONCE_PX = 1 << 25  # of stars laid down together: bounds the memory
MOST_PX = 1 << 28
SHAPES_AT_ONCE = 128  # frames, some 30 MB each while their stars' shapes are made
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
    fused: noise is made by compiled code, see `tile_noise.fused`.
    """

    def __init__(
        self,
        plan: SheetPlan,
        device: torch.device | str = "cpu",
        most_px: int = MOST_PX,
        fused: bool = False,
    ):
        reach = plan.numbers[:, NUMBERS.index("reach_px")]
        self._groups: list[tuple[int, _Frames]] = []
        given, least = [], -1.0
        for most, tile_px in TILE_PX:
            rows = np.flatnonzero((reach > least) & (reach <= most))
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
        self.some_bloom = bool((plan.numbers[rows, NUMBERS.index("blooms")] > 0).any())
        self.sky_e = there(plan.sky_e)
        self.x, self.y, self.flux_e = there(plan.stars).unbind(2)
        self.planes = None if plan.planes is None else there(plan.planes)
        self.batch = torch.arange(len(rows), device=device)[:, None]
        self.crowd: tuple[Tensor, Tensor] | None = None
        self.scattered = False
        # Zeros between the stamps' rows, as many as a tile is wide, where whole rows are read.
        self.pitch = STAMP_PX + (max(side, SKY_TILE_PX) if self.device.type != "cpu" else 0)
        size = LIGHTS * OVER**2 * STAMP_PX * self.pitch
        self.stamps = torch.zeros(self.pitch + len(rows) * size, device=device)
        peaks = []
        for start in range(0, len(rows), SHAPES_AT_ONCE):
            part = rows[start : start + SHAPES_AT_ONCE]
            stamps = star_stamps(
                Pupil(**sent({name: of[part] for name, of in plan.pupil.items()}, device)),
                Blur(**sent({name: of[part] for name, of in plan.blur.items()}, device)),
            )
            peaks.append(stamps[:, CENTRE_ZONE].amax((1, 2, 3)))
            into = self.stamps[self.pitch + start * size :][: len(part) * size]
            put_in_rows(stamps, into, self.pitch)
        self.peak = torch.cat(peaks)

    def shapes(self) -> Tensor:
        """Light of stars of one electron, all stamps one after the other, (n, 64, 64)."""
        rows = self.stamps[self.pitch :].view(-1, self.pitch)
        return rows[:, :STAMP_PX].reshape(-1, STAMP_PX, STAMP_PX)

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
        light = self._light(origin, side, neighbours + 1)
        light += self._empty(side)
        self._add_hot_pixels(light, generator)
        pixels = self._beyond_edges(self._read(light, generator), origin)
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
        peak = self.peak
        # Two stars closer than this are one peak, the fainter lost in the brighter.
        width_px = (0.88 / peak.clamp_min(1e-4)).sqrt()
        apart = (0.8 * width_px).clamp_min(5.0)[:, None, None]
        near = (x[:, :, None] - x[:, None]) ** 2 + (y[:, :, None] - y[:, None]) ** 2 < apart**2
        lost = (near.tril(-1) & inside[:, None]).any(2)
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

    def _light(self, origin: Tensor, side: int, count: int) -> Tensor:
        """(b, n, side, side) electrons of the `count` stars that light each tile most."""
        star, flux = self._strongest(origin, side, count)
        fine_x = torch.floor(self.x * OVER + 0.5).long()
        fine_y = torch.floor(self.y * OVER + 0.5).long()
        kernel = self._kernels() * OVER**2 + fine_x % OVER + OVER * (fine_y % OVER)
        first = kernel * STAMP_PX * self.pitch
        left = torch.div(fine_x, OVER, rounding_mode="floor") - STAMP_PX // 2
        top = torch.div(fine_y, OVER, rounding_mode="floor") - STAMP_PX // 2
        if self.pitch >= STAMP_PX + side:
            chosen = (v.gather(1, star.flatten(1)).view(star.shape) for v in (first, left, top))
            planes = None
            if self.planes is not None:
                planes = self.planes[self.batch[:, :, None], star]
            return laid_in_rows(self.stamps, self.pitch, origin, side, (*chosen, flux), planes)
        steps = torch.arange(side, device=self.device)
        flat = self.stamps
        tiles = torch.zeros(*origin.shape[:2], side, side, device=self.device)
        each = tiles.view(-1, side, side)
        used = torch.nonzero(flux > 0)
        at_once = max(1, AT_ONCE_PX // side**2)
        for b, t, k in (part.unbind(1) for part in used.split(at_once)):
            s = star[b, t, k]
            corner = origin[b, t]
            column = (corner[:, 0] - left[b, s])[:, None] + steps
            row = (corner[:, 1] - top[b, s])[:, None] + steps
            # The stamps' rims hold zeros.
            column, row = column.clamp(0, STAMP_PX - 1), row.clamp(0, STAMP_PX - 1)
            lines = first[b, s][:, None] + row * self.pitch + self.pitch
            # Half the memory of longer numbers; a batch's stamps have far fewer than 2^31 pixels.
            at = lines.int()[..., None] + column.int()[:, None]
            light = flat.index_select(0, at.flatten()).view(at.shape)
            light *= flux[b, t, k][:, None, None]
            if self.planes is not None:
                share = self.planes[b, s].view(-1, 1, 2, 1, 2)
                light = (light.view(-1, side // 2, 2, side // 2, 2) * share).view_as(light)
            each.index_add_(0, b * origin.shape[1] + t, light)
        return tiles

    def _strongest(self, origin: Tensor, side: int, count: int) -> tuple[Tensor, Tensor]:
        """(b, n, count) numbers and electrons of the stars that light each tile most."""
        middle = origin + (side - 1) / 2
        away = torch.maximum(
            (middle[..., 0, None] - self.x[:, None]).abs(),
            (middle[..., 1, None] - self.y[:, None]).abs(),
        )
        outside = (away - side / 2).clamp_min(0)
        faint = (self.flux_e < 150 * self.numbers["noise_e"][:, None]) & (
            self.numbers["reach_px"] < 7.2
        )[:, None]
        reach = torch.where(faint, FAINT_REACH_PX, REACH_PX)[:, None]
        # A star's wings fall roughly as the square of the distance.
        weight = self.flux_e[:, None] / (1 + outside) ** 2 * (outside < reach)
        weight, star = _padded(weight, count).topk(count, 2)
        star = star.clamp_max(self.x.shape[1] - 1)
        flux = self.flux_e[:, None].expand(-1, star.shape[1], -1).gather(2, star)
        return star, torch.where(weight > 0, flux, 0.0)

    def _kernels(self) -> Tensor:
        """(b, n) number of the light that each star takes: its place's, or the bright one."""
        height, width = self.size_px
        zone_x = (self.x / width * 3).long().clamp(0, 2)
        zone_y = (self.y / height * 3).long().clamp(0, 2)
        zone = zone_y * 3 + zone_x
        zone = zone.clone()
        bright = self.flux_e[:, :BRIGHT_STARS] > 2500 * self.numbers["noise_e"][:, None]
        zone[:, :BRIGHT_STARS] = torch.where(bright, LIGHTS - 1, zone[:, :BRIGHT_STARS])
        return self.batch * LIGHTS + zone

    def _empty(self, side: int) -> Tensor:
        """(b, 1, side, side) electrons of sky and dark current."""
        four = self.sky_e.view(-1, 1, 2, 2) + self.numbers["dark_e"][:, None, None, None]
        return four.repeat(1, 1, side // 2, side // 2)

    def _add_hot_pixels(self, tiles: Tensor, generator: torch.Generator) -> None:
        pixels = tiles[0].numel()
        count = torch.poisson(self.numbers["hot_share"] * pixels, generator=generator).long()
        frame = torch.repeat_interleave(self.batch[:, 0], count)
        place = torch.randint(pixels, frame.shape, generator=generator, device=self.device)
        tail = torch.randn(frame.shape, generator=generator, device=self.device) * 0.7
        electrons = self.numbers["hot_e"][frame] * tail.exp()
        tiles.view(-1).index_add_(0, frame * pixels + place, electrons)

    def _read(self, light: Tensor, generator: torch.Generator) -> Tensor:
        """(b, n, side, side) expected electrons -> ADU, as `sensor.read_out` does it.

        Every tile is a piece of sensor of its own; bad lines are left out.
        """

        normal = [
            torch.randn(light.shape, generator=generator, device=light.device) for _ in range(2)
        ]
        electrons = self._work(counted)(light, normal[0])
        if self.some_bloom:
            each = electrons.flatten(0, 1)
            tiles = light.shape[1]
            well, blooms = (
                self.numbers[n].repeat_interleave(tiles) for n in ("full_well_e", "blooms")
            )
            electrons = spill(each, well, blooms > 0).view_as(light)
        return self._work(as_adu)(electrons, light, normal[1], self.numbers)

    def _work(self, work: Callable[..., Tensor]) -> Callable[..., Tensor]:
        return fused(work) if self.fused else work

    def _beyond_edges(self, pixels: Tensor, origin: Tensor) -> Tensor:
        """Where a tile hangs over the frame's edge its last pixels are repeated."""
        height, width = self.size_px
        side = pixels.shape[-1]
        low = origin.amin(2)
        over = (low < 0) | (origin[..., 0] + side > width) | (origin[..., 1] + side > height)
        b, t = torch.nonzero(over).unbind(1)
        steps = torch.arange(side, device=pixels.device)
        corner = origin[b, t]
        x = (corner[:, :1] + steps).clamp(0, width - 1) - corner[:, :1]
        y = (corner[:, 1:] + steps).clamp(0, height - 1) - corner[:, 1:]
        # A frame narrower than the tile has both edges in it.
        x, y = x.clamp(0, side - 1), y.clamp(0, side - 1)
        which = torch.arange(len(b), device=pixels.device)[:, None, None]
        pixels[b, t] = pixels[b, t][which, y[:, :, None], x[:, None, :]]
        return pixels

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


def star_stamps(pupil: Pupil, blur: Blur) -> Tensor:
    """(b, LIGHTS, OVER^2, 64, 64) stamps of one electron at every place and sub-pixel phase."""
    light = star_light(pupil, blur, STAMP_PX, OVER, 128, (1.0,))
    centre = slice(CENTRE_ZONE, CENTRE_ZONE + 1)
    middle = Blur(
        blur.waves[:, centre],
        blur.seeing_px[:, centre],
        blur.halo_px,
        blur.halo_share,
        blur.paths[:, centre],
        blur.r0_over_outer,
    )
    bright = star_light(pupil, middle, STAMP_PX, OVER, 128, band(pupil))
    stamps = phase_stamps(torch.cat((light, bright), 1), OVER)
    stamps[..., -1, :] = 0
    stamps[..., -1] = 0
    return stamps.contiguous()


def _padded(values: Tensor, count: int) -> Tensor:
    """At least `count` numbers in the last dimension, zeros at the end."""
    return torch.nn.functional.pad(values, (0, max(0, count - values.shape[-1])))
