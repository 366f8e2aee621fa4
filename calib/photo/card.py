"""The ID-1 card on the mat as a scale: measured like any piece, 0.76 mm thick."""

from dataclasses import replace

import numpy as np

from calib.photo.lying import lay
from calib.photo.mat import CARD_MM, CARD_RADIUS_MM, CARD_THICK_MM
from calib.photo.measure import measure_features
from calib.photo.scale import PaperScale, card_lengths, from_length
from calib.photo.view import MatView, find_piece
from patterns.body import Body, Prism
from patterns.errors import BadInput
from patterns.feature import Feature, Kind

_SEARCH_MM = 8.0
_ROUND_CORNER_STEPS = 8


def card_body() -> Body:
    """Return the card with its rounded corners, its lower left corner at the origin."""
    (width, height), r = CARD_MM, CARD_RADIUS_MM
    points = []
    for x, y, start in (
        (width - r, r, -90),
        (width - r, height - r, 0),
        (r, height - r, 90),
        (r, r, 180),
    ):
        for step in range(_ROUND_CORNER_STEPS + 1):
            angle = np.radians(start + 90 * step / _ROUND_CORNER_STEPS)
            points.append((float(x + r * np.cos(angle)), float(y + r * np.sin(angle))))
    return Body(add=(Prism(outline=tuple(points), start_mm=0, end_mm=CARD_THICK_MM),))


def card_features() -> tuple[Feature, Feature]:
    """Return its width and its height."""
    (width, height), z = CARD_MM, CARD_THICK_MM / 2
    return (
        Feature(id="card_width", kind=Kind.OUTSIDE, axis="X", nominal=width, where="card",
                start=(0, height / 2, z), end=(width, height / 2, z)),
        Feature(id="card_height", kind=Kind.OUTSIDE, axis="Y", nominal=height, where="card",
                start=(width / 2, 0, z), end=(width / 2, height, z)),
    )  # fmt: skip


def scale_from_card(view: MatView, prior: PaperScale, scale: PaperScale) -> PaperScale:
    """Add to `prior` what the card at its place says, in a view solved with `scale`.

    Raises
    ------
    BadInput
        There is no card, or its edges are not clear.
    """
    x0, y0, x1, y1 = view.seen.mat.card_mm
    box = (x0 - _SEARCH_MM, y0 - _SEARCH_MM / 2, x1 + _SEARCH_MM, y1 + _SEARCH_MM)
    try:
        seen = find_piece(view, scale, [lay(card_body(), "bottom")], box_mm=box, alone=False)
        lengths = {n.feature.id: n for n in measure_features(seen, card_features(), scale)}
        pair = [lengths["card_width"], lengths["card_height"]]
    except (BadInput, KeyError):
        pair = []
    if not pair or any(n.flags for n in pair):
        raise BadInput(
            "the card's edges can't be found at its place on the mat",
            where=view.photo.name,
            mend="lay it inside the corner marks, or leave --card out",
        )
    for length, (true_mm, sd_mm) in zip(pair, card_lengths(), strict=True):
        direction = seen.placement.turned(np.array([length.feature.direction[:2]]))[0]
        sd = float(np.hypot(sd_mm, length.own_sd_mm))
        prior = from_length(
            prior, scale.stretched(view.stretch), direction, length.value_mm, true_mm, sd, "card"
        )
    return replace(prior, source="card")
