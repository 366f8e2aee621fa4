"""All of it in order: photos of one piece to lengths, with the paper's scale from what is known."""

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass

from calib.photo.card import scale_from_card
from calib.photo.corners import Seen
from calib.photo.defects import Defect, measure_defects
from calib.photo.image import Photo
from calib.photo.lying import Lying, lay
from calib.photo.measure import Length, combine, flat_direction, measure_features, shows
from calib.photo.scale import CALIPER_SD_MM, PaperScale, Scale, from_length
from calib.photo.side_views import spacer_mm
from calib.photo.view import (
    MatView,
    PieceView,
    find_piece,
    look_at_mats,
    solve_views,
)
from patterns.body import Body
from patterns.errors import BadInput
from patterns.feature import Feature

_MOST_NAMED = 6
_ROUNDS = 2  # the scale changes the camera, which changes the length the scale came from


@dataclass(frozen=True, eq=False)
class Outcome:
    """What the photos say.

    Attributes
    ----------
    views : tuple of PieceView
        One for each photo.
    single : tuple of tuple of Length
        What each photo says by itself.
    lengths : tuple of Length
        All of them combined, in the order of the features.
    scale : Scale
    notes : tuple of str
    defects : tuple of Defect
        Sag, droop, strings and roughness, from the first photo that shows each clearly.
    """

    views: tuple[PieceView, ...]
    single: tuple[tuple[Length, ...], ...]
    lengths: tuple[Length, ...]
    scale: Scale
    notes: tuple[str, ...]
    defects: tuple[Defect, ...] = ()


def measure_photos(
    photos: Sequence[Photo],
    body: Body,
    features: Sequence[Feature],
    *,
    seen: Sequence[Seen] | None = None,
    scale: PaperScale | None = None,
    sides: Sequence[str] = ("bottom",),
    card: bool = False,
    known_mm: Mapping[str, float] | None = None,
) -> Outcome:
    """Measure a piece in one photo or several.

    Parameters
    ----------
    seen : sequence of Seen or None
        What `look_at_mats` finds in the photos, where that was asked for before.
    sides : sequence of str
        Sides that may be down; the right one is found.
    scale : PaperScale or None
        From the mat's bars where they were measured.
    card : bool
        A card lies at its place and adds to the scale.
    known_mm : mapping
        Feature id -> what a caliper reads; adds to the scale.

    Raises
    ------
    FileError, BadInput
        A photo can't be used, or a known length is not one that the photos show.
    """
    check_known(features, known_mm or {})
    scale = scale or PaperScale()
    lyings = [lay(body, side) for side in sides]
    lyings = [n for n in lyings if not spacer_mm(n)] or lyings
    seen = seen or look_at_mats(photos)
    views = solve_views(photos, seen, scale)
    if card:
        prior = scale
        for _ in range(_ROUNDS):
            scale = scale_from_card(views[0], prior, scale)
            views = solve_views(photos, seen, scale)
    pieces = [_find(v, scale, lyings, card=card) for v in views]
    prior = scale
    for _ in range(_ROUNDS if known_mm else 0):
        scale = _scale_from_known(pieces, views, features, prior, scale, known_mm or {})
        views = solve_views(photos, seen, scale)
        pieces = [_find(v, scale, [p.lying], card=card) for v, p in zip(views, pieces, strict=True)]
    sizes = [f for f in features if f.group != "sag"]  # a sag is judged along the whole underside
    single = [tuple(measure_features(p, sizes, scale)) for p in pieces]
    order = {f.id: n for n, f in enumerate(features)}
    lengths = combine([n for group in single for n in group])
    lengths.sort(key=lambda n: order[n.feature.id])
    defects: dict[tuple[str, str], Defect] = {}
    for piece in pieces:
        for d in measure_defects(piece, features):
            known = defects.get((d.feature.id, d.quantity))
            if known is None or (known.note and not d.note):
                defects[d.feature.id, d.quantity] = d
    found = {n.feature.id for n in lengths} | {name for name, _ in defects}
    notes = (*_notes(pieces, scale), *unseen([p.lying for p in pieces], sizes, found))
    return Outcome(
        tuple(pieces), tuple(single), tuple(lengths), scale, notes, tuple(defects.values())
    )


def unseen(lyings: Sequence[Lying], features: Sequence[Feature], found: Set[str]) -> list[str]:
    """Say which lengths that lie level were not measured, and why."""
    level = [f.id for f in features if any(shows(n, f) for n in lyings) and f.id not in found]
    few = ", ".join(level[:_MOST_NAMED]) + (", \u2026" if len(level) > _MOST_NAMED else "")
    return [f"not measured, for no paper is seen beside their edges: {few}"] if level else []


def check_measurable(body: Body, features: Sequence[Feature], sides: Sequence[str]) -> None:
    """Refuse pieces whose features no photo shows, such as walls a line wide."""
    on_side = any(side not in ("bottom", "top") for side in sides)
    if not on_side and not any(shows(lay(body, side), f) for side in sides for f in features):
        raise BadInput(
            "nothing on this piece can be measured in a photo",
            mend="fill its sheet in by hand; photos suit sizes of 2 mm and more, and the pieces"
            " that lie on their side",
        )


def _find(
    view: MatView,
    scale: PaperScale,
    lyings: Sequence[Lying],
    *,
    card: bool,
) -> PieceView:
    x0, y0, x1, y1 = view.seen.mat.empty_mm
    box = (x0, view.seen.mat.card_mm[3] + 2.0 if card else y0, x1, y1)
    return find_piece(view, scale, lyings, box_mm=box)


def check_known(features: Sequence[Feature], known_mm: Mapping[str, float]) -> None:
    """Refuse caliper readings of what is no length of the piece, or far from it."""
    by_id = {f.id: f for f in features if f.instrument == "caliper"}
    for name, true_mm in known_mm.items():
        if name not in by_id:
            raise BadInput(f"the piece has no feature {name!r}", mend=f"one of {', '.join(by_id)}")
        nominal = by_id[name].nominal
        if abs(true_mm / nominal - 1) > 0.1:
            raise BadInput(
                f"{name}={true_mm:g} is far from its nominal {nominal:g} mm",
                mend="give what the caliper reads, in millimetres",
            )


def _scale_from_known(
    pieces: Sequence[PieceView],
    views: Sequence[MatView],
    features: Sequence[Feature],
    prior: PaperScale,
    scale: PaperScale,
    known_mm: Mapping[str, float],
) -> PaperScale:
    by_id = {f.id: f for f in features}
    for name, true_mm in known_mm.items():
        feature = by_id[name]
        seen = [
            (p, v.stretch, n)
            for p, v in zip(pieces, views, strict=True)
            for n in measure_features(p, [feature], scale)
            if not n.flags
        ]
        if not seen:
            raise BadInput(
                f"{name} can't be measured in these photos",
                mend="give the caliper reading of a length that is clear in them",
            )
        piece, stretch, length = seen[0]
        direction = flat_direction(piece.lying, feature)
        assert direction is not None  # it was measured
        world = piece.placement.turned(direction[None])[0]
        sd = (CALIPER_SD_MM**2 + length.own_sd_mm**2) ** 0.5
        now = scale.stretched(stretch)
        prior = from_length(prior, now, world, length.value_mm, true_mm, sd, f"caliper on {name}")
    return prior


def _notes(pieces: Sequence[PieceView], scale: PaperScale) -> tuple[str, ...]:
    notes = [f"{p.sight.photo.name}: {n}" for p in pieces for n in p.notes]
    notes += [f"{p.sight.photo.name}: no colour in it" for p in pieces if p.sight.photo.grey]
    for gap in {round(spacer_mm(p.lying), 1) for p in pieces} - {0.0}:
        notes.append(
            f"the foot of this piece juts out: it is taken to lie level, with a spacer of {gap:g} mm"
            " under its other end; let the light come from the side that keeps shadows out of gaps"
        )
    if not scale.known:
        notes.append(
            "the paper's scale was not measured: lengths carry 0.5 % of uncertainty; measure the "
            "mat's bars, or give one caliper reading with --known"
        )
    return tuple(dict.fromkeys(notes))
