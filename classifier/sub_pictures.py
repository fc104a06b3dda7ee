"""Pictures of labelled subs, found again after the labelling: results hold numbers only.

    pictures = from_report(folder / "report.html")       # what the report happens to show
    pictures = from_subs([Path("night")], wanted)        # drawn anew from the files

Both give a `Picture` per path of `frames.json`; subs that cannot be shown are left out.
"""

import base64
import binascii
from collections.abc import Collection, Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

from classifier.errors import NightcullError
from classifier.frame import find_frames, read_frame
from classifier.results import Picture
from classifier.star_marks import read_back


def from_subs(folders: Sequence[Path], wanted: Collection[str]) -> dict[str, Picture]:
    """Pictures of the wanted paths, from the folders that were labelled (in the same order).

    Raises UsageError if a folder is not there.
    """
    files = [(path, name) for path, name in find_frames(folders) if name in wanted]
    drawn = ((name, _drawn(path)) for path, name in files)
    return {name: picture for name, picture in drawn if picture is not None}


def _drawn(path: Path) -> Picture | None:
    """One file's picture; None if it can no longer be read."""
    import torch

    from classifier.measures import measure_frame
    from classifier.picture import draw_picture
    from classifier.views import make_views, physical_vector

    try:
        frame = read_frame(path)
    except NightcullError:
        return None
    with torch.inference_mode():
        pixels = torch.from_numpy(frame.pixels)[None]
        views = make_views(pixels, physical_vector(frame.facts)[None], frame.overview)
        return draw_picture(frame.pixels, views, frame.overview, measure_frame(frame))


def from_report(page: Path) -> dict[str, Picture]:
    """Pictures on a report's page, by path; none where there is no such page."""
    if not page.is_file():
        return {}
    reader = _Cards()
    reader.feed(page.read_text(encoding="utf-8", errors="replace"))
    return reader.pictures


class _Cards(HTMLParser):
    """Reads the subs of `report.html`: an article that tells path and size of a frame, in it an
    image and perhaps the strip of stars."""

    def __init__(self) -> None:
        super().__init__()
        self.pictures: dict[str, Picture] = {}
        self._path = ""
        self._size = (0, 0)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        if tag == "article":
            self._path = found.get("data-path", "")
            width, height = found.get("data-width", ""), found.get("data-height", "")
            self._size = (int(width), int(height)) if (width + height).isdecimal() else (0, 0)
        elif tag == "img" and self._path:
            content = _content(found.get("src", ""))
            known = self.pictures.get(self._path)
            if found.get("class") == "whole":
                self.pictures[self._path] = Picture(content, b"", *self._size)
            elif known is not None:
                tiles = read_back(found.get("data-stars", ""))
                self.pictures[self._path] = replace(known, strip=content, tiles=tiles)


def _content(url: str) -> bytes:
    """The bytes inside a data: address; empty for anything else."""
    head, _, body = url.partition(";base64,")
    if not head.startswith("data:image/"):
        return b""
    try:
        return base64.b64decode(body, validate=True)
    except binascii.Error:
        return b""
