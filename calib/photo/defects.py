"""Sag, droop, strings and roughness of a piece lying on its side, against its drawn silhouette."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.photo.hanging import LINE_MM, Edge, follow, rim_along
from calib.photo.profiles import Patch, cut_patch
from calib.photo.shares import Colours, colours_of
from calib.photo.strands import CELL_MM, Gap, gap_between, strings_in
from calib.photo.view import PieceView
from patterns.feature import Feature, Kind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Groups of judgements whose underside is followed for the thickness with its sag.
UNDERSIDES = ("bridge", "pass")

_UNDER_MM = 2.0  # how much of the side under an edge may be seen
_CORNER_MM = 0.6  # of an edge beside its ends: shaded or rounded
_RISE_MM = 0.25  # an edge that seems to hang upwards by more is not the edge
_SMOOTH_MM = 1.5
_LEAP_MM = 0.15  # from the curve: a blob, or a string
_LEAST_KEPT = 0.6  # of the edge, on its curve
_EDGE_SD_MM, _EDGE_SD_PX = 0.04, 0.4
_FREE_SD_MM = 0.08  # of a free end across its edge: held by one end, its root not known as well
_AREA_SHARE_SD = 0.15  # of a string's area: how thin things share a pixel
_LEAST_SEEN, _HIDDEN_SHARE = 0.2, 0.2  # of a gap's height; of strings there, per height
_CLEAR_MM = 0.3  # below a sagging rung, where strings begin to count
#: Of the drawn line, from the placement of the whole piece: its height, and from end to end.
_PLACED_SD_MM, _TURNED_SD_MM, _ROOT_SD_MM = 0.05, 0.03, 0.2


@dataclass(frozen=True, slots=True)
class Defect:
    """One measured defect: quantity is sag, droop, roughness or strings; unit mm or mm2.

    `photo` is the name of the photo that shows it, `outline_mm` (n, 3) lying points to draw it by.
    """

    feature: Feature
    quantity: str
    value: float
    unit: str
    sd: float
    note: str = ""
    photo: str = ""
    outline_mm: Floats = field(default_factory=lambda: np.zeros((0, 3)), compare=False, repr=False)


_JUDGED = (Kind.STRANDS, Kind.ROUGHNESS, Kind.DROOP)


def measure_defects(view: PieceView, features: Sequence[Feature]) -> list[Defect]:
    """Measure every feature that is judged by eye and lies flat in this photo."""
    if not any(f.kind in _JUDGED or f.group in UNDERSIDES for f in features):
        return []  # what follows looks at all of the piece and the paper about it
    world = np.concatenate([view.placement.to_world(f.rim.points_mm) for f in view.fits])
    pixels = view.camera.project(world)
    patch = cut_patch(view.sight.photo, pixels, round(6 * view.camera.px_per_mm(world[0])) + 8)
    colours = colours_of([f.share for f in view.fits])
    lines: dict[tuple[float | None, str], Defect] = {}
    rungs: dict[float | None, Edge] = {}
    out: list[Defect] = []
    for f in features:
        if f.kind is Kind.STRANDS:
            gap = _gap(view, f, features)
            if gap is not None:
                out.append(_strings(view, patch, colours, f, gap, rungs.get(f.rung)))
        elif f.kind is Kind.ROUGHNESS:
            out += _skin(view, patch, colours, f, features)
        elif f.kind is Kind.DROOP or (f.group in UNDERSIDES and f.kind in (Kind.SCORE, Kind.PASS)):
            edge = _edge(view, patch, colours, f)
            if edge is None:
                continue
            if f.start[2] == f.end[2]:
                rungs[f.rung] = edge
            out += (found := _underside(view, colours, edge, f))
            lines |= {(f.rung, d.quantity): d for d in found}
    out += [d for f in features if f.group == "sag" for d in _thickness(f, lines)]
    name = view.sight.photo.name
    return [replace(d, photo=name) for d in out]


def _ends(view: PieceView, feature: Feature) -> Floats:
    return view.lying.from_piece(np.array([feature.start, feature.end]))


def _smooth(values: Floats) -> Floats:
    from scipy import ndimage

    size = max(1, round(_SMOOTH_MM / LINE_MM))
    return np.asarray(ndimage.median_filter(values, size, mode="nearest"))


def _edge(view: PieceView, patch: Patch, colours: Colours, feature: Feature) -> Edge | None:
    """Follow the edge that a feature names; None where the photo does not show it."""
    a, b = _ends(view, feature)
    rim = rim_along(view, a, b)
    return follow(view, patch, colours, rim, a, b) if rim is not None else None


def _underside(view: PieceView, colours: Colours, edge: Edge, feature: Feature) -> list[Defect]:
    a, b = _ends(view, feature)
    length = float(np.linalg.norm((b - a)[:2]))
    s, e = edge.along_mm, _smooth(edge.out_mm)
    t = s / length
    px_per_mm = view.camera.px_per_mm(view.placement.to_world(edge.points_mm)[0])
    if (
        abs(feature.start[2] - feature.end[2]) < 1e-6
    ):  # held at both ends: a bridge, hangs in about a parabola
        columns = np.stack([np.ones_like(t), t - 0.5, 4 * t * (1 - t)], axis=1)
        terms, kept = _fitted(columns, e, (_PLACED_SD_MM, _TURNED_SD_MM))
        value, quantity = float(np.percentile((e - columns[:, :2] @ terms[:2])[kept], 97)), "sag"
        sd = float(np.hypot(_EDGE_SD_MM, _EDGE_SD_PX / px_per_mm))
    else:  # held at its root alone: level there, growing with the square of the way out
        vertical = abs(float((b - a)[:2] @ _up(view))) / length
        steep = max(float(np.sqrt(1 - vertical**2)), 0.2)
        terms, kept = _fitted(np.stack([np.ones_like(t), t**2], axis=1), e, (_ROOT_SD_MM,))
        kept &= (s > _CORNER_MM) & (s < length - _CORNER_MM)
        value, quantity, sd = float(terms[1]) / steep, "droop", _FREE_SD_MM / steep
    rough = float(np.std(edge.out_mm - e))
    note = _doubt(colours, edge, value, float(kept.mean()))
    return [
        Defect(feature, quantity, value, "mm", sd, note, outline_mm=edge.points_mm),
        Defect(feature, "roughness", rough, "mm", 0.25 * rough + 0.01, note),
    ]


def _doubt(colours: Colours, edge: Edge, value: float, kept: float) -> str:
    """Say why an edge that was followed may not be the right one; empty where nothing speaks for it."""
    if colours.doubt:
        return colours.doubt
    if edge.wall_mm > _UNDER_MM:
        return (
            "the camera looks under it: turn the piece on the mat by 180 degrees, or lean the camera"
            " the other way"
        )
    if value < -_RISE_MM or kept < _LEAST_KEPT:
        return "its edge is not clear: come closer, in even light"
    return ""


def _fitted(columns: Floats, e: Floats, known_sd_mm: Sequence[float]) -> tuple[Floats, Bools]:
    """Fit the terms of a curve to an edge, and tell which of its places do not leap off it.

    Robust least squares (Huber), to which it is an observation that the first terms are 0: the edge starts
    where it is drawn.
    """
    from scipy.optimize import least_squares

    def misfit(terms: Floats) -> Floats:
        drawn = terms[: len(known_sd_mm)] / known_sd_mm
        return np.concatenate([(columns @ terms - e) / (_EDGE_SD_MM * np.sqrt(len(e) / 6)), drawn])

    terms = np.asarray(least_squares(misfit, np.zeros(columns.shape[1]), loss="huber").x)
    off = np.abs(e - columns @ terms)
    return terms, np.asarray(off < max(4 * min(float(np.median(off)), _LEAP_MM / 2), _LEAP_MM))


def _up(view: PieceView) -> Floats:
    """Return the printed piece's upward direction, in lying x and y."""
    return np.asarray(view.lying.rotation[:2, 2])


def _thickness(feature: Feature, lines: dict[tuple[float | None, str], Defect]) -> list[Defect]:
    """Thickness with what hangs under it, from the underside of the same rung."""
    for quantity in ("sag", "droop"):
        line = lines.get((feature.rung, quantity))
        if line is not None and line.feature.kind is not Kind.DROOP:
            value = feature.nominal + line.value
            return [Defect(feature, "thickness", value, "mm", line.sd, line.note)]
    return []


def _room_mm(view: PieceView, feature: Feature, features: Sequence[Feature]) -> float:
    """Half the height of a band: half the way to the next feature of the group, or a probe's end."""
    here = feature.start[2]
    others = [
        abs(f.start[2] - here) for f in features if f.group == feature.group and f is not feature
    ]
    limit = 0.5 * min((d for d in others if d > 0.1), default=20.0)
    middle = (np.array(feature.start) + np.array(feature.end)) / 2
    free = 0.0
    for h in np.arange(0.1, limit, 0.1):
        probes = view.lying.from_piece(middle + np.array([[0, 0, h], [0, 0, -h]]))
        if view.lying.solid_at(probes).any():
            break
        free = float(h)
    return free


def _gap(view: PieceView, feature: Feature, features: Sequence[Feature]) -> Gap | None:
    return gap_between(view, _ends(view, feature), _up(view), _room_mm(view, feature, features))


def _strings(
    view: PieceView,
    patch: Patch,
    colours: Colours,
    feature: Feature,
    gap: Gap,
    above: Edge | None,
) -> Defect:
    """Area of material in a gap; `above` is the edge of the rung over it, where there is one.

    Strings cross the gap, so that what walls hide of its length holds as much as the rest. What a rung hides of
    its height holds less, for strings are further from it.
    """
    world = view.placement.to_world(gap.cells_mm.reshape(-1, 3))
    light = patch.sample(view.camera.project(world)).reshape(gap.cells_mm.shape)
    counted = strings_in(light, colours)
    hidden = float(gap.high_mm - len(gap.aside_mm) * CELL_MM)
    if above is not None:  # a rung that sags reaches into the gap below it, and is no string
        covered = gap.aside_mm > _lower_end(view, gap, above) - _CLEAR_MM
        counted = np.where(covered, 0.0, counted)
        hidden += float(covered.mean()) * len(gap.aside_mm) * CELL_MM
    least = float(counted.sum()) * CELL_MM * gap.length_mm / len(gap.along_mm)
    most = least / max(1 - hidden / gap.high_mm, _LEAST_SEEN)
    area = least + _HIDDEN_SHARE * (most - least)
    sd = np.hypot(_AREA_SHARE_SD * area, _HIDDEN_SHARE * (most - least))
    sd = np.hypot(sd, 0.02 * np.sqrt(gap.length_mm * gap.high_mm))
    frame = gap.cells_mm[[0, 0, -1, -1, 0], [0, -1, -1, 0, 0]]
    return Defect(feature, "strings", area, "mm2", float(sd), colours.doubt, outline_mm=frame)


def _lower_end(view: PieceView, gap: Gap, rung: Edge) -> Floats:
    """Where the rung over a gap ends for the camera, with the side under it: (n, 1), as aside_mm."""
    eye = view.placement.to_lying(view.camera.position_mm[None])[0]
    start, up = gap.cells_mm[0, 0], _up(view)
    direction = (gap.cells_mm[-1, 0] - start)[:2] / (gap.along_mm[-1] - gap.along_mm[0])
    points = rung.points_mm[:, :2] - rung.wall_mm * up
    ratio = (eye[2] - start[2]) / (eye[2] - rung.points_mm[:, 2:])
    from_start = eye[:2] + (points - eye[:2]) * ratio - start[:2]
    along, aside = from_start @ direction + gap.along_mm[0], from_start @ up + gap.aside_mm[0]
    return np.asarray(np.interp(gap.along_mm, along, aside)[:, None])


def _skin(
    view: PieceView,
    patch: Patch,
    colours: Colours,
    feature: Feature,
    features: Sequence[Feature],
) -> list[Defect]:
    """Roughness of an edge that runs up and down, or of both sides of a post: scatter about a line."""
    bands = [abs(f.start[2] - feature.start[2]) for f in features if f.group == feature.group]
    half = 0.45 * min((d for d in bands if d > 0.1), default=10.0)
    if feature.start[2] == feature.end[2]:
        middles = np.array([feature.start, feature.end])
    else:
        middles = (np.array([feature.start]) + feature.end) / 2
    values, points = [], np.zeros((0, 3))
    for middle in middles:
        a, b = view.lying.from_piece(middle + np.array([[0, 0, -half], [0, 0, half]]))
        rim = rim_along(view, a, b)
        edge = follow(view, patch, colours, rim, a, b) if rim is not None else None
        if edge is not None:
            line = np.polyfit(edge.along_mm, edge.out_mm, 1)
            values.append(float(np.std(edge.out_mm - np.polyval(line, edge.along_mm))))
            points = edge.points_mm
    if not values:
        return []
    rough = float(np.sqrt(np.mean(np.square(values))))
    note = colours.doubt
    sd = 0.25 * rough + 0.01
    return [Defect(feature, "roughness", rough, "mm", sd, note, outline_mm=points)]
