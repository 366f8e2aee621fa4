"""Block digits and letters as rectilinear loops of our own: the same solid wherever it is built.

Every stroke is one cell wide, every glyph seven cells high, and no two parts of a glyph meet in a
corner only, so that areas are exact and no solid ends up touching itself in an edge.
"""

from functools import cache

from patterns.body import XY, Loop, Prism, signed_area_mm2
from patterns.errors import SpecError
from patterns.spec import PrintSetup

_ROWS = 7
_SPACE = 1  # cells between two glyphs

_GLYPHS = {
    "0": "#### #..# #..# #..# #..# #..# ####",
    "1": ".#. ##. .#. .#. .#. .#. ###",
    "2": "#### ...# ...# #### #... #... ####",
    "3": "#### ...# ...# .### ...# ...# ####",
    "4": "#..# #..# #..# #### ...# ...# ...#",
    "5": "#### #... #... #### ...# ...# ####",
    "6": "#### #... #... #### #..# #..# ####",
    "7": "#### ...# ...# ..## ..#. ..#. ..#.",
    "8": "#### #..# #..# #### #..# #..# ####",
    "9": "#### #..# #..# #### ...# ...# ####",
    "-": "... ... ... ### ... ... ...",
    ".": ". . . . . . #",
    " ": ".. .. .. .. .. .. ..",
    "A": "#### #..# #..# #### #..# #..# #..#",
    "B": "####. #..#. ##### #...# #...# #...# #####",
    "C": "#### #... #... #... #... #... ####",
    "D": "####. #..## #...# #...# #...# #..## ####.",
    "X": "#...# #...# ##.## .###. ##.## #...# #...#",
    "Y": "#...# #...# ##.## .###. ..#.. ..#.. ..#..",
    "Z": "##### ....# ...## .###. ##... #.... #####",
}

#: Face -> (axis of the sweep, side that the face looks to, whether u runs against the axis).
_FACES = {
    "top": ("Z", 1, False),
    "front": ("Y", -1, False),
    "back": ("Y", 1, True),
    "right": ("X", 1, False),
    "left": ("X", -1, True),
}


@cache
def _cells(char: str) -> frozenset[tuple[int, int]]:
    if char not in _GLYPHS:
        raise SpecError(f"there is no block glyph for {char!r}", mend=f"use {''.join(_GLYPHS)}")
    rows = _GLYPHS[char].split(" ")
    return frozenset(
        (column, _ROWS - 1 - row)
        for row, cells in enumerate(rows)
        for column, cell in enumerate(cells)
        if cell == "#"
    )


def _columns(char: str) -> int:
    _cells(char)
    return len(_GLYPHS[char].split(" ")[0])


@cache
def glyph_loops(char: str) -> tuple[tuple[tuple[tuple[int, int], ...], ...], ...]:
    """Return the parts of one glyph in cells: per part its outline, then its counters.

    Outlines run counter-clockwise, counters clockwise; corners are whole numbers of cells.
    """
    loops = _boundaries(_cells(char))
    outlines = [loop for loop in loops if signed_area_mm2(loop) > 0]
    counters = [loop for loop in loops if signed_area_mm2(loop) < 0]
    # All glyphs here are one part, so every counter belongs to the only outline.
    return tuple((outline, *counters) for outline in outlines)


def _boundaries(cells: frozenset[tuple[int, int]]) -> list[tuple[tuple[int, int], ...]]:
    """Trace the edges between filled and empty cells, the filled side on the left."""
    after: dict[tuple[int, int], tuple[int, int]] = {}
    for x, y in cells:
        for beside, start, end in (
            ((x, y - 1), (x, y), (x + 1, y)),
            ((x + 1, y), (x + 1, y), (x + 1, y + 1)),
            ((x, y + 1), (x + 1, y + 1), (x, y + 1)),
            ((x - 1, y), (x, y + 1), (x, y)),
        ):
            if beside not in cells:
                if start in after:
                    msg = f"two edges of a glyph leave {start}: its parts touch in a corner"
                    raise ValueError(msg)
                after[start] = end
    loops = []
    while after:
        start = min(after)
        ring = [start]
        while (following := after.pop(ring[-1])) != start:
            ring.append(following)
        loops.append(_corners(ring))
    return loops


def _corners(ring: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Leave out the points in the middle of a straight run."""
    around = zip(ring[-1:] + ring[:-1], ring, ring[1:] + ring[:1], strict=True)
    return tuple(
        b for a, b, c in around if (b[0] - a[0]) * (c[1] - b[1]) != (b[1] - a[1]) * (c[0] - b[0])
    )


def text_size_mm(text: str, stroke_mm: float) -> tuple[float, float]:
    """Width and height of a line of text, in millimetres."""
    cells = sum(_columns(c) for c in text) + _SPACE * (len(text) - 1)
    return cells * stroke_mm, _ROWS * stroke_mm


def text_area_mm2(text: str, stroke_mm: float) -> float:
    """Area that the strokes of a line of text cover: cells x stroke squared, exact."""
    return sum(len(_cells(c)) for c in text) * stroke_mm**2


def needed_mm(text: str, setup: PrintSetup) -> tuple[float, float]:
    """Return the least face that an engraved text needs: strokes and rim of one line each."""
    wide, high = text_size_mm(text, setup.line_mm)
    return wide + 2.02 * setup.line_mm, high + 2.02 * setup.line_mm


def stroke_for(
    text: str, room: tuple[float, float], setup: PrintSetup, where: str, *, rim: bool = True
) -> float:
    """Return the stroke that fits a text into (width, height) mm: one line or more, at most two.

    An engraved text keeps a rim of one line round itself, so that no edge beside it is thinner.

    Raises
    ------
    SpecError
        Even strokes one line wide do not fit.
    """
    wide, high = text_size_mm(text, 1.0)
    edge = 2 * setup.line_mm if rim else 0.0
    stroke = min(2 * setup.line_mm, (room[0] - edge) / wide, (room[1] - edge) / high)
    if stroke < setup.line_mm - 1e-9:
        raise SpecError(
            f"there is no room for {text!r} on {where}: lines of {setup.line_mm:g} mm need"
            f" {wide * setup.line_mm + edge:.1f} x {high * setup.line_mm + edge:.1f} mm",
            mend="make that part larger or use a smaller nozzle",
        )
    return round(stroke - 5e-5, 4)


def engraved(
    text: str, *, stroke_mm: float, centre: XY, face: str, level_mm: float, depth_mm: float
) -> tuple[Prism, ...]:
    """Return the prisms to cut so that a text stands `depth_mm` deep in a face.

    Parameters
    ----------
    centre : (2,) float, millimetres
        Middle of the text in the plane of the face: (x, y), (x, z) or (y, z).
    face : str
        top, front, back, right or left; the text reads from outside.
    level_mm : float
        Where the face lies along its axis.
    """
    side = _side(face)
    ends = (level_mm - side * depth_mm, level_mm + side)
    return _prisms(text, stroke_mm, centre, face, ends, level_mm)


def raised(
    text: str, *, stroke_mm: float, centre: XY, face: str, level_mm: float, depth_mm: float
) -> tuple[Prism, ...]:
    """Return the prisms to add so that a text stands `depth_mm` out of a face; see `engraved`."""
    side = _side(face)
    return _prisms(text, stroke_mm, centre, face, (level_mm, level_mm + side * depth_mm), level_mm)


#: Where the dots of a mark stand, in cells of one dot, as on a die.
_DOTS = {1: ((0, 0),), 2: ((-1, 1), (1, -1)), 3: ((-1, 1), (0, 0), (1, -1)), 4: ((-1, 1), (1, 1), (-1, -1), (1, -1))}  # fmt: skip


def dots(
    count: int, *, dot_mm: float, centre: XY, face: str, level_mm: float, depth_mm: float
) -> tuple[Prism, ...]:
    """Return the prisms to cut for one to four square dots, counted as on a die.

    They take up five dots each way; `centre`, `face` and `level_mm` are as for `engraved`.
    """
    axis, side, _ = _FACES[face]
    ends = sorted((level_mm - side * depth_mm, level_mm + side))
    found = []
    for u, v in _DOTS[count]:
        x, y = centre[0] + 2 * u * dot_mm, centre[1] + 2 * v * dot_mm
        half = dot_mm / 2
        ring = (
            (x - half, y - half),
            (x + half, y - half),
            (x + half, y + half),
            (x - half, y + half),
        )
        found.append(
            Prism(
                outline=tuple((round(a, 6), round(b, 6)) for a, b in ring),
                start_mm=ends[0],
                end_mm=ends[1],
                axis=axis,
                face_mm=level_mm,
            )
        )
    return tuple(found)


def _side(face: str) -> int:
    return _FACES[face][1]


def _prisms(
    text: str,
    stroke_mm: float,
    centre: XY,
    face: str,
    ends: tuple[float, float],
    level_mm: float,
) -> tuple[Prism, ...]:
    axis, _, mirrored = _FACES[face]
    wide, high = text_size_mm(text, stroke_mm)
    turn = -1 if mirrored else 1
    prisms, column = [], 0
    for char in text:

        def place(loop: tuple[tuple[int, int], ...], column: int = column) -> Loop:
            return tuple(
                (
                    round(centre[0] + turn * ((x + column) * stroke_mm - wide / 2), 6),
                    round(centre[1] + y * stroke_mm - high / 2, 6),
                )
                for x, y in loop
            )

        for outline, *counters in glyph_loops(char):
            prisms.append(
                Prism(
                    outline=place(outline),
                    holes=tuple(place(c) for c in counters),
                    start_mm=min(ends),
                    end_mm=max(ends),
                    axis=axis,
                    face_mm=level_mm,
                )
            )
        column += _columns(char) + _SPACE
    return tuple(prisms)
