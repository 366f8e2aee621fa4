"""Flatbed scans of a piece: found and measured by the same edges as photos, with the scanner's own scale.

A piece lies with its rim on the glass, paper of another colour over it. The scanner looks at it from
below, and its picture shows what an eye in its place would see: not mirrored, but the side that lies on
the glass. So everything is as in a photo from straight above of a piece that lies on its other side.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.card import card_body, card_features
from calib.photo.image import Photo
from calib.photo.locate import Box, Found, TopView, locate, mask_of, top_view
from calib.photo.lying import Lying, lay
from calib.photo.measure import Length, combine, flat_direction, measure_features, shows
from calib.photo.profiles import cut_patch, sample_rim
from calib.photo.rims import Rim, rims_of
from calib.photo.scale import CALIPER_SD_MM, PaperScale, card_lengths
from calib.photo.scanner import (
    MM_PER_INCH,
    Clue,
    Glass,
    GlassScale,
    Size,
    settle,
    turning,
    weights,
)
from calib.photo.session import Outcome, check_known, unseen
from calib.photo.strip import Strip, find_strip
from calib.photo.view import PieceView, Sight, fit_close, fit_piece
from patterns.body import Body
from patterns.errors import BadInput
from patterns.feature import Feature

Floats = NDArray[np.float64]

LEAST_DPI = 200.0
_ON_GLASS_MM = 0.05
_MOST_LIFT_MM = 3.0  # rows of rods see sharply no further
_BED_EDGE_SD_MM = 0.08  # of outlines on the glass with the bed's side: the first layer bulges
_AROUND_MM = 7.0
_ALIKE = 0.15  # how far outline and length of a blob's hull may be off, as a fraction
_START_BLUR_PX, _FINE_REACH_MM = 1.5, 0.4
_BESIDE_PX = 3.5  # from where it is steepest: an edge has its full height
_LEAST_STEP, _USUAL_BLUR_PX = 0.3, 0.8  # less of a step in brightness tells no blur
_BRIGHTNESS = np.array([0.299, 0.587, 0.114])  # ITU-R BT.601: what JPEG keeps at full resolution
_ROUNDS = 2  # the scale changes the camera, which changes the lengths it came from
_SQUARE_SD = 3e-4  # of a card's corners, rad (no source)
_STRIP_SD = 1e-4  # of a printed strip: how flat it lies (no source)
#: Directions along which a printed strip tells the scale.
_WAYS = ((1.0, 0.0), (0.0, 1.0), (0.5**0.5, 0.5**0.5))


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
    on_glass = [r for r in rims if r.z_mm > top - _ON_GLASS_MM]
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


def measure_scans(
    photos: Sequence[Photo],
    body: Body,
    features: Sequence[Feature],
    *,
    dpi: float | None = None,
    card_mm: tuple[float, float] | None = None,
    known_mm: Mapping[str, float] | None = None,
    paper_of: Callable[[str], PaperScale | None] = lambda _: None,
) -> Outcome:
    """Measure a piece in a scan, or in two that differ by a quarter turn of what lies on the glass.

    Parameters
    ----------
    dpi : float or None
        Pixels per inch, where the file doesn't state them.
    card_mm : (width, height) or None
        What a caliper reads of the card beside the piece; None: as ISO/IEC 7810 has it.
    known_mm : mapping
        Feature id -> what a caliper reads.
    paper_of : function
        The scale of a printed mat by its name, where its bars were measured.

    Raises
    ------
    FileError, BadInput
        A scan can't be used, or a known length is not one that the scans show.
    """
    known = known_mm or {}
    check_known(features, known)
    piece = sought(body)
    if not any(shows(piece.lying, f) for f in features):
        raise BadInput("no size of this piece lies level in a scan", mend="use the caliper")
    scale = GlassScale()
    scans = [_look(p, dpi, piece, scale) for p in photos]
    for _ in range(_ROUNDS):
        scale = _settled(scans, features, known, scale, card_mm, paper_of)
        scans = [_again(s, scale) for s in scans]
    own = replace(scale, height_mm=piece.height_mm)
    single = [_lengths(s.piece, features, own, piece.height_mm) for s in scans]
    order = {f.id: n for n, f in enumerate(features)}
    lengths = sorted(combine([n for g in single for n in g]), key=lambda n: order[n.feature.id])
    notes = _notes(piece, scans, scale, lengths, features)
    return Outcome(
        tuple(s.piece for s in scans), tuple(single), tuple(lengths), scale, notes
    )  # fmt: skip


def _lengths(
    view: PieceView, features: Sequence[Feature], scale: GlassScale, height_mm: float
) -> tuple[Length, ...]:
    found = measure_features(view, features, scale)
    if not (view.lying.bed_up and height_mm < _ON_GLASS_MM):
        return tuple(found)
    return tuple(
        replace(n, edge_sd_mm=float(np.hypot(n.edge_sd_mm, _BED_EDGE_SD_MM))) if n.edge_sd_mm else n
        for n in found
    )


# ------------------------------------------------------------------ what lies on the glass


def _look(photo: Photo, dpi: float | None, piece: Sought, scale: GlassScale) -> Scanned:
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


def _again(scan: Scanned, scale: GlassScale) -> Scanned:
    """Look again with another scale."""

    def seen(view: PieceView, height_mm: float) -> PieceView:
        glass = Glass.of(scan.photo.size, scan.dpi, scale, height_mm)
        rims = list({id(f.rim): f.rim for f in view.fits}.values())
        return _refit(view, replace(view.sight, camera=glass), rims)

    piece = seen(scan.piece, _height(scan.piece))
    return replace(scan, piece=piece, card=scan.card and seen(scan.card, 0.0))


def _height(view: PieceView) -> float:
    return float(view.lying.size_mm[2]) - view.fits[0].z_mm


# ------------------------------------------------------------------ the scanner's scale


def _settled(
    scans: Sequence[Scanned],
    features: Sequence[Feature],
    known_mm: Mapping[str, float],
    now: GlassScale,
    card_mm: tuple[float, float] | None,
    paper_of: Callable[[str], PaperScale | None],
) -> GlassScale:
    """Fit the scale to card, strip, caliper and, between two scans, the piece itself."""
    clues: list[Clue] = []
    sizes: dict[str, Size] = {}
    sources: list[str] = []
    for scan in scans:
        if scan.card is not None:
            found = _card_clues(scan.card, now)
            clues, sources = clues + found, [*sources, "card"] if found else sources
            sds = [CALIPER_SD_MM] * 2 if card_mm else [sd for _, sd in card_lengths()]
            means = card_mm or [mm for mm, _ in card_lengths()]
            sizes |= {f.id: Size(m, s) for f, m, s in zip(card_features(), means, sds, strict=True)}
        if scan.strip is not None:
            paper = paper_of(scan.strip.mat.name) if scan.strip.serial_known else None
            clues += _strip_clues(scan, scan.strip)
            sizes |= _paper_sizes(scan.strip.mat.name, paper or PaperScale())
            bars = "bars measured" if paper else "bars not measured"
            sources.append(f"mat {scan.strip.mat.name}, {bars}")
    for name, true_mm in known_mm.items():
        clues += _known_clues(scans, features, name, true_mm, now)
        sources.append(f"caliper on {name}")
    between = _between(scans, features, now)
    sources += ["the piece against itself, turned"] if between else []
    return settle(clues + between, sizes, ", ".join(dict.fromkeys(sources)))


def _along(view: PieceView, feature: Feature) -> Floats:
    direction = flat_direction(view.lying, feature)
    assert direction is not None  # it was measured
    return np.asarray(view.placement.turned(direction[None])[0])


def _card_clues(card: PieceView, now: GlassScale) -> list[Clue]:
    """Tell its width and height, and that it is rectangular."""
    clues = []
    for n in measure_features(card, card_features(), now):
        w = n.value_mm * weights(_along(card, n.feature), 0.0)
        value = float(w @ now.factors) - n.value_mm
        sd = float(np.hypot(n.own_sd_mm, n.edge_sd_mm))
        clues.append(Clue(w, {n.feature.id: -1.0}, value, sd))
    turns: dict[bool, list[tuple[Floats, float]]] = {True: [], False: []}
    for f in card.fits:
        tangent = np.array([-f.normals[0, 1], f.normals[0, 0]])
        s = ((f.points_mm[:, :2] - f.points_mm[0, :2]) @ tangent)[f.good]
        if len(s) >= 8:
            world = turning(card.placement.turned(tangent[None])[0], 0.0)
            slope = float(np.polyfit(s, f.offset_mm[f.good], 1)[0])
            turns[bool(abs(tangent[0]) > 0.5)].append((world, -slope))
    if all(turns.values()):
        along, across = (
            (np.mean([w for w, _ in t], axis=0), float(np.mean([v for _, v in t])))
            for t in turns.values()
        )
        w = along[0] - across[0]
        clues.append(Clue(w, {}, float(w @ now.factors) - (along[1] - across[1]), _SQUARE_SD))
    return clues


def _strip_clues(scan: Scanned, strip: Strip) -> list[Clue]:
    """Tell, along three directions, how long what is printed there is."""
    stated = np.diag([scan.dpi[0], -scan.dpi[1]]) / MM_PER_INCH
    drawn_per_stated = np.linalg.inv(strip.px_per_mm) @ stated
    clues = []
    for way in _WAYS:
        drawn = drawn_per_stated @ np.array(way)
        long = float(np.linalg.norm(drawn))
        x, y = (drawn / long) ** 2
        others = {f"{strip.mat.name} mean": -long, f"{strip.mat.name} stretch": -long * (x - y)}
        clues.append(Clue(weights(np.array(way), 0.0), others, 0.0, _STRIP_SD))
    return clues


def _paper_sizes(name: str, paper: PaperScale) -> dict[str, Size]:
    """Mean of the paper's scale in X and Y and half their difference: these are independent."""
    (x, y), c = paper.factors, paper.covariance
    mean, half = (c.sum() / 4) ** 0.5, ((c[0, 0] + c[1, 1] - 2 * c[0, 1]) / 4) ** 0.5
    return {
        f"{name} mean": Size(float((x + y) / 2), float(mean)),
        f"{name} stretch": Size(float((x - y) / 2), float(half)),
    }


def _known_clues(
    scans: Sequence[Scanned], features: Sequence[Feature], name: str, true_mm: float, now: GlassScale
) -> list[Clue]:  # fmt: skip
    feature = next(f for f in features if f.id == name)
    clues = []
    for scan in scans:
        for n in measure_features(scan.piece, [feature], now):
            if not n.flags:
                w = n.value_mm * weights(_along(scan.piece, feature), _height(scan.piece))
                sd = float(np.hypot(CALIPER_SD_MM, n.own_sd_mm))
                clues.append(Clue(w, {}, true_mm - n.value_mm + float(w @ now.factors), sd))
    if not clues:
        raise BadInput(
            f"{name} can't be measured in these scans",
            mend="give the caliper reading of a length that is clear in them",
        )
    return clues


def _between(scans: Sequence[Scanned], features: Sequence[Feature], now: GlassScale) -> list[Clue]:
    """Tell from a piece that was turned between two scans: its lengths are the same in both."""
    clues = []
    for first, second in pairwise(scans):
        pair = [
            {n.feature.id: n for n in measure_features(s.piece, features, now) if not n.flags}
            for s in (first, second)
        ]
        for name in pair[0].keys() & pair[1].keys():
            a, b = pair[0][name], pair[1][name]
            wa, wb = (
                n.value_mm * weights(_along(s.piece, n.feature), _height(s.piece))
                for s, n in ((first, a), (second, b))
            )
            w = wa - wb
            value = float(w @ now.factors) - (a.value_mm - b.value_mm)
            clues.append(Clue(w, {}, value, float(np.hypot(a.own_sd_mm, b.own_sd_mm))))
    turned = any(np.abs(c.of_scale[0] - c.of_scale[1]) > 0.2 * abs(c.of_scale).max() for c in clues)
    return clues if turned else []


# ------------------------------------------------------------------ words


def how_to_lay(piece: Sought) -> str:
    """Say which side of a piece lies on the glass."""
    if piece.lying.bed_up:
        return "its bed side on the glass, for something stands over its rim"
    return "its upper side on the glass"


def _notes(
    piece: Sought,
    scans: Sequence[Scanned],
    scale: GlassScale,
    lengths: Sequence[Length],
    features: Sequence[Feature],
) -> tuple[str, ...]:
    ratio, sd = scale.ratio
    notes = [f"this scanner draws X / Y by {ratio:.4f} \u00b1 {2 * sd:.4f}: true over stated"]
    if not any(s.card or s.strip for s in scans) and "caliper" not in scale.source:
        notes.append(
            "nothing of known size lies beside the piece: lengths carry 0.4 % of uncertainty; lay a card"
            " (ID-1) or an edge of a measured mat on the glass, or give one caliper reading with --known"
        )
    if piece.height_mm > _ON_GLASS_MM and scale.covariance[3, 3] > 1e-6:
        notes.append(
            f"its edges are {piece.height_mm:.1f} mm above the glass, where some scanners draw X smaller: scan it"
            " again, turned by 90 degrees, and give both scans"
        )
    notes += [f"{s.photo.name}: no colour in it" for s in scans if s.photo.grey]
    found = {n.feature.id for n in lengths}
    notes += unseen([piece.lying], features, found)
    return tuple(dict.fromkeys(notes))
