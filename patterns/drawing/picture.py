"""One view of a piece as SVG: shaded faces as a small embedded image, edges as crisp lines."""

import base64
import io

import numpy as np
from numpy.typing import NDArray

from patterns.drawing.lines import visible_lines
from patterns.drawing.raster import MARGIN, Depths, render
from patterns.drawing.style import EDGE
from patterns.drawing.views import Frame
from patterns.mesh import Floats, Mesh

#: Where the light comes from, seen from the piece.
LIGHT = np.array([-0.35, -0.6, 0.72])
DARKEST, BRIGHTEST = np.array([166, 180, 197]), np.array([240, 243, 248])
SHADES = 48


def picture(mesh: Mesh, shown: Frame, edge_width: float = 1.1) -> str:
    """Return the SVG elements of a view, its upper left corner at (0, 0)."""
    depths = render(mesh, shown)
    size = depths.dots_per_unit
    rows, columns = depths.near.shape
    x = -MARGIN / size
    image = (
        f'<image x="{x:.2f}" y="{x:.2f}" width="{columns / size:.2f}" height="{rows / size:.2f}" '
        f'preserveAspectRatio="none" href="data:image/png;base64,{_png(_shades(mesh, shown, depths))}"/>'
    )
    path = _path(visible_lines(mesh, shown, depths))
    return (
        f'{image}<path d="{path}" fill="none" stroke="{EDGE}" stroke-width="{edge_width:g}" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )


def _shades(mesh: Mesh, shown: Frame, depths: Depths) -> NDArray[np.uint8]:
    """Return 0 for nothing, 1 (dark) to SHADES (bright): by the light, and darker further away."""
    lit = np.clip(mesh.normals @ (LIGHT / np.linalg.norm(LIGHT)), 0, 1)[depths.triangle]
    here = depths.triangle >= 0
    near = depths.near
    low, high = (near[here].min(), near.max()) if here.any() else (0.0, 0.0)
    away = (high - np.maximum(near, low)) / max(high - low, 1e-9)
    # Level views show every upper face under the same light: there depth has to tell them apart.
    value = 0.25 + 0.9 * lit - 0.1 * away if shown.view.name == "iso" else 1.0 - 0.55 * away
    level = 1.5 + np.clip(value, 0, 1) * (SHADES - 1)
    return np.where(here, level, 0).astype(np.uint8)


def _png(shades: NDArray[np.uint8]) -> str:
    from PIL import Image

    ramp = np.linspace(0, 1, SHADES)[:, None]
    colours = np.vstack([BRIGHTEST, DARKEST + ramp * (BRIGHTEST - DARKEST)]).round().astype(int)
    image = Image.frombytes("P", (shades.shape[1], shades.shape[0]), shades.tobytes())
    image.putpalette(colours.ravel().tolist())
    data = io.BytesIO()
    image.save(data, "PNG", transparency=0, compress_level=7)
    return base64.b64encode(data.getvalue()).decode("ascii")


def _path(lines: Floats) -> str:
    """Chain lines (k, 2, 2) that share an end, to keep the picture small."""
    ends = np.unique(np.round(lines * 10).astype(np.int64).reshape(-1, 4), axis=0)
    parts: list[str] = []
    last = None
    for x0, y0, x1, y1 in ends.tolist():
        if (x0, y0) != last:
            parts.append(f"M{x0 / 10:g} {y0 / 10:g}")
        parts.append(f"L{x1 / 10:g} {y1 / 10:g}")
        last = (x1, y1)
    return "".join(parts)
