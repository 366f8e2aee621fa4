"""One photo from picture to rims: is it good enough, where is the piece, where is each rim."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.camera import Camera, Pinhole, View, solve_cameras
from calib.photo.corners import Seen, find_mat
from calib.photo.edges import EdgeFit, fit_edge, look_of
from calib.photo.image import Photo
from calib.photo.locate import Box, Found, locate, mask_of, refuse_others, silhouette, top_view
from calib.photo.lying import Lying
from calib.photo.placement import Placement
from calib.photo.profiles import cut_patch, sample_rim
from calib.photo.quality import blur_px, check_view, white_light
from calib.photo.rims import Rim, rims_of, visible
from calib.photo.scale import PaperScale

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_WEAKEST_SCORE = 0.15
_WEAKEST_SUPPORT, _CLOSE_MERIT = (
    0.4,
    0.93,
)  # false placements in photos with known truth: up to 0.37
_CLOSE_RIVAL = 0.6
_REACHES_MM = (1.5, 0.8, 0.4)
_GROW_SD = 0.003  # of a print, in the scale that `_SHARED_MM` makes: filament shrinks by up to 1 %
_SHARED_MM = 0.3  # how far an edge may be off as a whole, all its stations alike
_ROUGH_MM = 0.08


@dataclass(frozen=True, eq=False, kw_only=True)
class Sight:
    """A picture of which it is known how places become pixels, and how blurred it is."""

    photo: Photo
    camera: Camera
    blur_px: float
    notes: tuple[str, ...] = ()
    white: Floats = field(default_factory=lambda: np.ones(3))  # light of white paper, (3,)


@dataclass(frozen=True, eq=False, kw_only=True)
class MatView(Sight):
    """A photo of the mat."""

    camera: Pinhole
    seen: Seen
    stretch: float  # of the paper beyond the scale it was solved with (`PaperScale.stretched`)


@dataclass(frozen=True, eq=False)
class PieceView:
    """A picture in which the piece was found and its rims fitted."""

    sight: Sight
    lying: Lying
    placement: Placement
    fits: tuple[EdgeFit, ...]
    notes: tuple[str, ...]
    support: float
    score: float

    @property
    def merit(self) -> float:
        """How well this placement explains the picture, coarsely and finely."""
        return self.support * self.score**2

    @property
    def camera(self) -> Camera:
        """The photo's camera."""
        return self.sight.camera


def look_at_mats(photos: Sequence[Photo]) -> list[Seen]:
    """Find the mat in every photo; FileError where it can't be found."""
    return [find_mat(p) for p in photos]


def solve_views(
    photos: Sequence[Photo],
    seen: Sequence[Seen],
    scale: PaperScale,
) -> list[MatView]:
    """Find the cameras; photos of one size and focal length share their intrinsics."""
    groups: dict[tuple[tuple[int, int], float | None], list[int]] = {}
    for n, photo in enumerate(photos):
        groups.setdefault((photo.size, photo.focal_px), []).append(n)
    out: list[MatView | None] = [None] * len(photos)
    for members in groups.values():
        views = []
        for n in members:
            flat = seen[n].frame_mm * scale.factors
            world = np.column_stack([flat, np.zeros(len(flat))])
            photo = photos[n]
            views.append(View(world, seen[n].pixels, photo.size, photo.focal_px, scale.stretch))
        solved = solve_cameras(views)
        for n, camera, kept in zip(members, solved.cameras, solved.kept, strict=True):
            blur = blur_px(seen[n], camera, scale)
            notes = check_view(photos[n], seen[n], camera, kept, solved.rms_px, blur, scale)
            out[n] = MatView(
                photo=photos[n], seen=seen[n], camera=camera, blur_px=blur, notes=tuple(notes),
                white=white_light(photos[n], seen[n], camera, scale), stretch=solved.stretch,
            )  # fmt: skip
    return [v for v in out if v is not None]


def find_piece(
    view: MatView,
    scale: PaperScale,
    lyings: Sequence[Lying],
    *,
    box_mm: Box | None = None,
    alone: bool = True,
) -> PieceView:
    """Find the piece and fit its rims; `box_mm` is where to look, as drawn (the empty centre).

    Raises
    ------
    FileError
        Nothing on the mat looks like the piece, or (`alone`) something else lies there too.
    """
    box = inside_box(box_mm or view.seen.mat.empty_mm, scale)
    _check_room(view, lyings, box)
    top = top_view(view.photo, view.camera, box)
    mask = mask_of(top)
    found = locate(top, mask, view.camera, lyings)
    fitted = fit_close(view, found)
    if not fitted:
        raise _not_found(view, bool(found))
    best = fitted[0]
    if alone:
        refuse_others(
            view.photo, top, mask, silhouette(top, view.camera, best.lying, best.placement)
        )
    notes = list(best.notes)
    if len(fitted) > 1 and fitted[1].merit > _CLOSE_MERIT * best.merit:
        notes.append("which way round the piece lies is not certain")
    return replace(best, notes=tuple(notes))


def fit_close(view: Sight, found: Sequence[Found], rims: Sequence[Rim] = ()) -> list[PieceView]:
    """Fit the placements that come near the best; return them by falling merit where one is good."""
    close = [f for f in found if f.score > max(_WEAKEST_SCORE, _CLOSE_RIVAL * found[0].score)]
    fitted = sorted((fit_piece(view, f, rims) for f in close), key=lambda p: -p.merit)
    return fitted if fitted and fitted[0].support >= _WEAKEST_SUPPORT else []


def _not_found(view: MatView, anything: bool) -> FileError:
    if not anything:
        return FileError(
            "no piece can be told from the paper",
            where=view.photo.name,
            mend="take a mat with a centre of another colour than the filament (truebead mat --filament)",
        )
    return FileError(
        "the piece can't be found on the mat",
        where=view.photo.name,
        mend="check that it is the sheet's piece, whole inside the empty centre, on a mat whose centre"
        " has another colour than the filament",
    )


def _check_room(view: MatView, lyings: Sequence[Lying], box: Box) -> None:
    long, short = max(box[2] - box[0], box[3] - box[1]), min(box[2] - box[0], box[3] - box[1])
    for lying in lyings:
        size = sorted(lying.size_mm[:2])
        if size[1] <= long and size[0] <= short:
            return
    x, y = lyings[0].size_mm[:2]
    raise FileError(
        f"a piece of {x:.0f} x {y:.0f} mm has no room in the mat's empty centre",
        where=view.photo.name,
        mend=f"make a smaller one, at most {short:.0f} x {long:.0f} mm, or use the caliper",
    )


def inside_box(box: Box, scale: PaperScale) -> Box:
    """Turn a box as drawn into world millimetres, a little smaller."""
    x, y = float(scale.factors[0]), float(scale.factors[1])
    return box[0] * x + 1, box[1] * y + 1, box[2] * x - 1, box[3] * y - 1


def fit_piece(view: Sight, found: Found, rims: Sequence[Rim] = ()) -> PieceView:
    """Fit every edge (of `rims`, where given), move the placement to suit them all, and fit again."""
    lying, placement, camera = found.lying, found.placement, view.camera
    rims = rims or rims_of(lying)
    world = placement.to_world(np.concatenate([r.points_mm for r in rims]))
    patch = cut_patch(
        view.photo, camera.project(world), round(5 * camera.px_per_mm(world.mean(axis=0))) + 8
    )
    fits: list[EdgeFit] = []
    for reach in _REACHES_MM:
        seen = visible(lying, rims, placement.to_lying(camera.position_mm[None])[0])
        profiles = [
            (rim, p)
            for rim, some in zip(rims, seen, strict=True)
            for p in sample_rim(patch, camera, placement, rim, some, view.blur_px, reach)
        ]
        if not profiles:
            break
        look = look_of([p for _, p in profiles], view.white)
        fits = [fit_edge(rim, p, reach, look) for rim, p in profiles]
        if reach != _REACHES_MM[-1]:
            placement = _stepped(
                placement, _joint_step(_steady(lying, fits), grows=reach < _REACHES_MM[0])
            )
    support = _support(rims, fits)
    return PieceView(view, lying, placement, tuple(fits), view.notes, support, found.score)


def _support(rims: Sequence[Rim], fits: Sequence[EdgeFit]) -> float:
    """How much of the silhouette is seen, clearly, where the placement puts it; 0 to 1."""
    total = sum(r.length_mm for r in rims) or 1.0
    good = 0.0
    for f in fits:
        near = 1 / (1 + (np.median(f.offset_mm) ** 2 + f.scatter_mm**2) / _ROUGH_MM**2)
        good += near * max(0.0, f.clear) * f.good.mean() * f.length_mm
    return min(1.0, good / total)


def _steady(lying: Lying, fits: Sequence[EdgeFit]) -> Sequence[EdgeFit]:
    """Leave out what may hang: undersides, as printed, of a piece that lies on its side."""
    up = lying.rotation[:2, 2]
    return [f for f in fits if float(np.median(f.normals @ up)) > -0.1] or fits


def _joint_step(fits: Sequence[EdgeFit], *, grows: bool) -> Floats:
    """Shift (x, y), turn and growth along x and y of the piece, lying, that suit all stations."""
    rows, values, weights = [], [], []
    for f in fits:
        n, p = f.normals, f.points_mm
        turn = n[:, 1] * p[:, 0] - n[:, 0] * p[:, 1]
        rows.append(np.column_stack([n, turn, n * p[:, :2]]))
        values.append(f.offset_mm)
        weights.append(np.where(f.good, f.clear, 0.0) / np.maximum(f.sd_mm, _SHARED_MM))
    a, y, w = np.concatenate(rows), np.concatenate(values), np.concatenate(weights)
    prior = np.diag([0.0, 0.0, 0.0, 1.0, 1.0]) / (_GROW_SD if grows else 1e-6)
    step = np.zeros(5)
    for _ in range(10):
        left = y - a @ step
        spread = max(1.4826 * float(np.median(np.abs(left))), 0.01)
        robust = w / np.sqrt(1 + (left / (2 * spread)) ** 2)
        both = np.concatenate([a * robust[:, None], prior])
        step = np.linalg.lstsq(both, np.append(y * robust, np.zeros(5)), rcond=None)[0]
    return step


def _stepped(placement: Placement, step: Floats) -> Placement:
    shift = placement.turned(step[None, :2])[0]
    return Placement(
        placement.x_mm + float(shift[0]),
        placement.y_mm + float(shift[1]),
        placement.angle_rad + float(step[2]),
        (placement.grow[0] + float(step[3]), placement.grow[1] + float(step[4])),
    )
