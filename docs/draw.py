"""Draw the pictures of README.md: python docs/draw.py. The tool itself draws them."""

import re
from io import BytesIO
from pathlib import Path

from PIL import Image

from demo import all_pieces
from patterns import registry
from patterns.drawing import draw_piece
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup

HERE = Path(__file__).parent


def pictures() -> dict[str, str]:
    """Return name -> SVG of every picture that README.md shows."""
    gauge = registry.get("corner-gauge").piece({}, PrintSetup())
    return {
        "corner-gauge.svg": draw_piece(gauge, preview_mesh(gauge.body)),
        "pieces.svg": all_pieces(),
    }


def without_shading(svg: str) -> str:
    """Leave out the embedded shading, whose compressed bytes depend on the machine's zlib."""
    return re.sub(r"data:image/png;base64,[^\"']*", "", svg)


def measured_photo() -> bytes:
    """Return what `truebead photo` draws into a photo, as JPEG: the photo is rendered, no camera took it."""
    from calib.photo.annotate import annotated
    from calib.photo.image import Photo
    from calib.photo.lying import lay
    from calib.photo.mat import Mat
    from calib.photo.scale import from_bars
    from calib.photo.session import measure_photos
    from tests.photo_render import Placed, Scene, decoded, look, render

    gauge = registry.get("corner-gauge").piece({}, PrintSetup())
    mat, size = Mat("a4", "green", 427), (2400, 3200)
    placed = Placed(lay(gauge.body, "bottom"), 4, 6, 8, "grey", 0.1, 0.1, (0.997, 0.998, 1.0))
    camera = look(size, tilt_deg=13, azimuth_deg=-60, mat=mat)
    seen = decoded(render(Scene(mat, camera, size, (placed,), seed=3)))
    found = measure_photos(
        [Photo("photo.jpg", seen)], gauge.body, gauge.features, scale=from_bars(140.0, 140.0)
    )
    picture = Image.open(BytesIO(annotated(found.views[0], found.single[0])))
    picture.thumbnail((1200, 1200))
    small = BytesIO()
    picture.save(small, "JPEG", quality=82, optimize=True)
    return small.getvalue()


if __name__ == "__main__":
    (HERE / "photo-measured.jpg").write_bytes(measured_photo())
    for name, svg in pictures().items():
        (HERE / name).write_text(svg, encoding="utf-8")
