"""A scanner's own scale, from a card, a printed strip, a caliper, and a piece that was turned."""

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.photo.card import card_features
from calib.photo.measure import flat_direction, measure_features
from calib.photo.scale import CALIPER_SD_MM, PaperScale, card_lengths
from calib.photo.scan_look import Scanned, height_of
from calib.photo.scanner import (
    MM_PER_INCH,
    Clue,
    GlassScale,
    Size,
    settle,
    turning,
    weights,
)
from calib.photo.strip import Strip
from calib.photo.view import PieceView
from patterns.errors import BadInput
from patterns.feature import Feature

Floats = NDArray[np.float64]

_SQUARE_SD = 3e-4  # of a card's corners, rad (no source)
_STRIP_SD = 1e-4  # of a printed strip: how flat it lies (no source)
#: Directions along which a printed strip tells the scale.
_WAYS = ((1.0, 0.0), (0.0, 1.0), (0.5**0.5, 0.5**0.5))


def settled_scale(
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
                w = n.value_mm * weights(_along(scan.piece, feature), height_of(scan.piece))
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
                n.value_mm * weights(_along(s.piece, n.feature), height_of(s.piece))
                for s, n in ((first, a), (second, b))
            )
            w = wa - wb
            value = float(w @ now.factors) - (a.value_mm - b.value_mm)
            clues.append(Clue(w, {}, value, float(np.hypot(a.own_sd_mm, b.own_sd_mm))))
    turned = any(np.abs(c.of_scale[0] - c.of_scale[1]) > 0.2 * abs(c.of_scale).max() for c in clues)
    return clues if turned else []
