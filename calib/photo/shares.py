"""Plastic and paper unmixed: which part of the light a camera sees is plastic's.

In linear light every pixel is f x plastic + g x paper. Least squares gives f, the share of plastic. A shadow changes
g alone, so that f does not know of it. Where plastic and paper have no colour apart (white on dark), f is how far the
light is on the way from one to the other, and a shadow counts as plastic in part.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.profiles import END_MM, Profiles

Floats = NDArray[np.float64]

#: From this angle between the colours on they are unmixed; below it brightness tells more.
_APART_DEG = 5.0
_DARK = 0.35  # of the light of the paper beside
_NOISE_FLOOR = 0.002  # of light: rounding to 8 bits and JPEG leave this in an average
_DARKEST = 0.03  # of lit paper and plastic together: below it a ratio says nothing
_LIT_PERCENT = 75  # of the edges of a piece: their paper is in good light
_DEEP_PERCENT, _MOST_SHADE = 90, 0.75


def _rows(plastic: Floats, paper: Floats, *, by_colour: bool) -> Floats:
    """Return what (..., 3) light less its base is multiplied by, to give the share of plastic."""
    if not by_colour:
        way = plastic - paper
        return np.asarray(way / np.maximum((way**2).sum(axis=-1, keepdims=True), 1e-12))
    pp, gg, pg = (
        (x * y).sum(axis=-1, keepdims=True)
        for x, y in ((plastic, plastic), (paper, paper), (plastic, paper))
    )
    return np.asarray((plastic * gg - paper * pg) / np.maximum(pp * gg - pg**2, 1e-12))


def _apart_deg(plastic: Floats, paper: Floats) -> Floats:
    """Angle between colours, (...,)."""
    lengths = np.linalg.norm(plastic, axis=-1) * np.linalg.norm(paper, axis=-1)
    cosine = (plastic * paper).sum(axis=-1) / np.maximum(lengths, 1e-12)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


@dataclass(frozen=True, eq=False)
class Share:
    """Plastic along profiles, over what the plastic's end of each has.

    Attributes
    ----------
    f : (n, m) float
    f_sd : float
        Standard uncertainty.
    by_colour : bool
        Whether their colours told them apart.
    dark : bool
        The plastic has so little light that brightness tells more than the little colour it has.
    beside : float
        Light of the paper right beside the edge over that at the end of the profile.
    shadow : float
        What light the paper loses there, over what tells plastic from paper.
    plastic, paper : (3,) float
        Their light, at the ends of the profiles.
    """

    f: Floats
    f_sd: float
    by_colour: bool
    dark: bool
    beside: float
    shadow: float
    plastic: Floats
    paper: Floats

    @property
    def shades(self) -> bool:
        """Whether a shadow counts as plastic in part."""
        return not self.by_colour and bool(self.plastic.sum() < self.paper.sum())

    def of(self, light: Floats) -> float:
        """Return what (3,) light counts as, on the median profile."""
        base = 0.0 if self.by_colour else self.paper
        return float((light - base) @ _rows(self.plastic, self.paper, by_colour=self.by_colour))


def unmix(p: Profiles) -> Share:
    """Tell plastic from paper: by colour where that tells more than brightness."""
    plastic = p.light[:, p.across_mm < p.across_mm[0] + END_MM].mean(axis=1)
    paper = p.light[:, p.across_mm > p.across_mm[-1] - END_MM].mean(axis=1)
    near = (p.across_mm > 2 * p.blur_mm) & (p.across_mm < 2 * p.blur_mm + 0.4)
    level = p.light[:, near].sum(axis=2) / np.maximum(paper.sum(axis=1), 1e-6)[:, None]
    beside = float(np.median(level, axis=0).min()) if near.any() else 1.0
    dark = float(np.median(plastic.sum(axis=1) / paper.sum(axis=1))) < _DARK * beside
    by_colour = float(np.median(_apart_deg(plastic, paper))) >= _APART_DEG and not dark
    rows = _rows(plastic, paper, by_colour=by_colour)
    base = 0.0 if by_colour else paper[:, None]
    f = np.einsum("nmi,ni->nm", p.light - base, rows)
    f_sd = float(_NOISE_FLOOR * np.median(np.linalg.norm(rows, axis=1)))
    solid, bare = np.median(plastic, axis=0), np.median(paper, axis=0)
    shadow = (1 - beside) * float(bare.sum()) / max(float(np.abs(solid - bare).sum()), 1e-6)
    return Share(f, f_sd, by_colour, dark, beside, shadow, solid, bare)


@dataclass(frozen=True, eq=False)
class Colours:
    """Light of a piece's plastic and of the lit paper, (3,) each; whether colour tells them apart.

    Without a colour apart `shade` is how far shadows are on the way from paper to plastic, 0 to 1, and
    `doubt` says why they may count as plastic; empty where they do not.
    """

    plastic: Floats
    paper: Floats
    by_colour: bool
    shade: float = 0.0
    doubt: str = ""

    def plastic_in(self, light: Floats) -> Floats:
        """Return the plastic's light in (..., 3) light over what it has where it is well lit."""
        base = 0.0 if self.by_colour else self.paper
        rows = _rows(self.plastic, self.paper, by_colour=self.by_colour)
        return np.asarray(np.maximum((light - base) @ rows, 0.0))

    def paper_in(self, light: Floats) -> Floats:
        """Return the paper's light in (..., 3) light over what it has where it is well lit; by colour."""
        return np.asarray(np.maximum(light @ _rows(self.paper, self.plastic, by_colour=True), 0.0))

    def cover(self, light: Floats) -> Floats:
        """Return the plastic's part of (..., 3) light, place by place: 1 plastic, 0 paper.

        Plastic and paper at one place are lit alike: so the ratio of their shares is the ratio of what
        they cover, also in a shadow.
        """
        f = self.plastic_in(light)
        if not self.by_colour:
            return np.asarray(np.clip((f - self.shade) / (1 - self.shade), 0.0, 1.0))
        return np.asarray(f / np.maximum(f + self.paper_in(light), _DARKEST))


def colours_of(shares: Sequence[Share]) -> Colours:
    """Return the colour of the plastic that most of a piece's edges show, and of paper in good light."""
    plastic = np.median([s.plastic for s in shares], axis=0)
    papers = np.array([s.paper for s in shares])
    light = papers.sum(axis=1)
    paper = np.median(papers[light >= np.percentile(light, _LIT_PERCENT)], axis=0)
    if _apart_deg(plastic, paper) >= _APART_DEG:
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
