"""A rendered file made again from nothing but its own header.

    render_again(Path("subs/sub_00003.fits"), Path("copy.fits"))

Same bytes on the same kind of device with the same versions of nightcull and torch; the seed
gives other noise on another kind of device, while the light before noise agrees between CPU and
GPU to 1e-4 of itself plus 0.02 electrons (float32 transforms and another order of summing).
"""

from pathlib import Path
from typing import Any

from classifier import __version__
from classifier.errors import UsageError
from synth.files import write_sub
from synth.origin import COLOUR, frame_cards


def render_again(path: Path, out: Path) -> None:
    """Render the file `path` anew into the new file `out`.

    UsageError where the header does not say how, or another version of nightcull wrote it: its
    scenes would come out differently.
    """
    from astropy.io import fits

    header = fits.getheader(path)
    missing = [key for key in ("NCSEED", "NCINDEX", "NCFRAME", "NCCOUNT") if key not in header]
    if missing:
        raise UsageError(
            f"{path.name} does not say how it was rendered ({', '.join(missing)} missing); "
            "only files of `nightcull render` can be made again."
        )
    if header["NCVERS"] != __version__:
        raise UsageError(
            f"{path.name} was rendered by nightcull {header['NCVERS']}, this is {__version__}; "
            "install that version to make it again."
        )
    colours = {name: cfa for cfa, name in COLOUR.items()}
    asked: dict[str, Any] = {
        "seed": header["NCSEED"],
        "index": header["NCINDEX"],
        "count": header["NCCOUNT"],
        "width_px": header["NAXIS1"],
        "height_px": header["NAXIS2"],
        "cfa": colours[header["NCCOLOUR"]],
        "device": header["NCDEVICE"],
    }
    if "NCNIGHT" in header:
        from synth.night_files import write_night_sub

        write_night_sub(out, tuple(header["NCNIGHT"].split()), **asked)
    else:
        _write_frame(out, header["NCASKED"], header["NCFRAME"], **asked)


def _write_frame(out: Path, asked: str, frame: int, *, count: int, **given: Any) -> None:
    from synth.generate import render_batch

    faults = {"mixture": None, "clean": []}.get(asked, asked.split())
    batch = render_batch(count=count, faults=faults, **given)
    cards = frame_cards(faults, given["cfa"], count, given["device"])
    write_sub(out, batch, frame, seed=given["seed"], index=given["index"], more=cards)
