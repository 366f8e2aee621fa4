"""How much of what a camera sees is plastic, place by place: 1 plastic, 0 paper, whatever the shadow."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.edges import APART_DEG, EdgeFit

Floats = NDArray[np.float64]

_DARKEST = 0.03  # of lit paper and plastic together: below it a ratio says nothing
_DEEP_PERCENT, _MOST_SHADE = 90, 0.75


@dataclass(frozen=True, eq=False)
class Colours:
    """Light of the plastic and of the lit paper, (3,) each; whether colour tells them apart.

    Without a colour apart `shade` is how far shadows are on the way from paper to plastic, 0 to 1, and
    `doubt` says why they may count as plastic; empty where they do not.
    """

    plastic: Floats
    paper: Floats
    by_colour: bool
    shade: float = 0.0
    doubt: str = ""

    def cover(self, light: Floats) -> Floats:
        """Return the plastic's part of (..., 3) light.

        Plastic and paper at one place are lit alike: so the ratio of their shares is the ratio of what
        they cover, also in a shadow.
        """
        if not self.by_colour:
            way = self.plastic - self.paper
            part = (light - self.paper) @ way / max(float(way @ way), 1e-12)
            return np.clip((part - self.shade) / (1 - self.shade), 0.0, 1.0)
        both = np.linalg.pinv(np.stack([self.plastic, self.paper], axis=1))
        f, g = np.moveaxis(light @ both.T, -1, 0)
        f, g = np.maximum(f, 0.0), np.maximum(g, 0.0)
        return np.asarray(f / np.maximum(f + g, _DARKEST))


def colours_of(fits: Sequence[EdgeFit]) -> Colours:
    """Return the colours that most of a piece's edges show."""
    shares = [f.share for f in fits]
    plastic, paper = (
        np.median([getattr(s, name) for s in shares], axis=0) for name in ("plastic", "paper")
    )
    angle = float(plastic @ paper / (np.linalg.norm(plastic) * np.linalg.norm(paper)))
    if np.degrees(np.arccos(min(angle, 1.0))) >= APART_DEG:
        return Colours(plastic, paper, by_colour=True)
    shade = 0.0
    if plastic.sum() < paper.sum():
        shade = float(np.clip(np.percentile([s.shadow for s in shares], _DEEP_PERCENT), 0.0, 0.9))
    doubt = ""
    if shade > _MOST_SHADE:
        doubt = (
            "a shadow can pass for this filament on this paper: take paper of another colour, or"
            " take it again in even light"
        )
    return Colours(plastic, paper, False, shade, doubt)
