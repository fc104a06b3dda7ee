"""Evidence on odd diffraction spikes, from one frame."""

from classifier.evidence import NO, UNKNOWN, YES, Evidence, unknown
from classifier.spike_bar import apart_deg
from classifier.spikes import Spikes
from classifier.star_rays import OddPair
from classifier.vocabulary import fault

# Sigma of the brightest star's pair of spikes. Of 322 rendered frames without a stray bar 10 % come
# to 2 and 0.6 % to 3, of 51 with one 84 and 69 %; the typical bright star shows 2 % of them.
PERHAPS_SPIKES = 2.0
SAME_PAIR_DEG = 6.0  # as near to spikes of the telescope's own vanes a pair is theirs
ONE_PAIR = "one straight pair of spikes: a single bar, or a two-vane spider"


def diffraction_spikes(spikes: Spikes | None, pair: OddPair | None, bright: bool) -> Evidence:
    """spikes: of the typical bright star; pair: of the brightest alone, which shows more."""
    row = fault("diffraction_spikes")
    unit, threshold = row.unit, row.counts_from
    if spikes is None and pair is None:
        return unknown(unit, threshold, "no bright star far enough from the edges")
    if spikes is not None and spikes.odd:
        where = [[round(x, 1), round(y, 1)] for x, y in spikes.stars]
        angles = ", ".join(f"{angle:.0f}" for angle in spikes.bars_deg)
        return Evidence(YES, max(spikes.strength), unit, threshold, f"bars at {angles} deg", where)
    vanes_deg = spikes.bars_deg if spikes is not None and spikes.odd is False else ()
    if pair is not None and pair.sigma >= PERHAPS_SPIKES:
        from_vanes = [apart_deg(pair.deg, deg) for deg in vanes_deg]
        if min(from_vanes, default=90.0) > SAME_PAIR_DEG:
            return _of_pair(pair, bool(vanes_deg))
    return _without_odd(spikes, bright)


def _without_odd(spikes: Spikes | None, bright: bool) -> Evidence:
    """What is said where nothing odd is seen for sure."""
    row = fault("diffraction_spikes")
    unit, threshold = row.unit, row.counts_from
    if spikes is not None and spikes.odd is None:
        where = [[round(x, 1), round(y, 1)] for x, y in spikes.stars]
        return Evidence(UNKNOWN, max(spikes.strength), unit, threshold, ONE_PAIR, where)
    if spikes is not None and spikes.bars_deg:
        note = "regular spikes of the telescope's own vanes"
        return Evidence(NO, 0.0, unit, threshold, note)
    if not bright:
        return unknown(unit, threshold, "no star is bright enough to show spikes")
    return Evidence(NO, 0.0, unit, threshold)


def _of_pair(pair: OddPair, beside_vanes: bool) -> Evidence:
    """What a pair of spikes of the brightest star says. Beside those of regular vanes it is of no
    spider; alone it may be of one with two vanes."""
    row = fault("diffraction_spikes")
    where = [[round(pair.x_px, 1), round(pair.y_px, 1)]]
    at = f"of the brightest star, at {pair.deg:.0f} deg"
    state, note = UNKNOWN, f"{ONE_PAIR}; {at}"
    if pair.sigma < row.counts_from:
        note = f"a faint pair {at}: one as faint comes about by chance too"
    elif beside_vanes:
        state, note = YES, f"a pair {at}, beside those of the telescope's own vanes"
    return Evidence(state, pair.sigma, row.unit, row.counts_from, note, where)
