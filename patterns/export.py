"""Meshes into binary STL and 3MF files, the same bytes for the same mesh."""

import struct
import zipfile
from io import BytesIO

import numpy as np

from patterns.mesh import Mesh

#: What every file of a calibration piece says of itself, so that nobody corrects it by mistake.
PIECE_MARK = "calibration piece"

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rel0" Target="/3D/3dmodel.model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>\n"
)


def stl_bytes(mesh: Mesh, title: str) -> bytes:
    """Return a binary STL: an 80-byte header, the count, and 50 bytes per triangle."""
    corners = mesh.corners.astype("<f4")
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    records = np.zeros(
        len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")]
    )
    records["normal"] = normals / np.where(lengths > 0, lengths, 1)
    records["corners"] = corners
    # A header that starts with "solid" would pass for the text form of the format.
    header = f"{PIECE_MARK}, binary STL, mm: {title}".encode("ascii", "replace")[:80].ljust(80)
    return header + struct.pack("<I", len(corners)) + records.tobytes()


def threemf_bytes(placed: list[tuple[str, Mesh, tuple[float, float, float]]]) -> bytes:
    """Return a 3MF package (core specification) of named meshes, each shifted on the plate.

    Parameters
    ----------
    placed : list of (name, mesh, (dx, dy, dz) in millimetres)
    """
    objects, items = [], []
    for number, (name, mesh, shift) in enumerate(placed, 1):
        objects.append(_object_xml(number, name, mesh))
        move = " ".join(f"{v:.6g}" for v in (1, 0, 0, 0, 1, 0, 0, 0, 1, *shift))
        items.append(f'<item objectid="{number}" transform="{move}"/>')
    model = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">'
        '<metadata name="Application">Truebead</metadata>'
        f'<metadata name="Description">{PIECE_MARK}</metadata>'
        f"<resources>{''.join(objects)}</resources><build>{''.join(items)}</build></model>\n"
    )
    parts = {
        "[Content_Types].xml": _TYPES,
        "_rels/.rels": _RELATIONS,
        "3D/3dmodel.model": model,
    }
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as package:
        for name, text in parts.items():
            # A fixed date keeps the file the same from run to run.
            package.writestr(_entry(name), text.encode("utf-8"))
    return out.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, date_time=(2020, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


def _object_xml(number: int, name: str, mesh: Mesh) -> str:
    from xml.sax.saxutils import quoteattr

    vertices = "".join(
        f'<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"/>' for x, y, z in mesh.vertices
    )
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.triangles)
    return (
        f'<object id="{number}" type="model" name={quoteattr(name)}><mesh>'
        f"<vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh></object>"
    )
