"""What lies on a scanner's glass: the piece, a card, a printed strip, found and their edges followed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.card import card_body, card_features
from calib.photo.image import Photo
from calib.photo.locate import Box, Found, TopView, locate, mask_of, top_view
from calib.photo.lying import Lying, lay
from calib.photo.measure import measure_features
from calib.photo.profiles import cut_patch, sample_rim
from calib.photo.rims import Rim, rims_of
from calib.photo.scanner import MM_PER_INCH, Glass, GlassScale
from calib.photo.strip import Strip, find_strip
from calib.photo.view import PieceView, Sight, fit_close, fit_piece
from patterns.body import Body
from patterns.errors import BadInput

Floats = NDArray[np.float64]

LEAST_DPI = 200.0
ON_GLASS_MM = 0.05
_MOST_LIFT_MM = 3.0  # rows of rods see sharply no further
_AROUND_MM = 7.0
_ALIKE = 0.15  # how far outline and length of a blob's hull may be off, as a fraction
_START_BLUR_PX, _FINE_REACH_MM = 1.5, 0.4
_BESIDE_PX = 3.5  # from where it is steepest: an edge has its full height
_LEAST_STEP, _USUAL_BLUR_PX = 0.3, 0.8  # less of a step in brightness tells no blur
_BRIGHTNESS = np.array([0.299, 0.587, 0.114])  # ITU-R BT.601: what JPEG keeps at full resolution


@dataclass(frozen=True, eq=False)
class Sought:
    """Something that may lie on the glass: its rims, and how far above the glass they are."""

    lying: Lying
    rims: tuple[Rim, ...]
    height_mm: float


def sought(body: Body) -> Sought:
    """Say how a piece is to lie: with its rim on the glass, or, where something stands over it, its bed side.

    Raises
    ------
    BadInput
        Neither way brings its edges near the glass.
    """
    upside_down = lay(body, "bottom")
    rims, top = rims_of(upside_down), float(upside_down.size_mm[2])
    on_glass = [r for r in rims if r.z_mm > top - ON_GLASS_MM]
    if 2 * sum(r.length_mm for r in on_glass) > sum(r.length_mm for r in rims):
        return _sought(upside_down, on_glass)
    upright = lay(body, "top")
    rims, top = rims_of(upright), float(upright.size_mm[2])
    near = [r for r in rims if r.z_mm > top - _MOST_LIFT_MM]
    if not near:
        raise BadInput(
            f"no edge of this piece comes within {_MOST_LIFT_MM:g} mm of a scanner's glass",
            mend="take a photo of it on the mat, or use the caliper",
        )
    levels = {round(r.z_mm, 3) for r in near}
    longest = max(levels, key=lambda z: sum(r.length_mm for r in near if round(r.z_mm, 3) == z))
    return _sought(upright, [r for r in near if round(r.z_mm, 3) == longest])


def _sought(lying: Lying, rims: Sequence[Rim]) -> Sought:
    """Without walls: from below none is seen."""
    bare = tuple(replace(r, foot_mm=r.points_mm[:, 2], bevel_mm=0.0) for r in rims)
    return Sought(lying, bare, float(lying.size_mm[2]) - bare[0].z_mm)


@dataclass(frozen=True, eq=False)
class Scanned:
    """What was found in one scan."""

    photo: Photo
    dpi: tuple[float, float]
    piece: PieceView
    card: PieceView | None
    strip: Strip | None


def how_to_lay(piece: Sought) -> str:
    """Say which side of a piece lies on the glass."""
    if piece.lying.bed_up:
        return "its bed side on the glass, for something stands over its rim"
    return "its upper side on the glass"


def look_at(photo: Photo, dpi: float | None, piece: Sought, scale: GlassScale) -> Scanned:
    """Find piece, card and strip in one scan."""
    stated = (dpi, dpi) if dpi else photo.dpi
    if stated is None or min(stated) < LEAST_DPI:
        said = "states no resolution" if stated is None else f"has {min(stated):.0f} dpi"
        raise FileError(
            f"the scan {said}",
            where=photo.name,
            mend="scan at 300 to 600 dpi, and say so: --dpi 600",
        )
    flat = Glass.of(photo.size, stated, scale, 0.0)
    width, height = (n * MM_PER_INCH / d for n, d in zip(photo.size, stated, strict=True))
    page = top_view(photo, flat, (-width / 2, -height / 2, width / 2, height / 2))
    strip = find_strip(photo)
    boxes = _boxes(page if strip is None else _without(page, flat, strip))
    found = _find(photo, Glass.of(photo.size, stated, scale, piece.height_mm), boxes, piece)
    if found is None:
        raise FileError(
            "the piece can't be found in the scan",
            where=photo.name,
            mend="lay it flat on the glass, whole and apart from all else, under paper of another colour; "
            + how_to_lay(piece),
        )
    card = _find(photo, flat, boxes, _sought(lay(card_body(), "bottom"), _card_rims()))
    if card is not None and any(n.flags for n in measure_features(card, card_features(), scale)):
        card = None
    return Scanned(photo, stated, found, card, strip)


def _without(page: TopView, flat: Glass, strip: Strip) -> TopView:
    """Paint a mat over with the light of the paper beside it."""
    import cv2

    mask = np.zeros(page.light.shape[:2], np.uint8)
    world = flat.on_plane(strip.page_px)
    at = np.rint(page.pixel(world)).astype(np.int32)
    cv2.fillPoly(mask, [at], 1)
    light = page.light.copy()
    light[mask > 0] = np.median(light[mask == 0], axis=0) if (mask == 0).any() else 0.0
    return replace(page, light=light)


def _card_rims() -> tuple[Rim, ...]:
    return rims_of(lay(card_body(), "bottom"))


def _boxes(page: TopView) -> list[tuple[Box, float, float]]:
    """Boxes around what is not paper, with outline and area of each hull, mm and mm^2."""
    import cv2

    mask = (mask_of(page) > 0.5).astype(np.uint8)
    loops, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = []
    size = np.array(page.light.shape[1::-1]) / np.subtract(page.box_mm[2:], page.box_mm[:2])
    for loop in loops:
        # pixel centres of the outermost: half a pixel more on every side
        hull = (cv2.convexHull(loop).reshape(-1, 2) / size).astype(np.float32)
        if len(hull) < 3:
            continue
        long, area = cv2.arcLength(hull, True), cv2.contourArea(hull)
        out.append((_around(hull, page.box_mm), long + np.pi / size[0], area + long / 2 / size[0]))
    return out


def _around(hull: NDArray[np.floating[Any]], page: Box) -> Box:
    low = hull.min(axis=0) + page[:2] - _AROUND_MM
    high = hull.max(axis=0) + page[:2] + _AROUND_MM
    return (
        max(float(low[0]), page[0]), max(float(low[1]), page[1]),
        min(float(high[0]), page[2]), min(float(high[1]), page[3]),
    )  # fmt: skip


def _find(
    photo: Photo, glass: Glass, boxes: Sequence[tuple[Box, float, float]], what: Sought
) -> PieceView | None:
    """Find a thing among blobs whose hull is about as long and as large as its own."""
    import cv2

    points = np.concatenate([r.points_mm[:, :2] for r in rims_of(what.lying)]).astype(np.float32)
    hull = cv2.convexHull(points)
    long, area = cv2.arcLength(hull, True), cv2.contourArea(hull)
    off = [(abs(np.log(b[1] / long)) + abs(np.log(b[2] / area)), b[0]) for b in boxes]
    sight = Sight(photo=photo, camera=glass, blur_px=_START_BLUR_PX)
    for away, box in sorted(off, key=lambda o: o[0])[:2]:
        if away > _ALIKE:
            break
        top = top_view(photo, glass, box)
        found = fit_close(sight, locate(top, mask_of(top), glass, [what.lying]), what.rims)
        if found:
            sharp = replace(sight, blur_px=_blur_px(found[0], what.rims))
            return _refit(found[0], sharp, what.rims)
    return None


def _refit(view: PieceView, sight: Sight, rims: Sequence[Rim]) -> PieceView:
    """Fit again, from where the piece was found, as another sight sees it."""
    place = view.placement
    at = view.camera.project(np.array([[place.x_mm, place.y_mm, 0.0]]))
    x, y = (float(v) for v in sight.camera.on_plane(at)[0])
    moved = replace(place, x_mm=x, y_mm=y, grow=(0.0, 0.0))
    return fit_piece(sight, Found(view.lying, moved, view.score), rims)


def _blur_px(view: PieceView, rims: Sequence[Rim]) -> float:
    """Return the standard deviation of the blur from the brightness across the piece's own edges.

    A step blurred by a Gaussian has its steepest slope at height / (sigma sqrt(2 pi)).
    """
    camera, widths = view.camera, []
    world = view.placement.to_world(np.concatenate([r.points_mm for r in rims]))
    px_per_mm = camera.px_per_mm(world[0])
    patch = cut_patch(view.sight.photo, camera.project(world), round(5 * px_per_mm))
    for rim in rims:
        every = np.ones(len(rim.points_mm), dtype=bool)
        for p in sample_rim(
            patch, camera, view.placement, rim, every, _START_BLUR_PX, _FINE_REACH_MM
        ):
            widths += list(
                _widths_px(p.light @ _BRIGHTNESS, (p.across_mm[1] - p.across_mm[0]) * px_per_mm)
            )
    return float(np.clip(np.median(widths), 0.4, 0.4 * px_per_mm)) if widths else _USUAL_BLUR_PX


def _widths_px(tone: Floats, step_px: float) -> Floats:
    """Return the blur of the step in each row that has one, by its slope and its height close by."""
    slope = np.abs(np.diff(tone, axis=1))
    steepest = slope.argmax(axis=1)
    beside = max(2, round(_BESIDE_PX / step_px))
    rows, last = np.arange(len(tone)), tone.shape[1] - 1
    low = tone[rows, np.maximum(steepest - beside, 0)]
    high = tone[rows, np.minimum(steepest + 1 + beside, last)]
    wide = (
        np.abs(high - low) / np.maximum(slope[rows, steepest], 1e-9) * step_px / np.sqrt(2 * np.pi)
    )
    return np.asarray(wide[np.abs(high - low) > _LEAST_STEP * np.maximum(high, low)])


def look_again(scan: Scanned, scale: GlassScale) -> Scanned:
    """Look again with another scale."""

    def seen(view: PieceView, height_mm: float) -> PieceView:
        glass = Glass.of(scan.photo.size, scan.dpi, scale, height_mm)
        rims = list({id(f.rim): f.rim for f in view.fits}.values())
        return _refit(view, replace(view.sight, camera=glass), rims)

    piece = seen(scan.piece, height_of(scan.piece))
    return replace(scan, piece=piece, card=scan.card and seen(scan.card, 0.0))


def height_of(view: PieceView) -> float:
    """Return how far above the glass, in mm, the edges of a piece are."""
    return float(view.lying.size_mm[2]) - view.fits[0].z_mm
