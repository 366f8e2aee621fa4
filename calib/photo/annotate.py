"""The annotated picture: what was taken for the piece's edges, what was measured, what is doubtful."""

import io
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.photo.defects import Defect
from calib.photo.dimension_lines import place_lines
from calib.photo.measure import Length
from calib.photo.view import PieceView

Floats = NDArray[np.float64]
Pixels = list[tuple[float, float]]
Box = tuple[float, float, float, float]

_LONG_SIDE_PX = 2400
_GOOD, _DOUBT, _LINE, _PLATE = (0, 150, 70), (220, 40, 30), (20, 60, 200), (255, 255, 255)
_MARGIN_MM = 30.0
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
    part = view.sight.photo.rgb[corners[0][1] : corners[1][1], corners[0][0] : corners[1][0]]
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
    _draw_lengths(image, draw, view, lengths, at, width)
    _draw_defects(draw, image.width, view, defects, at, width)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90)
    return out.getvalue()


def _part(view: PieceView) -> tuple[tuple[tuple[int, int], tuple[int, int]], float]:
    """Pixels (x, y) of the corners of the part to show, and the scale it is drawn at."""
    world = np.concatenate([view.placement.to_world(f.rim.points_mm) for f in view.fits])
    pixels = view.camera.project(world)
    margin = _MARGIN_MM * view.camera.px_per_mm(world.mean(axis=0))
    size = view.sight.photo.size
    low = np.clip(np.floor(pixels.min(axis=0) - margin), 0, size).astype(int)
    high = np.clip(np.ceil(pixels.max(axis=0) + margin), 0, size).astype(int)
    scale = float(np.clip(_LONG_SIDE_PX / max(high - low), 0.25, 3.0))
    return ((int(low[0]), int(low[1])), (int(high[0]), int(high[1]))), scale


def _outline(view: PieceView, fit: Any) -> list[Floats]:
    """Where the edge was seen: its stations moved by their offsets, in runs that hang together."""
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
    image: Any, draw: Any, view: PieceView, lengths: Sequence[Length], at: Any, width: int
) -> None:
    """Draw dimension lines beside the piece; doubtful lengths are red, with a question mark."""
    from PIL import ImageFont

    font = ImageFont.load_default(size=max(14, image.width // 80))
    shown = [n for n in lengths if n.ends is not None]
    words = [_label(n) for n in shown]
    mm_per_px = 20.0 / float(
        np.linalg.norm(np.diff(at(np.array([[-10.0, 0, 0], [10.0, 0, 0]])), axis=0))
    )
    lines = place_lines(
        [n.ends for n in shown if n.ends is not None],
        [1.1 * draw.textlength(w, font=font) * mm_per_px for w in words],
        lambda points: _is_free(view, points),
    )
    for length, text, line in zip(shown, words, lines, strict=True):
        colour = _DOUBT if length.flags else _LINE
        tips, (a, b) = at(np.stack(line.ends)), at(np.stack(line.line))
        for tip, end in zip(tips, (a, b), strict=True):
            draw.line([tip, end], fill=colour, width=max(1, width // 2))
            r = 1.5 * width
            draw.ellipse([tip[0] - r, tip[1] - r, tip[0] + r, tip[1] + r], fill=colour)
        draw.line([a, b], fill=colour, width=width)
        _write_along(image, a, b, text, font, colour)


def _write_along(
    image: Any,
    a: tuple[float, float],
    b: tuple[float, float],
    text: str,
    font: Any,
    colour: tuple[int, int, int],
) -> None:
    """Write on a plate in the middle of a line, along it and never upside down."""
    from PIL import Image, ImageDraw

    left, top, right, bottom = font.getbbox(text)
    plate = Image.new("RGBA", (round(right - left) + 8, round(bottom - top) + 6), _PLATE)
    ImageDraw.Draw(plate).text((4 - left, 3 - top), text, fill=colour, font=font)
    turn = float(np.degrees(np.arctan2(a[1] - b[1], b[0] - a[0])))
    turn = (turn + 89.0) % 180.0 - 89.0
    turned = plate.rotate(turn, Image.Resampling.BICUBIC, expand=True)
    corner = (
        round((a[0] + b[0] - turned.width) / 2),
        round((a[1] + b[1] - turned.height) / 2),
    )
    image.paste(turned, corner, turned)


def _label(n: Length) -> str:
    return f"{n.feature.id} {n.value_mm:.2f} \u00b1 {2 * n.sd_mm:.2f}{' ?' if n.flags else ''}"


def _is_free(view: PieceView, points: Floats) -> NDArray[np.bool_]:
    """Tell whether world points are off the piece, seen past its upper edges, and in the picture."""
    pixels = view.camera.project(points)
    free = (pixels > 0).all(axis=1) & (pixels < np.array(view.sight.photo.size)).all(axis=1)
    eye = view.camera.position_mm
    for height in (0.5, *np.linspace(0.2, 0.98, 3) * view.lying.size_mm[2]):
        seen = eye + (points - eye) * ((eye[2] - height) / eye[2])
        free &= ~view.lying.solid_at(view.placement.to_lying(seen))
    return np.asarray(free)


def _draw_defects(
    draw: Any, size: int, view: PieceView, defects: Sequence[Defect], at: Any, width: int
) -> None:
    """Draw each followed edge and each gap that was looked into, with its value."""
    from PIL import ImageFont

    font = ImageFont.load_default(size=max(12, size // 90))
    taken: list[Box] = []
    for d in defects:
        if d.photo != view.sight.photo.name or not len(d.outline_mm):
            continue
        points = at(view.placement.to_world(d.outline_mm))
        colour = _DOUBT if d.note else _LINE
        draw.line(points, fill=colour, width=width)
        place, anchor = _LABELS[d.quantity](points)
        words = f"{d.quantity} {d.value:.2f} {d.unit}" + (" ?" if d.note else "")
        box = draw.textbbox(place, words, font=font, anchor=anchor)
        down = clear_of(taken, (box[0] - 2, box[1] - 1, box[2] + 2, box[3] + 1))
        plate = (box[0] - 2, box[1] - 1 + down, box[2] + 2, box[3] + 1 + down)
        taken.append(plate)
        draw.rectangle(plate, fill=_PLATE)
        draw.text((place[0], place[1] + down), words, fill=colour, font=font, anchor=anchor)


def clear_of(taken: Sequence[Box], box: Box) -> float:
    """Return how far down (or up, where that is nearer) a box goes so that it lies on none that is taken."""
    height = box[3] - box[1]
    places = [0.0, *(t[3] - box[1] for t in taken), *(t[1] - box[3] for t in taken)]

    def free(down: float) -> bool:
        low, high = box[1] + down + 0.01 * height, box[3] + down - 0.01 * height
        return not any(
            t[0] < box[2] and box[0] < t[2] and t[1] < high and low < t[3] for t in taken
        )

    return min((d for d in places if free(d)), key=abs, default=0.0)
