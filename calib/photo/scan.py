"""Flatbed scans of a piece: found and measured by the same edges as photos, with the scanner's own scale.

A piece lies with its rim on the glass, paper of another colour over it. The scanner looks at it from
below, and its picture shows what an eye in its place would see: not mirrored, but the side that lies on
the glass. So everything is as in a photo from straight above of a piece that lies on its other side.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from calib.photo.image import Photo
from calib.photo.measure import Length, combine, measure_features, shows
from calib.photo.scale import PaperScale
from calib.photo.scan_clues import settled_scale
from calib.photo.scan_look import ON_GLASS_MM, Scanned, Sought, look_again, look_at, sought
from calib.photo.scanner import GlassScale
from calib.photo.session import Outcome, check_known, unseen
from calib.photo.view import PieceView
from patterns.body import Body
from patterns.errors import BadInput
from patterns.feature import Feature

_ROUNDS = 2  # the scale changes the camera, which changes the lengths it came from
_BED_EDGE_SD_MM = 0.08  # of outlines on the glass with the bed's side: the first layer bulges


def measure_scans(
    photos: Sequence[Photo],
    body: Body,
    features: Sequence[Feature],
    *,
    dpi: float | None = None,
    card_mm: tuple[float, float] | None = None,
    known_mm: Mapping[str, float] | None = None,
    paper_of: Callable[[str], PaperScale | None] = lambda _: None,
) -> Outcome:
    """Measure a piece in a scan, or in two that differ by a quarter turn of what lies on the glass.

    Parameters
    ----------
    dpi : float or None
        Pixels per inch, where the file doesn't state them.
    card_mm : (width, height) or None
        What a caliper reads of the card beside the piece; None: as ISO/IEC 7810 has it.
    known_mm : mapping
        Feature id -> what a caliper reads.
    paper_of : function
        The scale of a printed mat by its name, where its bars were measured.

    Raises
    ------
    FileError, BadInput
        A scan can't be used, or a known length is not one that the scans show.
    """
    known = known_mm or {}
    check_known(features, known)
    piece = sought(body)
    if not any(shows(piece.lying, f) for f in features):
        raise BadInput("no size of this piece lies level in a scan", mend="use the caliper")
    scale = GlassScale()
    scans = [look_at(p, dpi, piece, scale) for p in photos]
    for _ in range(_ROUNDS):
        scale = settled_scale(scans, features, known, scale, card_mm, paper_of)
        scans = [look_again(s, scale) for s in scans]
    own = replace(scale, height_mm=piece.height_mm)
    single = [_lengths(s.piece, features, own, piece.height_mm) for s in scans]
    order = {f.id: n for n, f in enumerate(features)}
    lengths = sorted(combine([n for g in single for n in g]), key=lambda n: order[n.feature.id])
    notes = _notes(piece, scans, scale, lengths, features)
    return Outcome(
        tuple(s.piece for s in scans), tuple(single), tuple(lengths), scale, notes
    )  # fmt: skip


def _lengths(
    view: PieceView, features: Sequence[Feature], scale: GlassScale, height_mm: float
) -> tuple[Length, ...]:
    found = measure_features(view, features, scale)
    if not (view.lying.bed_up and height_mm < ON_GLASS_MM):
        return tuple(found)
    return tuple(
        replace(n, edge_sd_mm=float(np.hypot(n.edge_sd_mm, _BED_EDGE_SD_MM))) if n.edge_sd_mm else n
        for n in found
    )


def _notes(
    piece: Sought,
    scans: Sequence[Scanned],
    scale: GlassScale,
    lengths: Sequence[Length],
    features: Sequence[Feature],
) -> tuple[str, ...]:
    ratio, sd = scale.ratio
    notes = [f"this scanner draws X / Y by {ratio:.4f} \u00b1 {2 * sd:.4f}: true over stated"]
    if not any(s.card or s.strip for s in scans) and "caliper" not in scale.source:
        notes.append(
            "nothing of known size lies beside the piece: lengths carry 0.4 % of uncertainty; lay a card"
            " (ID-1) or an edge of a measured mat on the glass, or give one caliper reading with --known"
        )
    if piece.height_mm > ON_GLASS_MM and scale.covariance[3, 3] > 1e-6:
        notes.append(
            f"its edges are {piece.height_mm:.1f} mm above the glass, where some scanners draw X smaller: scan it"
            " again, turned by 90 degrees, and give both scans"
        )
    notes += [f"{s.photo.name}: no colour in it" for s in scans if s.photo.grey]
    found = {n.feature.id for n in lengths}
    notes += unseen([piece.lying], features, found)
    return tuple(dict.fromkeys(notes))
