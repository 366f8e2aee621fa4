"""Measuring a mesh from outside: rays against triangles, and layers as the printer sees them.

Independent of the code that made the piece: all it takes are triangles and a feature's words.
"""

import math
import random
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.mesh import Mesh
from patterns.piece import Piece
from patterns.registry import Pattern
from patterns.spec import PrintSetup

Array = NDArray[np.float64]

NEAR_MM = 0.3  # how far from its anchor a face is looked for
_NUDGES = (0.0, 0.002, 0.02, 0.1)


def crossings(mesh: Mesh, origin: Array, direction: Array) -> list[tuple[float, int]]:
    """Where a line crosses the surface: (distance along it, +1 leaving or -1 entering), sorted.

    Moller and Trumbore, Fast, minimum storage ray-triangle intersection, J. Graphics Tools 2 (1997).
    """
    a, b, c = np.moveaxis(mesh.corners, 1, 0)
    e1, e2 = b - a, c - a
    p = np.cross(direction, e2)
    det = np.einsum("ij,ij->i", e1, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        to = origin - a
        u = np.einsum("ij,ij->i", to, p) / det
        q = np.cross(to, e1)
        v = q @ direction / det
        t = np.einsum("ij,ij->i", e2, q) / det
        hit = (np.abs(det) > 1e-12) & (u > -1e-9) & (v > -1e-9) & (u + v < 1 + 1e-9)
    found = sorted((float(s), -1 if d > 0 else 1) for s, d in zip(t[hit], det[hit], strict=True))
    return [
        f for n, f in enumerate(found) if n == 0 or f[0] - found[n - 1][0] > 1e-6 or f[1] != found[n - 1][1]
    ]  # fmt: skip


def measure_mm(mesh: Mesh, feature: Feature) -> float:
    """Measure a length on the mesh as its kind says, starting from the feature's anchors."""
    start, end = np.array(feature.start), np.array(feature.end)
    length = float(np.linalg.norm(end - start))
    d = (end - start) / length
    first, last = _signs(feature)
    return length + _off(mesh, end, d, last) - _off(mesh, start, d, first)


def _signs(feature: Feature) -> tuple[int, int]:
    """Which way the two faces must look along start -> end: +1 along it, -1 against it."""
    if feature.kind is Kind.PITCH:
        return (0, 0)
    if feature.kind is Kind.STEP and feature.group != "sag":
        return (1, 1)
    inside = feature.kind is Kind.INSIDE or (
        feature.kind in (Kind.DIAMETER, Kind.DIAGONAL) and feature.jaws == "inside"
    )
    return (1, -1) if inside else (-1, 1)


def _off(mesh: Mesh, at: Array, d: Array, sign: int) -> float:
    """Distance along d from an anchor to the face that it means (sign 0: either, or a groove)."""
    p = np.cross(d, [0.0, 0.0, 1.0] if abs(d[2]) < 0.9 else [1.0, 0.0, 0.0])
    p /= np.linalg.norm(p)
    q = np.cross(d, p)
    for reach in _NUDGES:
        near: list[float] = []
        for k in range(8 if reach else 1):
            turn = 2 * math.pi * (k + 0.5) / 8
            origin = at + reach * (math.cos(turn) * p + math.sin(turn) * q)
            hits = crossings(mesh, origin, d)
            near += [t for t, s in hits if abs(t) < NEAR_MM and sign in (0, s)]
            if sign == 0 and not near:
                near += _groove(hits)
        if near:
            return min(near, key=abs)
    raise AssertionError(f"no face near {at.tolist()} along {d.tolist()}")


def _groove(hits: list[tuple[float, int]]) -> list[float]:
    """Middle between the two walls round an anchor that stands in a groove up to 3 mm wide."""
    before = [t for t, s in hits if -1.5 < t < 0 and s == 1]
    after = [t for t, s in hits if 0 < t < 1.5 and s == -1]
    return [(before[-1] + after[0]) / 2] if before and after else []


def slices(mesh: Mesh, layer_mm: float) -> list[Any]:
    """Cross-sections in the middle of every layer (manifold3d)."""
    from manifold3d import Manifold, Mesh64

    solid = Manifold(Mesh64(mesh.vertices, mesh.triangles.astype(np.uint64)))
    low, high = mesh.bounds
    count = round(float(high[2] - low[2]) / layer_mm)
    return [solid.slice((k + 0.4987) * layer_mm).simplify(1e-6) for k in range(count)]


def random_spec(pattern: Pattern, rng: random.Random) -> tuple[dict[str, str], PrintSetup]:
    """Draw parameters and a printer, most of them sensible, some of them not."""
    nozzle = rng.choice((0.25, 0.4, 0.4, 0.6, 0.8))
    setup = PrintSetup(
        nozzle_mm=nozzle,
        layer_mm=round(nozzle * rng.choice((0.3, 0.5, 0.5, 0.7)), 3),
        line_mm=round(nozzle * rng.uniform(0.95, 1.4), 3),
        build_x_mm=rng.choice((180.0, 220.0, 220.0, 300.0)),
        build_y_mm=rng.choice((180.0, 220.0, 220.0, 300.0)),
        build_z_mm=rng.choice((180.0, 250.0, 400.0)),
        hot_end_max_c=rng.choice((250.0, 300.0)),
    )
    given = {}
    for name, (param, default) in pattern.spec_type.params().items():
        if rng.random() < 0.4:
            continue
        if param.choices:
            given[name] = rng.choice(param.choices)
        elif isinstance(default, int):
            given[name] = str(rng.randint(int(param.low), int(param.high)))
        elif isinstance(default, float) and default > 0:
            value = default * rng.uniform(0.6, 1.6)
            given[name] = f"{min(max(value, param.low), param.high):.2f}"
    return given, setup


def valid_pieces(pattern: Pattern, count: int, seed: int) -> tuple[list[Piece], int]:
    """Return that many valid random pieces, and how many draws were refused with a clear line."""
    rng, pieces, refused = random.Random(f"{pattern.name} {seed}"), [], 0
    while len(pieces) < count:
        given, setup = random_spec(pattern, rng)
        try:
            pieces.append(pattern.piece(given, setup))
        except SpecError:
            refused += 1
            if refused > 60 * count:
                raise
    return pieces, refused


@dataclass(frozen=True, slots=True)
class Checked:
    """What a whole check of one piece found."""

    shape: Any  # the kernel's
    mesh: Mesh
    kernel_mm3: float
    worst_mm: float  # of the re-measured features
    measured: int


def check_piece(piece: Piece) -> Checked:
    """Build a piece and hold it against two other libraries, its closed form and its features."""
    import trimesh
    from manifold3d import Error, Manifold, Mesh64
    from OCP.BRepCheck import BRepCheck_Analyzer

    from patterns import solid

    shape = solid.build(piece.body)
    assert BRepCheck_Analyzer(shape).IsValid()
    mesh, exact = solid.mesh(shape), solid.volume_mm3(shape)
    other = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    assert other.is_volume
    assert other.body_count == piece.body.solids
    manifold = Manifold(Mesh64(mesh.vertices, mesh.triangles.astype(np.uint64)))
    assert manifold.status() == Error.NoError
    assert manifold.volume() == pytest.approx(exact, rel=1e-3)
    assert other.volume == pytest.approx(exact, rel=1e-3)
    if piece.volume_mm3 is not None:
        assert exact == pytest.approx(piece.volume_mm3, rel=1e-6)
    errors = [
        abs(measure_mm(mesh, f) - f.nominal) for f in piece.features if f.instrument == "caliper"
    ]
    assert max(errors, default=0.0) < 0.005
    return Checked(shape, mesh, exact, max(errors, default=0.0), len(errors))
