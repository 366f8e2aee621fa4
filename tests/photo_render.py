"""Render photos of pieces on the mat with known truth: a z-buffer over the mesh, for the tests.

Perspective, radial distortion, blur, noise, JPEG, soft shadow, filament colours, raster-line
texture, rounded upper edges and a squeezed first layer. The mesh comes from manifold3d, so the
geometry is not the one that `calib.photo` works with.
"""

import io
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise

import cv2
import manifold3d as m3
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calib.photo.camera import Pinhole
from calib.photo.lying import Lying, loop_points
from calib.photo.mat import Mat
from calib.photo.mat_draw import raster
from patterns.body import AXES, Circle, Prism

Floats = NDArray[np.float64]
TEXTURE_PX_PER_MM = 12.0

#: Linear reflectance of filament: not measured, chosen to span white to black.
COLOURS = {
    "white": (0.80, 0.80, 0.78),
    "black": (0.025, 0.025, 0.028),
    "grey": (0.20, 0.20, 0.20),
    "red": (0.45, 0.04, 0.04),
    "blue": (0.03, 0.09, 0.42),
    "orange": (0.75, 0.24, 0.03),
    "green": (0.06, 0.35, 0.08),
}


@dataclass(frozen=True)
class Placed:
    """A lying piece on the mat: turned by angle and moved, in world millimetres."""

    lying: Lying
    x_mm: float
    y_mm: float
    angle_deg: float
    colour: str = "orange"
    round_mm: float = 0.0
    squeeze_mm: float = 0.0
    grow: tuple[float, float, float] = (1.0, 1.0, 1.0)  # true print over nominal, lying axes


@dataclass(frozen=True)
class Scene:
    mat: Mat
    camera: Pinhole
    size: tuple[int, int]
    pieces: tuple[Placed, ...] = ()
    paper: tuple[float, float] = (1.0, 1.0)  # printed over drawn, in X and Y
    light: tuple[float, float, float] = (0.5, 0.4, 1.0)
    ambient: float = 0.55
    softness: float = 0.12
    exposure: float = 0.85
    blur_px: float = 0.8
    noise: float = 0.006
    quality: int = 92
    texture: float = 0.03
    seed: int = 1
    oversample: int = 3
    extra: tuple[object, ...] = field(default=())


# ------------------------------------------------------------------ mesh


def _section(lying: Lying, z: float) -> m3.CrossSection:
    def loops(p: Prism) -> m3.CrossSection:
        cs = m3.CrossSection([loop_points(p.outline, 180)], m3.FillRule.EvenOdd)
        for hole in p.holes:
            cs -= m3.CrossSection([loop_points(hole, 180)], m3.FillRule.EvenOdd)
        return cs

    out = m3.CrossSection()
    for p in lying.turned.add:
        if p.start_mm < z < p.end_mm:
            out += loops(p)
    for p in lying.turned.cut:
        if p.start_mm < z < p.end_mm:
            out -= loops(p)
    return out


def _slabs(
    placed: Placed,
) -> tuple[list[tuple[float, float, m3.CrossSection]], list[tuple[float, float, Floats]]]:
    """Cut a piece of upright prisms into slabs of one section each, rounded and squeezed."""
    lying, r = placed.lying, placed.round_mm
    prisms = (*lying.turned.add, *lying.turned.cut)
    top = float(lying.size_mm[2])
    levels = sorted({0.0, top} | {z for p in prisms for z in (p.start_mm, p.end_mm) if 0 < z < top})
    miter = m3.JoinType.Miter
    slabs, zones = [], []
    for z0, z1 in pairwise(levels):
        here = _section(lying, (z0 + z1) / 2)
        above = _section(lying, z1 + 1e-4) if z1 < top else m3.CrossSection()
        if z0 == 0.0:
            c = lying.body.chamfer_mm if lying.side == "bottom" else 0.0
            edges = sorted({0.0, *np.linspace(0, c, 6)[1:], *([0.2] if placed.squeeze_mm else [])})
            for a, b in pairwise(edges):
                out = -(max(0.0, c - (a + b) / 2)) + (placed.squeeze_mm if b <= 0.2001 else 0.0)
                slabs.append((a, b, here.offset(out, miter) if out else here))
            z0 = edges[-1]
        if r and (here - above).area() > 0.05:
            slabs.append((z0, z1 - r, here))
            heights = np.linspace(0, r, 7)
            for a, b in pairwise(heights):
                inset = r - np.sqrt(r**2 - ((a + b) / 2) ** 2)
                slabs.append((z1 - r + a, z1 - r + b, above + here.offset(-inset, miter)))
            segments = []
            for ring in here.to_polygons():
                segments.append(np.column_stack([ring, np.roll(ring, -1, axis=0)]))
            zones.append((z1 - r, z1, np.concatenate(segments)))
        else:
            slabs.append((z0, z1, here))
    return slabs, zones


_THREAD_MM = 0.8


def _is_thread(p: Prism) -> bool:
    return isinstance(p.outline, Circle) and p.outline.diameter_mm < _THREAD_MM and p.axis != "Z"


@lru_cache(maxsize=8)
def _bare(placed: Placed) -> Placed:
    """Return the piece without threads."""
    lying = placed.lying
    if not any(map(_is_thread, lying.turned.add)):
        return placed
    turned = replace(lying.turned, add=tuple(p for p in lying.turned.add if not _is_thread(p)))
    return replace(placed, lying=replace(lying, turned=turned))


@lru_cache(maxsize=8)
def _solid(placed: Placed) -> tuple[m3.Manifold, list[tuple[float, float, Floats]]]:
    """The solid in lying coordinates, and the zones of its rounded edges."""
    upright = all(p.axis == "Z" for p in (*placed.lying.turned.add, *placed.lying.turned.cut))
    if not upright:
        return _boolean(placed.lying), []
    slabs, zones = _slabs(placed)
    parts = [m3.Manifold.extrude(s, b - a).translate((0, 0, a)) for a, b, s in slabs]
    return m3.Manifold.compose(parts) if len(parts) == 1 else _union(parts), zones


def _mesh(placed: Placed) -> Floats:
    """(n, 3, 3) triangles in lying coordinates."""
    mesh = _solid(placed)[0].to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
    return np.asarray(corners[np.asarray(mesh.tri_verts)])


def _union(parts: list[m3.Manifold]) -> m3.Manifold:
    return m3.Manifold.batch_boolean(parts, m3.OpType.Add)


def _boolean(lying: Lying) -> m3.Manifold:
    def solid(p: Prism) -> m3.Manifold:
        cs = m3.CrossSection([loop_points(p.outline, 180)], m3.FillRule.EvenOdd)
        for hole in p.holes:
            cs -= m3.CrossSection([loop_points(hole, 180)], m3.FillRule.EvenOdd)
        up = m3.Manifold.extrude(cs, p.end_mm - p.start_mm).translate((0, 0, p.start_mm))
        i, j, k = AXES[p.axis]
        place = np.zeros((3, 4))
        place[i, 0] = place[j, 1] = place[k, 2] = 1
        return up.transform(place)

    out = _union([solid(p) for p in lying.turned.add])
    for p in lying.turned.cut:
        out -= solid(p)
    return out


# ------------------------------------------------------------------ picture


def to_world(placed: Placed, points: Floats) -> Floats:
    """Lying to world, with the print's true scale."""
    t = np.radians(placed.angle_deg)
    turn = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    return (points * list(placed.grow)) @ turn.T + [placed.x_mm, placed.y_mm, 0]


@lru_cache(maxsize=4)
def _texture(mat: Mat) -> NDArray[np.float32]:
    ink = raster(mat, TEXTURE_PX_PER_MM).astype(np.float32) / 255
    return 0.03 + 0.85 * ink


def _flat_rays(camera: Pinhole, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Undistorted image-plane coordinates of pixels, through a table of the radial law."""
    r = np.linspace(0, 2.0, 8192)
    bent = r * (1 + camera.k1 * r**2 + camera.k2 * r**4)
    last = int(np.argmax(np.diff(bent) <= 0)) or len(r)
    dx = (x - camera.centre_px[0]) / camera.focal_px
    dy = (y - camera.centre_px[1]) / camera.focal_px
    rd = np.hypot(dx, dy)
    back = np.interp(rd, bent[:last], r[:last]) / np.maximum(rd, 1e-12)
    return dx * back, dy * back


def _lamp(scene: Scene) -> Floats:
    """Directions to a lamp that is not a point."""
    base = np.array(scene.light) / np.linalg.norm(scene.light)
    rng = np.random.default_rng(5)
    spread = rng.normal(size=(16, 3)) * scene.softness
    dirs = base + spread
    return np.asarray(dirs / np.linalg.norm(dirs, axis=1, keepdims=True))


def _sky(count: int = 60) -> Floats:
    """Directions to an even sky, as dense as a level face weighs them (by the cosine)."""
    k = np.arange(count) + 0.5
    radius, turn = np.sqrt(k / count), k * np.pi * (3 - np.sqrt(5))
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1 - k / count)])


#: Light is kept coarsely over the page, and finely where pieces and their sharper shadows are.
_HALF_MM, _FAR_PX_PER_MM = 160.0, 1.5
_BESIDE_MM, _NEAR_PX_PER_MM = 10.0, 6.0
_PENUMBRA_MM = 0.25


@dataclass(frozen=True)
class _Grid:
    """Squares of the page: its lower corner, how many there are, and how many in a millimetre."""

    low_mm: tuple[float, float]
    shape: tuple[int, int]
    px_per_mm: float

    def pixels(self, x_mm: Floats, y_mm: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        u, v = (
            (a - low) * self.px_per_mm for a, low in zip((x_mm, y_mm), self.low_mm, strict=True)
        )
        return u.astype(np.float32), v.astype(np.float32)

    def filled(self, sections: list[list[Floats]]) -> NDArray[np.uint8]:
        """1 inside the sections, 0 outside."""
        layer = np.zeros(self.shape, np.uint8)
        for rings in sections:
            pixels = [
                np.rint((r - self.low_mm) * self.px_per_mm * 16).astype(np.int32) for r in rings
            ]
            if pixels:  # together, so that holes stay open
                cv2.fillPoly(layer, pixels, 1, shift=4)
        return layer


@dataclass(frozen=True)
class _Reach:
    """Shares of lamp and sky that reach a level plane: (h, w, 2) on the page and about the pieces."""

    far: NDArray[np.float32]
    near: NDArray[np.float32]
    grids: tuple[_Grid, _Grid]

    def at(self, x_mm: Floats, y_mm: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        x, y = x_mm.ravel(), y_mm.ravel()
        out = self._looked_up(self.far, self.grids[0], x, y)
        fine = self.grids[1]
        u, v = fine.pixels(x, y)
        inside = (u > 0) & (v > 0) & (u < fine.shape[1] - 1) & (v < fine.shape[0] - 1)
        if inside.any():
            out[inside] = self._looked_up(self.near, fine, x[inside], y[inside])
        return out[:, 0].reshape(x_mm.shape), out[:, 1].reshape(x_mm.shape)

    @staticmethod
    def _looked_up(
        share: NDArray[np.float32], grid: _Grid, x_mm: Floats, y_mm: Floats
    ) -> NDArray[np.float32]:
        pad = -len(x_mm) % 1024  # cv2.remap takes no more than 32767 in a row
        u, v = (np.pad(a, (0, pad)).reshape(-1, 1024) for a in grid.pixels(x_mm, y_mm))
        out = cv2.remap(
            share, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(1.0, 1.0)
        )
        return out.reshape(-1, 2)[: len(x_mm)]


@lru_cache(maxsize=16)
def _reach(scene: Scene, level_mm: float) -> _Reach:
    """What all pieces leave of the light on the plane at a height.

    Threads shade the paper alone: how a thread's own light falls off is in its normals.
    """
    solids, boxes = [], []
    for placed in (p if level_mm == 0.0 else _bare(p) for p in scene.pieces):
        t = np.radians(placed.angle_deg)
        turn = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
        shift = np.array([placed.x_mm, placed.y_mm, -level_mm - 0.01])
        moved = _solid(placed)[0].transform(np.column_stack([turn * placed.grow, shift]))
        boxes.append(np.reshape(moved.bounding_box(), (2, 3))[:, :2])
        solids.append(moved.trim_by_plane((0, 0, 1), 0.0))
    side = int(2 * _HALF_MM * _FAR_PX_PER_MM)
    grids = [_Grid((-_HALF_MM, -_HALF_MM), (side, side), _FAR_PX_PER_MM)]
    low = np.min([b[0] for b in boxes], axis=0) - _BESIDE_MM if boxes else np.zeros(2)
    high = np.max([b[1] for b in boxes], axis=0) + _BESIDE_MM if boxes else np.ones(2)
    wide, tall = (int(np.ceil(v)) for v in (high - low) * _NEAR_PX_PER_MM)
    grids.append(_Grid((float(low[0]), float(low[1])), (tall, wide), _NEAR_PX_PER_MM))
    # what stands on the plane casts no penumbra on its own floor
    floor = [s.slice(0.0).to_polygons() for s in solids]
    free = [(1 - g.filled(floor)).astype(np.float32) for g in grids]
    lights = (_cast(solids, dirs, free, grids) for dirs in (_lamp(scene), _sky()))
    far, near = (np.stack(pair, axis=-1) for pair in zip(*lights, strict=True))
    return _Reach(far, near, (grids[0], grids[1]))


def _cast(
    solids: list[m3.Manifold], dirs: Floats, free: list[NDArray[np.float32]], grids: list[_Grid]
) -> list[NDArray[np.float32]]:
    dark = [np.zeros(g.shape, np.uint8) for g in grids]
    for d in dirs:
        shear = np.eye(3, 4)
        shear[:2, 2] = -d[:2] / d[2]
        shadows = [s.transform(shear).project().to_polygons() for s in solids]
        for total, grid in zip(dark, grids, strict=True):
            total += grid.filled(shadows)
    out = []
    for total, open_, grid in zip(dark, free, grids, strict=True):
        lit = (1 - total.astype(np.float32) / len(dirs)) * open_
        sigma = _PENUMBRA_MM * grid.px_per_mm
        soft = [cv2.GaussianBlur(m, (0, 0), sigma) for m in (lit, open_)]
        out.append(soft[0] / np.maximum(soft[1], 1e-6))
    return out


_APART_MM = 1.5


@lru_cache(maxsize=8)
def _levels_of(placed: Placed) -> list[float]:
    """Heights of the faces that look up; of rounded edges only the top. And some about threads."""
    tri = _mesh(_bare(placed))
    n = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    area = np.linalg.norm(n, axis=1)
    up = (n[:, 2] > 0.999 * area) & (area > 1e-6)
    out: list[float] = []
    for z in sorted(np.unique(np.round(tri[up, 0, 2], 3)), reverse=True):
        if not out or out[-1] - z > 0.25:
            out.append(float(z))
    for p in placed.lying.turned.add:
        if _is_thread(p) and isinstance(p.outline, Circle):
            z = p.outline.v
            if all(abs(z - other) > _APART_MM for other in out):
                out.append(z)
    return sorted(out)


def _paper_light(scene: Scene, px: Floats, py: Floats, reach: _Reach) -> NDArray[np.float32]:
    """Light from paper points (world mm)."""
    mat, k = scene.mat, TEXTURE_PX_PER_MM
    ox, oy = mat.origin_mm
    page_x, page_y = px / scene.paper[0] + ox, py / scene.paper[1] + oy
    u = (page_x * k - 0.5).astype(np.float32)
    v = ((mat.page_mm[1] - page_y) * k - 0.5).astype(np.float32)
    ink = cv2.remap(
        _texture(mat), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.25
    )
    lamp, sky = reach.at(px, py)
    up = scene.light[2] / np.linalg.norm(scene.light)
    return ink * (scene.ambient * sky + (1 - scene.ambient) * up * lamp)[..., None]


def render(scene: Scene) -> NDArray[np.uint8]:
    """Return the (h, w, 3) sRGB picture."""
    light = _background(scene)
    for placed in scene.pieces:
        _paint(scene, placed, light)
    return _develop(scene, light)


def _background(scene: Scene) -> NDArray[np.float32]:
    width, height = scene.size
    camera, reach = scene.camera, _reach(scene, 0.0)
    out = np.zeros((height, width, 3), np.float32)
    eye = camera.position_mm
    offsets = (-0.25, 0.25)
    for y0 in range(0, height, 256):
        rows = np.arange(y0, min(height, y0 + 256))
        block = np.zeros((len(rows), width, 3), np.float32)
        for oy in offsets:
            for ox in offsets:
                x, y = np.meshgrid(np.arange(width) + ox, rows + oy)
                fx, fy = _flat_rays(camera, x, y)
                r = camera.rotation
                dz = fx * r[0, 2] + fy * r[1, 2] + r[2, 2]
                t = -eye[2] / dz
                px = eye[0] + t * (fx * r[0, 0] + fy * r[1, 0] + r[2, 0])
                py = eye[1] + t * (fx * r[0, 1] + fy * r[1, 1] + r[2, 1])
                block += _paper_light(scene, px, py, reach)
        out[y0 : y0 + len(rows)] = block / 4 * np.array([1.0, 0.99, 0.96], np.float32)
    return out


def _paint(scene: Scene, placed: Placed, light: NDArray[np.float32]) -> None:
    """Draw one piece over the picture's light through a supersampled z-buffer."""
    n, camera = scene.oversample, scene.camera
    tri = to_world(placed, _mesh(placed).reshape(-1, 3))
    pix = camera.project(tri)
    height, width = light.shape[:2]
    low = np.maximum(np.floor(pix.min(axis=0)).astype(int) - 3, 0)
    high = np.minimum(np.ceil(pix.max(axis=0)).astype(int) + 4, (width, height))
    if (high <= low).any():
        return
    step = (np.arange((high[0] - low[0]) * n) + 0.5) / n - 0.5 + low[0]
    rows = (np.arange((high[1] - low[1]) * n) + 0.5) / n - 0.5 + low[1]
    x, y = np.meshgrid(step, rows)
    fx, fy = _flat_rays(camera, x, y)
    best, face = _zbuffer(camera, tri.reshape(-1, 3, 3), pix.reshape(-1, 3, 2), low, n, fx, fy)
    colour = _shade(scene, placed, tri.reshape(-1, 3, 3), face, best, fx, fy)
    hit = (face >= 0).astype(np.float32)
    shape = (high[1] - low[1], n, high[0] - low[0], n)
    cover = hit.reshape(shape).mean(axis=(1, 3))
    mean = (colour * hit[:, :, None]).reshape(*shape, 3).mean(axis=(1, 3))
    part = light[low[1] : high[1], low[0] : high[0]]
    part *= (1 - cover)[:, :, None]
    part += mean


def _zbuffer(
    camera: Pinhole, tri: Floats, pix: Floats, low: NDArray[np.int_], n: int, fx: Floats, fy: Floats
) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    seen = tri @ camera.rotation.T + camera.shift_mm
    best = np.full(fx.shape, 0.0)  # 1 / depth
    face = np.full(fx.shape, -1, np.int32)
    normals = np.cross(seen[:, 1] - seen[:, 0], seen[:, 2] - seen[:, 0])
    away = (normals * seen[:, 0]).sum(axis=1)
    sides = np.cross(seen, np.roll(seen, -1, axis=1))
    for k in np.flatnonzero(away < -1e-12):  # the others look away
        normal, d = normals[k], away[k]
        p = (pix[k] - low + 0.5) * n
        x0, y0 = np.maximum(np.floor(p.min(axis=0)).astype(int) - 2 * n, 0)
        x1, y1 = np.ceil(p.max(axis=0)).astype(int) + 2 * n
        gx, gy = fx[y0:y1, x0:x1], fy[y0:y1, x0:x1]
        if not gx.size:
            continue
        inside = np.ones(gx.shape, bool)
        for e in sides[k]:
            inside &= e[0] * gx + e[1] * gy + e[2] <= 0
        inverse = (normal[0] * gx + normal[1] * gy + normal[2]) / d
        nearer = inside & (inverse > best[y0:y1, x0:x1])
        best[y0:y1, x0:x1][nearer] = inverse[nearer]
        face[y0:y1, x0:x1][nearer] = k
    return best, face


def _shade(scene, placed, tri, face, best, fx, fy) -> NDArray[np.float32]:  # type: ignore[no-untyped-def]
    normals = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    at = face >= 0
    n = normals[face[at]]
    depth = 1 / best[at]
    cam = np.stack([fx[at] * depth, fy[at] * depth, depth], axis=1)
    world = (cam - scene.camera.shift_mm) @ scene.camera.rotation
    n = _rounded(placed, _solid(placed)[1], n, world)
    base = np.array(scene.light) / np.linalg.norm(scene.light)
    direct = np.clip(n @ base, 0, None)
    ambient = scene.ambient * (0.6 + 0.4 * np.clip(n[:, 2], 0, 1))
    stripes = np.sin((world[:, 0] + world[:, 1]) * (2 * np.pi / 0.6)) * scene.texture
    layers = np.sin(world[:, 2] * (2 * np.pi / 0.2)) * 2 * scene.texture
    lamp, sky = _light_on(scene, placed, world, n)
    shade = (ambient * sky + (1 - scene.ambient) * direct * lamp) * (
        1 + np.where(n[:, 2] > 0.9, stripes, layers)
    )
    out = np.zeros((*face.shape, 3), np.float32)
    out[at] = shade[:, None] * np.array(COLOURS[placed.colour])
    return out


def _light_on(scene: Scene, placed: Placed, world: Floats, n: Floats) -> tuple[Floats, Floats]:
    """Shares of lamp and sky that reach points of a piece: exact on level faces.

    A wall's go evenly from those beside its foot to those of the level above it.
    """
    lamp, sky = np.ones(len(world)), np.ones(len(world))
    levels = np.array([0.0, *_levels_of(placed), world[:, 2].max() + 1.0])
    own = np.clip(np.searchsorted(levels, world[:, 2] + 0.01, side="right") - 1, 0, len(levels) - 3)
    for k in range(len(levels) - 2):
        at = np.flatnonzero(own == k)
        if not len(at):
            continue
        aside = world[at, :2] + 0.3 * n[at, :2] * np.clip(1 - n[at, 2], 0, 1)[:, None]
        up = np.clip((world[at, 2] - levels[k]) / (levels[k + 1] - levels[k]), 0, 1)
        below = _reach(scene, levels[k]).at(*aside.T)
        top = k == len(levels) - 3  # nothing stands above
        above = (1.0, 1.0) if top else _reach(scene, levels[k + 1]).at(*aside.T)
        for out, low, high in zip((lamp, sky), below, above, strict=True):
            out[at] = (1 - up) * low + up * high
    return lamp, sky


def _rounded(placed: Placed, zones, n: Floats, world: Floats) -> Floats:  # type: ignore[no-untyped-def]
    """Give the steps that stand for a rounded edge the normal of the round they stand for."""
    if not zones:
        return n
    n = n.copy()
    t = np.radians(placed.angle_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    for z0, z1, segments in zones:
        r = z1 - z0
        at = np.flatnonzero((world[:, 2] > z0 + 1e-6) & (world[:, 2] < z1 - 1e-6))
        if not len(at):
            continue
        flat = ((world[at, :2] - [placed.x_mm, placed.y_mm]) @ turn) / placed.grow[:2]
        a, b = segments[:, :2], segments[:, 2:]
        d = b - a
        size = (d**2).sum(axis=1)
        s = np.clip((((flat[:, None] - a) * d).sum(axis=2)) / size, 0, 1)
        gap = np.linalg.norm(flat[:, None] - a - s[:, :, None] * d, axis=2)
        near = gap.argmin(axis=1)
        inset = gap[np.arange(len(at)), near]
        out = np.column_stack([d[near, 1], -d[near, 0]]) / np.sqrt(size[near])[:, None] @ turn.T
        sine = np.clip((r - inset) / r, 0, 1)
        is_round = inset < r
        new = np.column_stack([out * sine[:, None], np.sqrt(1 - sine**2)])
        n[at[is_round]] = new[is_round]
    return n


def _develop(scene: Scene, light: NDArray[np.float32]) -> NDArray[np.uint8]:
    rng = np.random.default_rng(scene.seed)
    height, width = light.shape[:2]
    light = cv2.GaussianBlur(light * scene.exposure, (0, 0), scene.blur_px)
    x = np.linspace(-1, 1, width, dtype=np.float32)
    y = np.linspace(-1, 1, height, dtype=np.float32)
    light *= (1 - 0.12 * (x[None] ** 2 + y[:, None] ** 2))[:, :, None]
    sigma = scene.noise * np.sqrt(np.clip(light, 0, 1) + 0.02)
    light += sigma * rng.standard_normal(light.shape, dtype=np.float32)
    return np.rint(_encode(light) * 255).astype(np.uint8)


def _encode(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """The sRGB transfer curve (IEC 61966-2-1) of light from 0 to 1."""
    v = np.clip(light, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, 1 / 2.4) - 0.055)


def jpeg(picture: NDArray[np.uint8], quality: int = 92, **options: object) -> bytes:
    """Return the picture as a JPEG file."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality, **options)
    return out.getvalue()


def decoded(picture: NDArray[np.uint8], quality: int = 92) -> NDArray[np.uint8]:
    """Return the picture after JPEG."""
    return np.asarray(Image.open(io.BytesIO(jpeg(picture, quality))).convert("RGB"))


# ------------------------------------------------------------------ cameras


def look(
    size: tuple[int, int],
    *,
    tilt_deg: float = 12.0,
    azimuth_deg: float = 30.0,
    roll_deg: float = 0.0,
    view_deg: float = 63.0,
    k1: float = 0.03,
    k2: float = 0.0,
    fill: float = 0.93,
    centre_off: tuple[float, float] = (0.0, 0.0),
    mat: Mat | None = None,
) -> Pinhole:
    """Return a camera that sees the whole frame; view_deg is along the picture's long side."""
    mat = mat or Mat()
    width, height = size
    focal = max(size) / 2 / np.tan(np.radians(view_deg / 2))
    t, a = np.radians(tilt_deg), np.radians(azimuth_deg)
    back = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    up = np.array([0.0, 1.0, 0.0]) if height >= width else np.array([1.0, 0.0, 0.0])
    right = np.cross(up, back)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, -np.cross(back, right), -back])
    r = np.radians(roll_deg)
    spin = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    rotation = spin @ rotation
    centre = ((width - 1) / 2 + centre_off[0], (height - 1) / 2 + centre_off[1])
    x0, y0, x1, y1 = (v * 1.0 for v in mat.empty_mm)
    frame = np.array([[x, y, 0] for x in (x0 - 22, x1 + 22) for y in (y0 - 22, y1 + 22)])
    camera = Pinhole(focal, centre, k1, k2, rotation, np.zeros(3))
    for distance in np.arange(150.0, 900.0, 4.0):
        camera = replace(camera, shift_mm=-rotation @ (back * distance))
        pix = camera.project(frame)
        low, high = pix.min(axis=0), pix.max(axis=0)
        room = (1 - fill) / 2 * np.array(size)
        if (low > room).all() and (high < np.array(size) - room).all():
            break
    return camera
