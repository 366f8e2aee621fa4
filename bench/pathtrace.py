"""Path-traced photos of a piece on the mat with known truth, by a general-purpose renderer.

Light bounces between piece and paper, the lamp has a size, filament may be glossy, walls have layers;
then the lens bends, and the camera blurs, whitens wrongly, adds noise and packs a JPEG. Geometry,
camera and light are this file's own: of the library only the mat's printed page is used.
"""

import io
from dataclasses import dataclass, field
from typing import Any

import cv2
import manifold3d as m3
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calib.photo.mat import Mat
from calib.photo.mat_draw import raster

Floats = NDArray[np.float64]

#: Linear reflectance of filament: not measured, chosen to span what is sold.
FILAMENTS = {
    "white": (0.80, 0.80, 0.77),
    "grey": (0.20, 0.20, 0.20),
    "black": (0.025, 0.025, 0.027),
    "red": (0.45, 0.04, 0.04),
    "orange": (0.75, 0.24, 0.03),
    "yellow": (0.80, 0.60, 0.04),
    "green": (0.06, 0.35, 0.08),
    "blue": (0.03, 0.09, 0.42),
    "wood": (0.42, 0.27, 0.14),
}
_PAGE_PX_PER_MM = 12.0
_INK_BLACK, _PAPER_WHITE = 0.035, 0.83
_LAYER_MM = 0.2
_MARK_MM = 0.4
_FRAME_SAMPLES = 2


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One photo: what lies how, in which light, seen by what camera.

    Attributes
    ----------
    outline, holes
        Rim of the piece, (n, 2) mm, and of its holes; walls are set back towards the bed by
        `set_back_mm` at 45 degrees below a land of `land_mm` (0 set back: upright walls).
    mesh : vertices and triangles, base on z = 0
        The whole piece as it lies, in place of what else shapes it here; `outline` is then its box.
    towers : outline and top of each
        What stands on it, mm.
    marks : outlines
        What is cut into its upper face, 0.4 mm deep.
    grow : (float, float, float)
        What the print is over what was drawn along x and y, and outward offset of every wall, mm.
    lamp
        "hard", "soft" or "sky".
    """

    outline: Floats
    mesh: tuple[Floats, NDArray[np.int64]] | None = None
    holes: tuple[Floats, ...] = ()
    towers: tuple[tuple[Floats, float], ...] = ()
    marks: tuple[Floats, ...] = ()
    height_mm: float = 2.6
    set_back_mm: float = 2.0
    ribs_mm: float = 0.0
    round_mm: float = 0.0
    squeeze_mm: float = 0.0
    grow: tuple[float, float, float] = (1.0, 1.0, 0.0)
    at_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    colour: str = "white"
    gloss: bool = False
    mat: Mat = field(default_factory=Mat)
    paper: tuple[float, float] = (1.0, 1.0)
    lamp: str = "soft"
    lamp_deg: float = 40.0
    tilt_deg: float = 12.0
    azimuth_deg: float = 30.0
    roll_deg: float = 0.0
    view_deg: float = 63.0
    k1: float = 0.03
    centre_px: tuple[float, float] = (0.0, 0.0)
    width_px: int = 3000
    blur_px: float = 0.9
    noise_levels: float = 2.5
    quality: int = 90
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exif: bool = False
    samples: int = 6
    seed: int = 1


def solid(shot: Shot) -> m3.Manifold:
    """Return the printed piece in its own coordinates, base on z = 0, as a stack of thin slices."""
    gx, gy, out_mm = shot.grow
    rim = m3.CrossSection(
        [shot.outline, *(h[::-1] for h in shot.holes)], m3.FillRule.Positive
    ).scale((gx, gy))
    land = shot.height_mm - shot.set_back_mm
    levels = _levels(shot)
    parts = []
    for z0, z1, rib in zip(levels, levels[1:], _ribs(shot), strict=False):
        middle = (z0 + z1) / 2
        inset = max(0.0, shot.set_back_mm - middle) if land > 0 else 0.0
        bulge = shot.squeeze_mm if z1 <= _LAYER_MM + 1e-9 else 0.0
        top = shot.height_mm - middle
        if shot.round_mm and top < shot.round_mm:
            inset += shot.round_mm - np.sqrt(shot.round_mm**2 - (shot.round_mm - top) ** 2)
        section = rim.offset(out_mm - inset + bulge + rib, m3.JoinType.Miter)
        parts.append(m3.Manifold.extrude(section, z1 - z0 + 1e-4).translate((0, 0, z0)))
    for outline, top in shot.towers:
        foot = shot.height_mm / 2
        section = m3.CrossSection([outline], m3.FillRule.NonZero).scale((gx, gy)).offset(out_mm)
        parts.append(m3.Manifold.extrude(section, top - foot).translate((0, 0, foot)))
    whole = m3.Manifold.batch_boolean(parts, m3.OpType.Add)
    for outline in shot.marks:
        section = m3.CrossSection([outline], m3.FillRule.NonZero).scale((gx, gy))
        whole -= m3.Manifold.extrude(section, 2.0).translate((0, 0, shot.height_mm - _MARK_MM))
    return whole


def _levels(shot: Shot) -> Floats:
    return np.arange(0, shot.height_mm + 1e-9, _LAYER_MM / 2)


def _ribs(shot: Shot) -> Floats:
    """How far each slice juts out: layers bulge and recede in turn, and not alike."""
    z = _levels(shot)[:-1]
    turns = 0.5 - np.round(z / (_LAYER_MM / 2)) % 2
    return shot.ribs_mm * (turns + np.random.default_rng(shot.seed).normal(0, 0.3, len(z)))


def outermost_mm(shot: Shot) -> float:
    """How far the walls' land juts out of what was drawn, where a caliper touches it: its outermost layer."""
    on_land = _levels(shot)[1:] > shot.set_back_mm + 1e-6
    return shot.grow[2] + float(_ribs(shot)[on_land].max())


def render(shot: Shot) -> bytes:
    """Return the JPEG."""
    import mitsuba as mi

    mi.set_variant("llvm_ad_rgb" if "llvm_ad_rgb" in mi.variants() else "scalar_rgb")
    size = (shot.width_px, shot.width_px * 4 // 3)
    rotation, shift, focal = camera(shot, size)
    scene = _scene(mi, shot, rotation, shift, focal, size)
    light = np.array(mi.render(mi.load_dict(scene), spp=_FRAME_SAMPLES, seed=shot.seed))[:, :, :3]
    x0, y0, x1, y1 = _around_piece(shot, rotation, shift, focal, size)
    film = scene["sensor"]["film"]
    film |= {
        "crop_offset_x": x0,
        "crop_offset_y": y0,
        "crop_width": x1 - x0,
        "crop_height": y1 - y0,
    }
    light[y0:y1, x0:x1] = np.array(
        mi.render(mi.load_dict(scene), spp=shot.samples, seed=shot.seed + 1)
    )[:, :, :3]
    return _developed(shot, light, focal, size)


def _around_piece(
    shot: Shot, rotation: Floats, shift: Floats, focal: float, size: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Pixels of a box around the piece: what has to be free of the tracer's own noise."""
    t = np.radians(shot.turn_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    flat = shot.outline @ turn.T + shot.at_mm
    seen = np.column_stack([flat, np.full(len(flat), shot.height_mm)]) @ rotation.T + shift
    pixels = focal * seen[:, :2] / seen[:, 2:] + np.array(size) / 2 + shot.centre_px
    margin = 0.06 * size[0]
    low, high = pixels.min(axis=0) - margin, pixels.max(axis=0) + margin
    x0, y0 = np.clip(low, 0, size).astype(int)
    x1, y1 = np.clip(high, 0, size).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def camera(shot: Shot, size: tuple[int, int]) -> tuple[Floats, Floats, float]:
    """Return world-to-camera rotation and shift (x right, y down, z forward), and the focal length in px."""
    focal = max(size) / 2 / np.tan(np.radians(shot.view_deg / 2))
    t, a, r = np.radians([shot.tilt_deg, shot.azimuth_deg, shot.roll_deg])
    back = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    right = np.cross([0.0, 1.0, 0.0], back)
    right /= np.linalg.norm(right)
    rows = np.stack([right, -np.cross(back, right), -back])
    spin = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    rotation = spin @ rows
    x1, y1 = shot.mat.page_mm[0] / 2 - 8, shot.mat.page_mm[1] / 2 - 8
    corners = np.array([[x, y, 0.0] for x in (-x1, x1) for y in (-y1, y1)])
    for distance in np.arange(200.0, 900.0, 4.0):
        shift = -rotation @ (back * distance)
        seen = corners @ rotation.T + shift
        pixels = np.abs(focal * seen[:, :2] / seen[:, 2:])
        if (pixels < 0.485 * np.array(size)).all():
            break
    return rotation, shift, float(focal)


def _scene(
    mi: Any, shot: Shot, rotation: Floats, shift: Floats, focal: float, size: tuple[int, int]
) -> dict[str, Any]:
    to_world = np.eye(4)
    axes = rotation.T @ np.diag([-1.0, -1.0, 1.0])  # the renderer looks along +z with x to the left
    to_world[:3, :3], to_world[:3, 3] = axes, -rotation.T @ shift
    page_w, page_h = (m * p for m, p in zip(shot.mat.page_mm, shot.paper, strict=True))
    ox, oy = (o * p for o, p in zip(shot.mat.origin_mm, shot.paper, strict=True))
    page = (
        mi.ScalarTransform4f()
        .translate([page_w / 2 - ox, page_h / 2 - oy, 0])
        .scale([page_w / 2, page_h / 2, 1])
    )
    table = mi.ScalarTransform4f().translate([0, 0, -0.5]).scale([600, 600, 1])
    inks = raster(shot.mat, _PAGE_PX_PER_MM).astype(np.float32) / 255
    light = _INK_BLACK + (_PAPER_WHITE - _INK_BLACK) * inks
    bitmap = mi.Bitmap(np.ascontiguousarray(light[::-1]))  # its v runs upwards
    reflectance = {"type": "rgb", "value": list(FILAMENTS[shot.colour])}
    filament: dict[str, Any] = {"type": "diffuse", "reflectance": reflectance}
    if shot.gloss:
        filament = {"type": "roughplastic", "diffuse_reflectance": reflectance, "alpha": 0.25}
    out: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 6},
        "sensor": {
            "type": "perspective", "fov": float(2 * np.degrees(np.arctan(size[0] / 2 / focal))),
            "fov_axis": "x", "to_world": mi.ScalarTransform4f(to_world), "near_clip": 1.0,
            "principal_point_offset_x": -shot.centre_px[0] / size[0],
            "principal_point_offset_y": -shot.centre_px[1] / size[1],
            "film": {"type": "hdrfilm", "width": size[0], "height": size[1],
                     "rfilter": {"type": "box"}, "pixel_format": "rgb"},
            "sampler": {"type": "multijitter", "sample_count": shot.samples},
        },
        "page": {"type": "rectangle", "to_world": page,
                 "bsdf": {"type": "diffuse", "reflectance": {
                     "type": "bitmap", "bitmap": bitmap, "raw": True, "filter_type": "bilinear"}}},
        "table": {"type": "rectangle", "to_world": table,
                  "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.3, 0.22, 0.15]}}},
        "piece": _mesh(mi, shot, filament),
    }  # fmt: skip
    out.update(_lights(mi, shot))
    return out


def _mesh(mi: Any, shot: Shot, bsdf: dict[str, Any]) -> Any:
    if shot.mesh is None:
        raw = solid(shot).to_mesh()
        points = np.asarray(raw.vert_properties, float)[:, :3]
        faces = np.asarray(raw.tri_verts, np.int64)
    else:
        points, faces = shot.mesh
    t = np.radians(shot.turn_deg)
    turn = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    points = points @ turn.T + [*shot.at_mm, 0.02]
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh("piece", len(points), len(faces), props=props)
    params = mi.traverse(mesh)
    params["vertex_positions"] = points.astype(np.float32).ravel()
    params["faces"] = faces.astype(np.uint32).ravel()
    params.update()
    return mesh


def _lights(mi: Any, shot: Shot) -> dict[str, Any]:
    sky, radius, power = {"hard": (0.12, 12.0, 1.0), "soft": (0.3, 90.0, 0.8), "sky": (1.0, 0, 0)}[
        shot.lamp
    ]
    out: dict[str, Any] = {
        "sky": {
            "type": "constant",
            "radiance": {"type": "rgb", "value": [sky * 0.95, sky, sky * 1.08]},
        }
    }
    if radius:
        a, far = np.radians(shot.lamp_deg), 600.0
        place = far * np.array([0.55 * np.cos(a), 0.55 * np.sin(a), 0.8])
        level = power * far**2 / (np.pi * radius**2) * np.pi
        to = mi.ScalarTransform4f().look_at(list(place), [0, 0, 0], [0, 0, 1]).scale(radius)
        out["lamp"] = {"type": "disk", "to_world": to, "emitter": {
            "type": "area", "radiance": {"type": "rgb", "value": [level * 1.06, level, level * 0.9]}}}  # fmt: skip
    return out


def _developed(shot: Shot, light: Floats, focal: float, size: tuple[int, int]) -> bytes:
    """Bend, blur, expose, whiten, add noise, and pack."""
    light = np.clip(light, 0, None).astype(np.float32)
    light /= np.percentile(light[::8, ::8].max(axis=2), 97) * 1.12
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    cx, cy = (s / 2 - 0.5 + c for s, c in zip(size, shot.centre_px, strict=True))
    u, v = (x - cx) / focal, (y - cy) / focal
    flat_u, flat_v = u.copy(), v.copy()
    for _ in range(8):
        gain = 1 + shot.k1 * (flat_u**2 + flat_v**2)
        flat_u, flat_v = u / gain, v / gain
    mx, my = (flat_u * focal + cx).astype(np.float32), (flat_v * focal + cy).astype(np.float32)
    light = cv2.remap(light, mx, my, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    light = cv2.GaussianBlur(light, (0, 0), shot.blur_px) * np.array(shot.white, np.float32)
    light = np.clip(light, 0, 1)
    tone = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055) * 255
    rng = np.random.default_rng(shot.seed)
    tone += shot.noise_levels * rng.standard_normal(tone.shape)
    out = io.BytesIO()
    exif = Image.Exif()
    if shot.exif:
        diagonal_px = float(np.hypot(*size))
        exif.get_ifd(0x8769)[0xA405] = round(focal * 43.2666 / diagonal_px)  # of 35 mm film
    Image.fromarray(np.clip(np.rint(tone), 0, 255).astype(np.uint8)).save(
        out, "JPEG", quality=shot.quality, exif=exif
    )
    return out.getvalue()
