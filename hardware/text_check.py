"""Which words of a drawing cannot be read: crossed by a line, over others, on hatching, cut off?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, Patch
from matplotlib.path import Path
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox

__all__ = ["require_readable", "unreadable"]

# A text's box is as high as its tallest letter could be, but no wider than its letters: a line may touch its upper and
# lower rim, and keeps off its ends.
RIM_PT, GAP_PT = 1.0, 0.5


def unreadable(figure: Figure) -> list[str]:
    """What is wrong with each text that something crosses; [] if all can be read.

    A line that a white part between it and the words hides crosses nothing, if all of the words stand on that part.
    """
    figure.draw_without_rendering()
    px_per_pt = figure.dpi / 72.0
    texts = [each for each in figure.findobj(Text) if each.get_visible() and each.get_text().strip()]
    boxes = [_kept_free(Text.get_window_extent(each), px_per_pt) for each in texts]    # without a leader
    strokes = list(_strokes(figure))
    found = []
    for at, (text, box) in enumerate(zip(texts, boxes, strict=True)):
        words = text.get_text().replace("\n", " ")
        ground = max((each.level for each in strokes if each.hides and _holds(each.path, box)), default=-1.0)
        if any(each.level >= ground and each.path.intersects_bbox(box, filled=each.filled) for each in strokes):
            found.append(f'"{words}" is crossed by a line')
        found += [
            f'"{words}" lies over "{other.get_text()}"'
            for other, its in zip(texts[at + 1 :], boxes[at + 1 :], strict=True) if box.overlaps(its)
        ]
        whole = figure.bbox
        if box.x0 < whole.x0 or box.x1 > whole.x1 or box.y0 < whole.y0 or box.y1 > whole.y1:
            found.append(f'"{words}" is cut off')
    return found


def require_readable(figure: Figure, name: str) -> None:
    """Raises ValueError with every text that cannot be read."""
    found = unreadable(figure)
    if found:
        raise ValueError(f"{name}: " + "; ".join(found))


def _kept_free(box: Bbox, px_per_pt: float) -> Bbox:
    gap, rim = GAP_PT * px_per_pt, RIM_PT * px_per_pt
    return Bbox.from_extents(box.x0 - gap, box.y0 + rim, box.x1 + gap, box.y1 - rim)


class _Stroke(NamedTuple):
    """Something that is drawn: its path in pixels, and how high it lies; filled: its inside is dark or hatched."""

    path: Path
    level: float
    filled: bool = False
    hides: bool = False    # a white part


def _holds(path: Path, box: Bbox) -> bool:
    return bool(path.contains_points(box.corners()).all())


def _strokes(figure: Figure) -> Iterator[_Stroke]:
    """Every line and outline, leaders too."""
    leaders = [each.arrow_patch for each in figure.findobj(Annotation) if each.arrow_patch is not None]
    for artist in [*figure.findobj(_is_drawn), *leaders]:
        path, level = artist.get_transform().transform_path(artist.get_path()), artist.get_zorder()
        if isinstance(artist, Patch) and not isinstance(artist, FancyArrowPatch):
            hatched = bool(artist.get_hatch())
            white = bool(artist.get_fill()) and not hatched and not _dark(artist)
            yield _Stroke(path=path, level=level, filled=hatched or _dark(artist), hides=white)
        else:
            yield _Stroke(path=path, level=level)


def _is_drawn(artist: Artist) -> bool:
    if not artist.get_visible() or not isinstance(artist, (Line2D, Patch)):
        return False
    if isinstance(artist, Line2D):
        drawn = artist.get_linestyle() != "None" and len(np.atleast_1d(artist.get_xdata())) > 1
        return artist.axes is not None and drawn
    assert isinstance(artist, Patch)
    return artist.axes is not None and artist is not artist.axes.patch and not _white(artist)


def _white(patch: Patch) -> bool:
    """A white patch without an outline covers lines and crosses nothing."""
    return to_rgba(patch.get_edgecolor())[:3] == (1.0, 1.0, 1.0)


def _dark(patch: Patch) -> bool:
    return bool(patch.get_fill()) and max(to_rgba(patch.get_facecolor())[:3]) < 0.6
