"""From rims to lengths: each feature that a photo shows, with its uncertainty and its doubts."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.photo.edges import EdgeFit
from calib.photo.lying import Lying
from calib.photo.scale import Scale
from calib.photo.view import PieceView
from patterns.feature import Feature, Kind

Floats = NDArray[np.float64]

#: How far outward every edge is seen of where a caliper finds it: taken off, with a standard uncertainty that
#: all lengths share. Inside, for a caliper touches the layers that jut out most, and ledges between layers
#: are dark. From path-traced photos of layers by 0 to 0.04 mm uneven, and of coloured light that bounced.
OUTWARD_MM, OUTWARD_SD_MM = -0.015, 0.015
_MODEL_SD_MM = 0.006  # of one edge: what the step model leaves in path-traced photos
_BRIGHTNESS_SD_MM = 0.02  # more where brightness alone tells plastic from paper
_DIM, _DIM_SD_MM = 0.04, 0.06  # and where plastic that is told by colour has so little light
_WALL_SHARE_SD = 0.1  # of a wall that is seen: how its light compares with the upper face's
_SQUEEZE_SD_MM = 0.08  # of a foot on the bed: the first layer bulges
_CENTRE_SD_MM = 0.1
_HEIGHT_SD_MM = 0.05  # of the rim above the paper: first layer, paper's lie
_CORRELATED_MM = 4.0  # along a rim: the texture of the print repeats
_LATERAL_MM = 3.0
_FLAG_SCATTER_MM, _FLAG_SCATTER_PX = 0.05, 0.3
_FLAG_RIVAL, _FLAG_CLEAR, _FLAG_SHADOW = 1.5, 0.93, 0.12
_FLAG_OFF_MM = 0.6
_LEAST_MM = 2.0  # of a length: less has no room for two blurred edges
_MEASURED = (
    Kind.OUTSIDE, Kind.INSIDE, Kind.PITCH, Kind.HEIGHT, Kind.STEP, Kind.DIAGONAL, Kind.WALL,
    Kind.DIAMETER,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class End:
    """One end of a length.

    Attributes
    ----------
    point_mm : (3,) float
        Where it should be, lying coordinates, at the height of its rim.
    shift_mm : float
        How far along the feature's direction it was found from there, world millimetres.
    sd_mm : float
        Of the shift, from scatter and model.
    outward : float
        +1 where material ends along the direction, -1 where it begins (0: a centre).
    doubts : tuple of str
    """

    point_mm: Floats
    shift_mm: float
    sd_mm: float
    outward: float
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Length:
    """One feature measured in one photo, or in several together.

    Attributes
    ----------
    feature : Feature
    value_mm : float
    own_sd_mm : float
        Standard uncertainty of this length alone: rims, camera, heights.
    edge_sd_mm : float
        From how far outward all edges are seen: outside lengths grow by it, inside ones shrink.
    scale_sd_mm : float
        From the paper's scale: common to all lengths along one direction.
    flags : tuple of str
        Why not to trust it; empty where it can be used.
    ends : pairs of (3,) float
        Its ends in world millimetres, for the picture.
    photo : str
    """

    feature: Feature
    value_mm: float
    own_sd_mm: float
    edge_sd_mm: float
    scale_sd_mm: float
    flags: tuple[str, ...]
    ends: tuple[Floats, Floats] | None = field(default=None)
    photo: str = ""

    @property
    def sd_mm(self) -> float:
        """Combined standard uncertainty."""
        return float(np.sqrt(self.own_sd_mm**2 + self.edge_sd_mm**2 + self.scale_sd_mm**2))


def measure_features(view: PieceView, features: Sequence[Feature], scale: Scale) -> list[Length]:
    """Measure every feature that lies flat in this photo and whose rims were seen."""
    out = []
    for feature in features:
        if shows(view.lying, feature):
            length = _measure(view, feature, scale)
            out += [length] if length is not None else []
    return out


def flat_direction(lying: Lying, feature: Feature) -> Floats | None:
    """Direction of a feature in the mat's plane, lying coordinates; None where it stands up."""
    d = lying.rotation @ np.array(feature.direction)
    if np.linalg.norm(d) < 0.5 or abs(d[2]) > 1e-6:
        return None
    return np.asarray(d[:2])


def shows(lying: Lying, feature: Feature) -> bool:
    """Tell whether a photo of a piece that lies so can show a feature's length."""
    large = feature.nominal >= _LEAST_MM
    return feature.kind in _MEASURED and large and flat_direction(lying, feature) is not None


def _measure(view: PieceView, feature: Feature, scale: Scale) -> Length | None:
    direction = flat_direction(view.lying, feature)
    if direction is None:
        return None
    anchors = view.lying.from_piece(np.array([feature.start, feature.end]))
    ends = [_end(view, anchors[0], direction), _end(view, anchors[1], direction)]
    a, b = ends
    if a is None or b is None:
        return None
    grown = view.placement.grown(anchors)
    nominal = float((grown[1] - grown[0])[:2] @ direction)
    outward = b.outward - a.outward
    value = nominal + b.shift_mm - a.shift_mm - OUTWARD_MM * outward
    world = view.placement.turned(direction[None])[0]
    camera_sd = _camera_sd(view, a, b, world)
    edge_sd = abs(outward) * OUTWARD_SD_MM
    own = float(np.sqrt(a.sd_mm**2 + b.sd_mm**2 + camera_sd**2))
    places = [_seen_at(view, e, world) for e in (a, b)]
    return Length(
        feature, float(value), own, edge_sd, abs(nominal) * scale.sd_along(world),
        (*a.doubts, *b.doubts), (places[0], places[1]), view.sight.photo.name,
    )  # fmt: skip


def _seen_at(view: PieceView, end: End, world_direction: Floats) -> Floats:
    at = view.placement.to_world(end.point_mm[None])[0]
    return np.asarray(at + np.append(world_direction * end.shift_mm, 0.0))


def _camera_sd(view: PieceView, a: End, b: End, world_direction: Floats) -> float:
    """From the camera's parameters and the rims' heights, by differences at both ends."""
    camera = view.camera
    at = view.placement.to_world(np.stack([a.point_mm, b.point_mm]))
    pixels = camera.project(at)

    def length(c: object, dz: float = 0.0) -> float:
        p = [
            camera_on(c, pixels[n : n + 1], float(at[n, 2]) + dz) @ world_direction for n in (0, 1)
        ]
        return float((p[1] - p[0])[0])

    def camera_on(c: object, pixel: Floats, z: float) -> Floats:
        return np.asarray(c.on_plane(pixel, z))  # type: ignore[attr-defined]  # a Camera

    base = length(camera)
    slope = np.array([(length(camera.moved(camera.steps * row)) - base) / s for row, s in zip(np.eye(len(camera.steps)), camera.steps, strict=True)])  # fmt: skip
    by_height = (length(camera, 0.1) - base) / 0.1
    variance = slope @ camera.covariance @ slope + (by_height * _HEIGHT_SD_MM) ** 2
    return float(np.sqrt(max(variance, 0.0)))


def _end(view: PieceView, anchor: Floats, d: Floats) -> End | None:
    """Find the rim(s) that an anchor stands for."""
    for finder in (_straight_end, _arc_end, _centre_end, _corner_end):
        end = finder(view, anchor, d)
        if end is not None:
            return end
    return None


def _straight_end(view: PieceView, anchor: Floats, d: Floats) -> End | None:
    best: tuple[float, EdgeFit, float] | None = None
    for f in view.fits:
        if f.rim.circle is not None:
            continue
        points, n = f.rim.points_mm, f.rim.normals[0]
        along = float(n @ d)
        if abs(along) < 0.999 or abs(float((points[0] - anchor)[:2] @ d)) > 0.05:
            continue
        aside = np.array([-d[1], d[0]])
        s = (points[:, :2] - anchor[:2]) @ aside
        lateral = max(0.0, float(s.min()), float(-s.max()))
        if lateral <= _LATERAL_MM:
            cost = lateral + 0.1 * abs(f.rim.z_mm - float(anchor[2]))
            if best is None or cost < best[0]:
                best = (cost, f, along)
    if best is None:
        return None
    fit, sign = best[1], float(np.sign(best[2]))
    offset, sd = _offset_at(fit, anchor)
    place = np.array([anchor[0], anchor[1], fit.z_mm])
    return End(place, sign * offset, sd, sign, _doubts(view, fit))


def _offset_at(f: EdgeFit, anchor: Floats) -> tuple[float, float]:
    """Offset of a rim's line beside an anchor (no further than its ends), with uncertainty."""
    good = f.good if f.good.sum() >= 2 else np.ones(len(f.good), dtype=bool)
    t = f.points_mm[:, :2] - f.points_mm[0, :2]
    tangent = np.array([-f.normals[0, 1], f.normals[0, 0]])
    s, y = (t @ tangent)[good], f.offset_mm[good]
    where = float((anchor[:2] - f.points_mm[0, :2]) @ tangent)
    where = float(np.clip(where, s.min(), s.max()))
    count = len(s)
    spread = max(f.scatter_mm, float(np.median(f.sd_mm[good])))
    independent = max(1.0, min(count, np.ptp(s) / _CORRELATED_MM + 1))
    if count < 4 or np.ptp(s) < 6.0:
        value, variance = float(y.mean()), spread**2 / independent
    else:
        slope, level = np.polyfit(s - s.mean(), y, 1)
        value = float(level + slope * (where - s.mean()))
        variance = spread**2 * (1 + (where - s.mean()) ** 2 / s.var()) / independent
    return value, float(np.sqrt(variance + _model_variance(f)))


def _model_variance(f: EdgeFit) -> float:
    """Return what the model of an edge leaves, mm^2."""
    told = _BRIGHTNESS_SD_MM
    if f.share.by_colour:  # a camera's file keeps dark colours coarsely
        told = _DIM_SD_MM if f.share.plastic.mean() < _DIM else 0.0
    wall = _WALL_SHARE_SD * f.wall_mm
    squeeze = _SQUEEZE_SD_MM if f.z_mm < 1e-6 else 0.0
    return _MODEL_SD_MM**2 + told**2 + squeeze**2 + wall**2


def _circle_step(f: EdgeFit) -> tuple[Floats, Floats]:
    """Growth of the radius and shift of the centre (x, y), with covariance.

    The centre, which is printed about where it should be, keeps the others from being too free.
    """
    good = f.good if f.good.sum() >= 6 else np.ones(len(f.good), dtype=bool)
    spread = max(f.scatter_mm, float(np.median(f.sd_mm[good])))
    thinning = max(1.0, _CORRELATED_MM * good.sum() / max(f.length_mm, 1.0))
    weighed = np.column_stack([np.ones(int(good.sum())), f.normals[good]])
    weighed /= spread * np.sqrt(thinning)
    normal = weighed.T @ weighed + np.diag([0.0, *[_CENTRE_SD_MM**-2] * 2])
    covariance = np.linalg.inv(normal)
    step = covariance @ weighed.T @ (f.offset_mm[good] / (spread * np.sqrt(thinning)))
    return step, covariance + np.eye(3) * _model_variance(f)


def _material(f: EdgeFit) -> float:
    """+1 for a disc's rim, -1 for a hole's: the way its normals look from its centre."""
    circle = f.rim.circle
    assert circle is not None
    away = f.rim.points_mm[0, :2] - (circle.u, circle.v)
    return float(np.sign(away @ f.rim.normals[0]))


def _arc_end(view: PieceView, anchor: Floats, d: Floats) -> End | None:
    """Find a point on a circle, touched along its radius."""
    for f in view.fits:
        if f.rim.circle is None:
            continue
        away = anchor[:2] - (f.rim.circle.u, f.rim.circle.v)
        radius = f.rim.circle.diameter_mm / 2
        if abs(np.linalg.norm(away) - radius) > 0.1 or abs(abs(away @ d) / radius - 1) > 0.01:
            continue
        radial = float(np.sign(away @ d))
        normal = radial * _material(f)  # outward normal along d
        step, covariance = _circle_step(f)
        row = np.array([normal, d[0], d[1]])
        place = np.array([anchor[0], anchor[1], f.z_mm])
        sd = float(np.sqrt(row @ covariance @ row))
        return End(place, float(row @ step), sd, normal, _doubts(view, f))
    return None


def _centre_end(view: PieceView, anchor: Floats, d: Floats) -> End | None:
    for f in view.fits:
        if f.rim.circle is None or np.ptp(f.normals @ d) < 1.5:
            continue
        if np.linalg.norm(anchor[:2] - (f.rim.circle.u, f.rim.circle.v)) < 0.05:
            step, covariance = _circle_step(f)
            place = np.array([anchor[0], anchor[1], f.z_mm])
            sd = float(np.sqrt(d @ covariance[1:, 1:] @ d))
            return End(place, float(step[1:] @ d), sd, 0.0, _doubts(view, f))
    return None


def _corner_end(view: PieceView, anchor: Floats, d: Floats) -> End | None:
    """Find the corner where two straight rims of one height meet at the anchor."""
    through = []
    for f in view.fits:
        if f.rim.circle is not None:
            continue
        gap = np.linalg.norm(f.rim.points_mm[:, :2] - anchor[:2], axis=1).min()
        off = abs(float((f.rim.points_mm[0, :2] - anchor[:2]) @ f.rim.normals[0]))
        if gap < _LATERAL_MM and off < 0.05:
            through.append(f)
    for first in through:
        for second in through:
            normals = np.stack([first.rim.normals[0], second.rim.normals[0]])
            level = abs(first.rim.z_mm - second.rim.z_mm) < 1e-6
            if level and abs(np.linalg.det(normals)) > 0.3:
                return _corner(view, anchor, d, first, second, normals)
    return None


def _corner(
    view: PieceView, anchor: Floats, d: Floats, first: EdgeFit, second: EdgeFit, normals: Floats
) -> End:
    offsets = [_offset_at(first, anchor), _offset_at(second, anchor)]
    back = np.linalg.inv(normals)
    shift = back @ np.array([o[0] for o in offsets])
    sd = np.sqrt(((d @ back) ** 2) @ np.array([o[1] ** 2 for o in offsets]))
    doubts = (*_doubts(view, first), *_doubts(view, second))
    place = np.array([anchor[0], anchor[1], first.z_mm])
    outward = float((d @ back).sum())
    return End(place, float(shift @ d), float(sd), outward, doubts)


def _doubts(view: PieceView, f: EdgeFit) -> tuple[str, ...]:
    """Why an edge may be in the wrong place."""
    out = []
    px_mm = 1 / view.camera.px_per_mm(view.placement.to_world(f.points_mm.mean(axis=0)[None])[0])
    if not (f.share.by_colour or f.share.dark) and f.share.shadow > _FLAG_SHADOW:
        out.append("filament and paper are too alike for this light: take paper of another colour")
    if f.scatter_mm > max(_FLAG_SCATTER_MM, _FLAG_SCATTER_PX * px_mm) or f.good.mean() < 0.6:
        out.append("something is in the way, or the edge is rough: its points scatter")
    if f.rival < _FLAG_RIVAL:
        out.append("another edge is as near")
    if f.clear < _FLAG_CLEAR or abs(float(np.median(f.offset_mm))) > _FLAG_OFF_MM:
        out.append("what is seen is not an edge of this piece")
    if f.rim.bevel_mm:
        out.append("chamfered edge: turn the piece over, its bed side down")
    return tuple(out)


def combine(lengths: Sequence[Length]) -> list[Length]:
    """Combine what several photos say of the same features, by weight of their own uncertainty.

    Doubtful ones are left out where there is one without a doubt. Where photos disagree by more
    than they should the uncertainty grows (Birge ratio).
    """
    by_feature: dict[str, list[Length]] = {}
    for length in lengths:
        by_feature.setdefault(length.feature.id, []).append(length)
    return [_combined(group) for group in by_feature.values()]


def _combined(group: list[Length]) -> Length:
    clean = [g for g in group if not g.flags] or group
    if len(clean) == 1:
        return clean[0]
    values = np.array([g.value_mm for g in clean])
    weights = np.array([1 / g.own_sd_mm**2 for g in clean])
    mean = float((values * weights).sum() / weights.sum())
    own = float(1 / np.sqrt(weights.sum()))
    chi2 = float((weights * (values - mean) ** 2).sum() / (len(clean) - 1))
    own *= max(1.0, np.sqrt(chi2))
    flags = tuple(dict.fromkeys(f for g in clean for f in g.flags))
    if chi2 > 9 and np.ptp(values) > 0.15:
        flags = (*flags, "photos disagree")
    edge_sd, scale_sd = (
        float(np.sqrt(np.mean(np.square(common))))
        for common in ([g.edge_sd_mm for g in clean], [g.scale_sd_mm for g in clean])
    )
    names = ", ".join(g.photo for g in clean)
    return Length(clean[0].feature, mean, own, edge_sd, scale_sd, flags, clean[0].ends, names)
