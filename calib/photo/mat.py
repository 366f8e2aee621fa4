"""The mat: a printed sheet with a ChArUco frame, check bars and a place for a card; geometry only.

Frame coordinates are millimetres with the origin in the middle of the frame, x to the right, y up
the page and z out of the paper. Page coordinates have their origin in the lower left corner.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from patterns.errors import BadInput

Floats = NDArray[np.float64]
Ink = tuple[float, float, float]
BLACK: Ink = (0.0, 0.0, 0.0)

#: Width and height in mm: A4 by ISO 216; letter (ANSI A) is 8.5 x 11 in of 25.4 mm.
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
CENTRES = ("white", "dark", "green", "magenta")
#: Filament that a green centre does not suit: it has green in it.
_GREENISH = ("green", "yellow", "lime", "olive", "mint", "teal", "turquoise", "cyan")
#: Light of a printed centre in red, green and blue; a saturated colour, whatever the printer makes of
#: it, keeps its colour under a shadow, which white and dark paper do not tell from filament.
_INKS = {
    "dark": (0.12, 0.12, 0.12),
    "green": (0.0, 0.62, 0.25),
    "magenta": (0.85, 0.0, 0.45),
}
#: How to hold the camera: below, one photo tells little of the focal length; above, walls come into sight.
ASLANT = "8 to 18 degrees off straight above"
COLUMNS = 17
SQUARE_MM = 11.0
MARKER_MM = 8.0
MARKER_MODULES = 7  # 5 x 5 code modules and a border of one
BAR_MM = 140.0  # the longest round length a 150 mm caliper takes with ease
BAR_WIDTH_MM = 3.0
CARD_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1
CARD_THICK_MM = 0.76
CARD_RADIUS_MM = 3.18
SERIALS = 10_000
_HUNDREDS_FROM, _UNITS_FROM = 800, 900  # marker codes that spell the serial number
_EVERY = 9  # markers from one that spells the hundreds to the next; the units follow each of them


def centre_for(filament: str) -> str:
    """Return the centre that suits filament of a colour, said in a word or two: "light grey"."""
    return "magenta" if any(w in filament.lower() for w in _GREENISH) else "green"


@dataclass(frozen=True, slots=True)
class Rect:
    """A filled rectangle on the page, millimetres; ink is red, green, blue from 0 to 1."""

    x0: float
    y0: float
    x1: float
    y1: float
    ink: Ink = BLACK


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text whose baseline starts at (x, y) on the page; turned by 0 or 90 degrees."""

    x: float
    y: float
    size_mm: float
    words: str
    ink: Ink = BLACK
    turn_deg: int = 0


@dataclass(frozen=True)
class Mat:
    """One printed mat.

    Attributes
    ----------
    paper, centre : str
        One of `PAPERS`, and of `CENTRES`.
    serial : int
        0 to 9999; spelt out by pairs of markers all round, so that a part of the frame tells which mat it is.
    """

    paper: str = "a4"
    centre: str = "green"
    serial: int = 0

    def __post_init__(self) -> None:
        if self.paper not in PAPERS:
            raise BadInput(f"there is no paper {self.paper!r}", mend=f"use {' or '.join(PAPERS)}")
        if self.centre not in CENTRES:
            raise BadInput(f"there is no centre {self.centre!r}", mend=f"use {', '.join(CENTRES)}")
        if not 0 <= self.serial < SERIALS:
            raise BadInput(f"serial {self.serial} is not 0 to {SERIALS - 1}", mend="leave it out")

    @property
    def name(self) -> str:
        """What is printed on the mat, such as A4-W-0427."""
        return f"{self.paper.upper()}-{self.centre[0].upper()}-{self.serial:04d}"

    @classmethod
    def from_name(cls, name: str) -> "Mat":
        """Return the mat whose printed name this is; BadInput where it can't be one."""
        found = re.fullmatch(r"(A4|LETTER)-([WDGM])-(\d{4})", name.strip().upper())
        if not found:
            raise BadInput(
                f"{name!r} is no mat's name", mend="copy it from the mat's lower edge: A4-W-0427"
            )
        centre = next(c for c in CENTRES if c[0].upper() == found[2])
        return cls(found[1].lower(), centre, int(found[3]))

    @property
    def rows(self) -> int:
        """Squares from top to bottom."""
        return 24 if self.paper == "a4" else 23

    @property
    def page_mm(self) -> tuple[float, float]:
        """Width and height of the paper."""
        return PAPERS[self.paper]

    @property
    def origin_mm(self) -> tuple[float, float]:
        """Where the middle of the frame lies on the page."""
        height = self.page_mm[1]
        left = 14.0 if self.paper == "a4" else 16.5
        top = 9.0 if self.paper == "a4" else 8.0
        return left + COLUMNS * SQUARE_MM / 2, height - top - self.rows * SQUARE_MM / 2

    @property
    def empty_mm(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of the empty centre in frame coordinates."""
        half_x = (COLUMNS / 2 - 2) * SQUARE_MM
        half_y = (self.rows / 2 - 2) * SQUARE_MM
        return -half_x, -half_y, half_x, half_y

    @property
    def card_mm(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of the place for a card in frame coordinates."""
        y0 = self.empty_mm[1] + 5.0
        return -CARD_MM[0] / 2, y0, CARD_MM[0] / 2, y0 + CARD_MM[1]

    def _in_ring(self, i: int, j: int) -> bool:
        return min(i, j, COLUMNS - 1 - i, self.rows - 1 - j) < 2

    @cached_property
    def marker_squares(self) -> list[tuple[int, int]]:
        """Column and row of every square that holds a marker, row by row."""
        return [
            (i, j)
            for j in range(self.rows)
            for i in range(COLUMNS)
            if self._in_ring(i, j) and (i + j) % 2
        ]

    @cached_property
    def marker_codes(self) -> list[int]:
        """Code of every marker, in the order of `marker_squares`."""
        base = 100 * _kinds().index((self.paper, self.centre))
        codes = [base + n for n in range(len(self.marker_squares))]
        for n in range(0, len(codes), _EVERY):
            codes[n] = _HUNDREDS_FROM + self.serial // 100
        for n in range(1, len(codes), _EVERY):
            codes[n] = _UNITS_FROM + self.serial % 100
        return codes

    @property
    def spelling(self) -> list[int]:
        """Places in `marker_squares` that spell the serial number: all else has a code of its own."""
        return [n for n in range(len(self.marker_squares)) if n % _EVERY < 2]

    def square_mm(self, i: int, j: int) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of a square in frame coordinates; row 0 is the topmost."""
        x0 = (i - COLUMNS / 2) * SQUARE_MM
        y1 = (self.rows / 2 - j) * SQUARE_MM
        return x0, y1 - SQUARE_MM, x0 + SQUARE_MM, y1

    def marker_corners_mm(self, n: int) -> Floats:
        """(4, 2) corners of the n-th marker: top left, top right, bottom right, bottom left."""
        x0, y0, x1, y1 = self.square_mm(*self.marker_squares[n])
        pad = (SQUARE_MM - MARKER_MM) / 2
        x0, y0, x1, y1 = x0 + pad, y0 + pad, x1 - pad, y1 - pad
        return np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])

    @cached_property
    def saddles_mm(self) -> Floats:
        """(n, 2) chessboard corners with all four squares printed, in frame coordinates."""
        last_i, last_j = COLUMNS - 1, self.rows - 1
        grid = [(i, j) for j in range(1, self.rows) for i in range(1, COLUMNS)]
        kept = [(i, j) for i, j in grid if i in (1, last_i) or j in (1, last_j)]
        return np.array(
            [((i - COLUMNS / 2) * SQUARE_MM, (self.rows / 2 - j) * SQUARE_MM) for i, j in kept]
        )


def mat_from_codes(codes: Sequence[int]) -> tuple[Mat, dict[int, int]]:
    """Return what mat seen codes belong to, its number left out, and the place of every code of its own.

    Raises
    ------
    BadInput
        No code of any mat is among them.
    """
    kinds = [c // 100 for c in codes if c < _HUNDREDS_FROM]
    if not kinds:
        raise BadInput("the markers are not a Truebead mat's", mend="print one: truebead mat")
    kind = max(set(kinds), key=kinds.count)
    mat = Mat(*_kinds()[kind])
    return mat, {100 * kind + n: n for n in range(len(mat.marker_squares))}


def serial_of(codes: Sequence[int]) -> int | None:
    """Return the number that codes from `Mat.spelling` places spell; None where they don't, or not one alone."""
    hundreds = {c - _HUNDREDS_FROM for c in codes if _HUNDREDS_FROM <= c < _UNITS_FROM}
    units = {c - _UNITS_FROM for c in codes if _UNITS_FROM <= c < _UNITS_FROM + 100}
    if len(hundreds) != 1 or len(units) != 1:
        return None
    return 100 * hundreds.pop() + units.pop()


def _kinds() -> list[tuple[str, str]]:
    """Paper and centre of every hundred of marker codes, in the order in which they came to be."""
    return [(p, c) for some in (CENTRES[:2], CENTRES[2:]) for p in PAPERS for c in some]


def bars_mm(mat: Mat) -> tuple[Rect, Rect]:
    """Return the X bar and the Y bar, in page coordinates."""
    ox, oy = mat.origin_mm
    frame_x0, frame_y0 = ox - COLUMNS * SQUARE_MM / 2, oy - mat.rows * SQUARE_MM / 2
    x0, y1 = ox - BAR_MM / 2, frame_y0 - 2.5
    x_bar = Rect(x0, y1 - BAR_WIDTH_MM, x0 + BAR_MM, y1)
    y0, x1 = oy - BAR_MM / 2, frame_x0 - 2.5
    return x_bar, Rect(x1 - BAR_WIDTH_MM, y0, x1, y0 + BAR_MM)


def marker_bits(code: int) -> NDArray[np.bool_]:
    """Return the (7, 7) modules of a marker, True where black, the top row first."""
    import cv2

    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    picture = cv2.aruco.generateImageMarker(words, code, MARKER_MODULES)
    return np.asarray(np.asarray(picture) == 0)


def shapes(mat: Mat) -> list[Rect | Text]:
    """Return everything that is printed, in the order it is painted, in page coordinates."""
    return [*_centre(mat), *_frame(mat), *bars_mm(mat), *_words(mat)]


def _on_page(mat: Mat, box: tuple[float, float, float, float], ink: Ink = BLACK) -> Rect:
    ox, oy = mat.origin_mm
    return Rect(box[0] + ox, box[1] + oy, box[2] + ox, box[3] + oy, ink)


def _frame(mat: Mat) -> list[Rect]:
    out = [
        _on_page(mat, mat.square_mm(i, j))
        for j in range(mat.rows)
        for i in range(COLUMNS)
        if mat._in_ring(i, j) and (i + j) % 2 == 0
    ]
    step = MARKER_MM / MARKER_MODULES
    for n, code in enumerate(mat.marker_codes):
        left, top = mat.marker_corners_mm(n)[0]
        for row, modules in enumerate(marker_bits(code)):
            for first, last in _runs(modules):
                y1 = top - row * step
                box = (left + first * step, y1 - step, left + last * step, y1)
                out.append(_on_page(mat, box))
    return out


def _runs(row: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Start and end of each run of black modules."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _centre(mat: Mat) -> list[Rect]:
    ground = _INKS.get(mat.centre)
    out = [_on_page(mat, mat.empty_mm, ground)] if ground else []
    x0, y0, x1, y1 = mat.card_mm
    gap, long, thin, ink = 1.0, 4.0, 0.3, _faint(mat)
    for x, sx in ((x0, -1), (x1, 1)):
        for y, sy in ((y0, -1), (y1, 1)):
            a, b = x + sx * gap, y + sy * gap
            across = (min(a, a - sx * long), b, max(a, a - sx * long), b + thin)
            along = (a, min(b, b - sy * long), a + thin, max(b, b - sy * long))
            out += [_on_page(mat, across, ink), _on_page(mat, along, ink)]
    return out


def _faint(mat: Mat) -> Ink:
    """Ink for marks in the centre that shall not be taken for a piece."""
    ground = np.array(_INKS.get(mat.centre, (1.0, 1.0, 1.0)))
    red, green, blue = ground * 0.8 if ground.max() > 0.5 else ground + 0.18
    return float(red), float(green), float(blue)


def _words(mat: Mat) -> list[Text]:
    x_bar, y_bar = bars_mm(mat)
    ox, oy = mat.origin_mm
    left, below = ox - COLUMNS * SQUARE_MM / 2, x_bar.y0 - 3.2
    card_y = oy + mat.card_mm[1] - 3.6
    name = f"Truebead mat {mat.name}"
    how = (
        f"Print at 100 %. Measure both bars (drawn {BAR_MM:.2f} mm) end to end with a caliper, then: "
        f"truebead mat --name {mat.name} --bar-x ... --bar-y ..."
    )
    lay = f"Lay the piece near the middle, nothing across the frame, camera {ASLANT}."
    return [
        Text(left, below, 2.6, name),
        Text(left + 55, below, 2.2, lay),
        Text(left, below - 3.4, 2.2, how),
        Text(x_bar.x0 - 14, x_bar.y0 + 0.5, 2.4, "X bar"),
        Text(y_bar.x1 - 0.5, y_bar.y0 - 11, 2.4, "Y bar", BLACK, 90),
        Text(ox - 18, card_y, 1.8, "card for scale (ID-1), optional", _faint(mat)),
    ]
