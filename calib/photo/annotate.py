"""The annotated picture: what was taken for the piece's edges, what was measured, what is doubtful."""

import io
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.photo.defects import Defect
from calib.photo.measure import Length
from calib.photo.view import PieceView

Floats = NDArray[np.float64]
Pixels = list[tuple[float, float]]

_LONG_SIDE_PX = 2400
_GOOD, _DOUBT, _LINE, _PLATE = (0, 150, 70), (220, 40, 30), (20, 60, 200), (255, 255, 255)
_MARGIN_MM = 14.0
_ASIDE_PX = 8
#: Where the words for a defect go, and how they lie about that place: off what is judged.
_LABELS: dict[str, Callable[[Pixels], tuple[tuple[float, float], str]]] = {
    "strings": lambda p: (
        (float(np.mean([x for x, _ in p[:4]])), float(np.mean([y for _, y in p[:4]]))),
        "mm",
    ),
    "sag": lambda p: (p[len(p) // 2], "mb"),
    "droop": lambda p: ((p[-1][0] + _ASIDE_PX, p[-1][1]), "lm"),
    "roughness": lambda p: ((p[len(p) // 2][0] - _ASIDE_PX, p[len(p) // 2][1]), "rm"),
}


def annotated(view: PieceView, lengths: Sequence[Length], defects: Sequence[Defect] = ()) -> bytes:
    """Return a JPEG of the part of the photo around the piece, with what was measured drawn in.

    Of the defects those that this photo shows.
    """
    from PIL import Image, ImageDraw

    corners, scale = _part(view)
    part = view.mat_view.photo.rgb[corners[0][1] : corners[1][1], corners[0][0] : corners[1][0]]
    image = Image.fromarray(part)
    if scale != 1.0:
        image = image.resize((round(image.width * scale), round(image.height * scale)))
    draw = ImageDraw.Draw(image)

    def at(world: Floats) -> list[tuple[float, float]]:
        pixels = (view.camera.project(world) - corners[0]) * scale
        return [(float(x), float(y)) for x, y in pixels]

    doubtful = {id(f) for n in lengths if n.flags for f in _fits_of(view, n)}
    width = max(2, image.width // 700)
    for fit in view.fits:
        colour = _DOUBT if id(fit) in doubtful else _GOOD
        for points in _outline(view, fit):
            draw.line(at(points), fill=colour, width=width)
    _draw_lengths(draw, image.width, view, lengths, at, width)
    _draw_defects(draw, image.width, view, defects, at, width)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90)
    return out.getvalue()


def _part(view: PieceView) -> tuple[tuple[tuple[int, int], tuple[int, int]], float]:
    """Pixels (x, y) of the corners of the part to show, and the scale it is drawn at."""
    world = np.concatenate([view.placement.to_world(f.rim.points_mm) for f in view.fits])
    pixels = view.camera.project(world)
    margin = _MARGIN_MM * view.camera.px_per_mm(world.mean(axis=0))
    size = view.mat_view.photo.size
    low = np.clip(np.floor(pixels.min(axis=0) - margin), 0, size).astype(int)
    high = np.clip(np.ceil(pixels.max(axis=0) + margin), 0, size).astype(int)
    scale = float(np.clip(_LONG_SIDE_PX / max(high - low), 0.25, 3.0))
    return ((int(low[0]), int(low[1])), (int(high[0]), int(high[1]))), scale


def _outline(view: PieceView, fit: Any) -> list[Floats]:
    """Where the rim was seen: its stations moved by their offsets, in runs that hang together."""
    world = view.placement.to_world(fit.points_mm)
    normals = view.placement.turned(fit.normals)
    moved = world + np.column_stack([normals * fit.offset_mm[:, None], np.zeros(len(world))])
    breaks = np.flatnonzero(np.linalg.norm(np.diff(world, axis=0), axis=1) > 8.0) + 1
    return [run for run in np.split(moved, breaks) if len(run) > 1]


def _fits_of(view: PieceView, length: Length) -> list[Any]:
    """Rims near the ends of a length that carry its doubts."""
    if length.ends is None:
        return []
    near = []
    for end in length.ends:
        gaps = [
            float(
                np.linalg.norm(view.placement.to_world(f.points_mm)[:, :2] - end[:2], axis=1).min()
            )
            for f in view.fits
        ]
        near.append(view.fits[int(np.argmin(gaps))])
    return near


def _draw_lengths(
    draw: Any, size: int, view: PieceView, lengths: Sequence[Length], at: Any, width: int
) -> None:
    from PIL import ImageFont

    font = ImageFont.load_default(size=max(14, size // 70))
    for number, length in enumerate(lengths):
        if length.ends is None:
            continue
        a, b = at(np.stack(length.ends))
        colour = _DOUBT if length.flags else _LINE
        draw.line([a, b], fill=colour, width=width)
        for x, y in (a, b):
            r = 2 * width
            draw.ellipse([x - r, y - r, x + r, y + r], outline=colour, width=width)
        share = 0.3 + 0.4 * (number % 3) / 2  # so that labels of crossing lines keep apart
        x, y = a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])
        words = f"{length.feature.id} {length.value_mm:.2f} \u00b1 {2 * length.sd_mm:.2f}"
        words = f"{words} ?" if length.flags else words
        box = draw.textbbox((x, y), words, font=font, anchor="mm")
        draw.rectangle([box[0] - 3, box[1] - 2, box[2] + 3, box[3] + 2], fill=_PLATE)
        draw.text((x, y), words, fill=colour, font=font, anchor="mm")


def _draw_defects(
    draw: Any, size: int, view: PieceView, defects: Sequence[Defect], at: Any, width: int
) -> None:
    """Draw each followed edge and each gap that was looked into, with its value."""
    from PIL import ImageFont

    font = ImageFont.load_default(size=max(12, size // 90))
    for d in defects:
        if d.photo != view.mat_view.photo.name or not len(d.outline_mm):
            continue
        points = at(view.placement.to_world(d.outline_mm))
        colour = _DOUBT if d.note else _LINE
        draw.line(points, fill=colour, width=width)
        place, anchor = _LABELS[d.quantity](points)
        words = f"{d.quantity} {d.value:.2f} {d.unit}" + (" ?" if d.note else "")
        box = draw.textbbox(place, words, font=font, anchor=anchor)
        draw.rectangle([box[0] - 2, box[1] - 1, box[2] + 2, box[3] + 1], fill=_PLATE)
        draw.text(place, words, fill=colour, font=font, anchor=anchor)
