"""How each sort of feature is read: the words and the icon beside the numbers on a sheet's page.

All of it is common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from calib.report.caliper_icons import ICONS
from patterns.feature import Feature, Kind

_ZERO = "Close the caliper, wipe the jaws, set zero; look at zero again at the end."


@dataclass(frozen=True, slots=True)
class Method:
    """One method of reading.

    Attributes
    ----------
    name : str
    rules : tuple of str
        What to do, in order.
    icon : str
        Key of `ICONS`, or "".
    """

    name: str
    rules: tuple[str, ...]
    icon: str = ""


#: In the order in which they are shown.
METHODS = {
    "outside": Method(
        "Outside jaws",
        (
            _ZERO,
            "Lay the jaws flat on both faces, square to the length, and close them lightly.",
            "Keep off the lowest millimetre (the first layer bulges), seams and blobs.",
        ),
        "outside",
    ),
    "tall": Method(
        "Outside jaws, whole height",
        (
            "One jaw flat under the piece, the other on its upper face; wipe off brim and dust first.",
            "The first layer's squeeze is meant to be in this reading.",
        ),
        "outside",
    ),
    "wall": Method(
        "Outside jaws, thin wall",
        (
            _ZERO,
            "Reach over the wall from above with the flat part of the jaws, square to the wall.",
            "Close them until they just touch: a single line gives way. Keep off corners and the seam.",
        ),
        "outside",
    ),
    "thickness": Method(
        "Outside jaws, thickness",
        (
            _ZERO,
            "One jaw below and one above, at the place that the number shows.",
            "Close them until they just touch: squeezing hides the sag.",
        ),
        "outside",
    ),
    "pad": Method(
        "Outside jaws, peeled pad",
        (
            _ZERO,
            "Peel the pad off unbent, brush it clean, and cut a burr off its edge.",
            "Close the flat part of the jaws lightly on the plain half, away from the number.",
        ),
        "outside",
    ),
    "filament": Method(
        "Outside jaws, filament",
        (
            _ZERO,
            "Lay the straight filament across the flat part of the jaws and close them lightly:"
            " soft filament gives way.",
            "Read, turn the filament a quarter in your fingers, and read again at the same place.",
        ),
        "outside",
    ),
    "inside": Method(
        "Inside jaws",
        (
            "Push the two small blades in and open them until they touch lightly.",
            "Rock the caliper a little: the true width of a slot is the smallest reading across "
            "it, that of a round hole the largest.",
        ),
        "inside",
    ),
    "depth": Method(
        "Depth rod or step",
        (
            "Stand the caliper's end flat on the nearer face and run the rod out to the other.",
            "Keep the caliper upright to the face: tilting makes every reading too long.",
        ),
        "depth",
    ),
    "travel": Method(
        "Carriage and a fixed face",
        (
            "Home all axes first (G28) and clear the bed: on Z the bed or the nozzle itself moves.",
            "Type each command into the printer's console or send it as a small G-code file; F is"
            " the speed in mm/min. Come to the start from 5 mm behind it, to take up the play.",
            "At the start and at the end measure from a fixed face of the frame to the moving part"
            " (depth rod, jaws or a dial gauge), at the same spot. Write down the difference.",
        ),
    ),
    "reversal": Method(
        "Gauge at one place",
        (
            "Best is a dial gauge on a foot against the carriage; else the depth rod of a caliper from the"
            " frame to the carriage. Once it stands, don't move it until all lines of its place are done.",
            "Home all axes first (G28). Send the two commands of a line, wait until it stands, write down"
            " what the gauge shows; then the next line, in this order: the sides take turns.",
        ),
    ),
    "ripple": Method(
        "Ruler over ripples",
        (
            "Hold the face so that light falls along it from the side. Ripples begin at one corner and die"
            " down; the first may lie on the corner itself: leave it out.",
            "Measure from the crest of the next one over the number of ripples that the line names, with a"
            " ruler or the tips of a caliper. Read half millimetres on a ruler, and leave out a band where"
            " you can't count them.",
        ),
    ),
    "feed": Method(
        "Mark on the filament",
        (
            "Heat the hot end, raise the nozzle clear of the bed, and send M83 once: lengths after"
            " E are then counted from where the filament is.",
            "Make the mark, send one command, wait until it ends, and measure from the entry to the"
            " mark. Write down what was taken in: the length before less the length left.",
            "Make a new mark for each trial.",
        ),
    ),
    "balance": Method(
        "Balance",
        (
            "Take off brim, supports and strings first. Set the empty balance to zero.",
            "Put the piece in the middle of the pan; write down what it shows in g.",
        ),
        "balance",
    ),
    "score": Method(
        "Eye, with a score",
        (
            "Judge all places in one go, in the same light, before you look at any settings.",
            "Scores run from 0 (worst) to 10 (best); halves are welcome.",
        ),
    ),
    "nail": Method(
        "Fingernail, with a score",
        (
            "Last of all. Press the reed in the middle of each bay, every time equally hard.",
            "10: it bends and springs back whole. 5: it whitens or a layer opens.  0: it snaps"
            " between two layers at a touch.",
        ),
    ),
    "yes": Method(
        "Eye, yes or no",
        (
            "Judge all places in one go, in the same light: hold the piece against a window.",
            "Circle yes where you would accept it on a part, no where you would not.",
        ),
    ),
    "slant": Method(
        "Eye, in light from the side",
        (
            "Let light fall along the face, from the corner on, and turn the piece a little.",
            "Circle yes where you would accept the face on a part, no where its ripples disturb you.",
        ),
    ),
    "hand": Method(
        "By hand",
        (
            "Try the peg in every hole of its row, from the loosest to the tightest, without tools.",
            "Circle the word that fits best; go by what you feel, not by the number.",
        ),
    ),
}

#: Groups of features that are read in a way of their own.
_BY_GROUP = {
    "travel": "travel", "reversal": "reversal", "ripple": "ripple", "ripples": "slant", "feed": "feed", "filament": "filament", "patch": "pad", "sag": "thickness",
    "strength": "nail",
}  # fmt: skip
_BY_KIND = {Kind.MASS: "balance", Kind.SCORE: "score", Kind.PASS: "yes", Kind.WALL: "wall"}


def method_of(f: Feature) -> str:
    """Return the key in `METHODS` of how a feature is read."""
    if f.grades:
        return "hand"
    if f.group in _BY_GROUP:
        return _BY_GROUP[f.group]
    if f.kind is Kind.HEIGHT and f.jaws == "outside":
        return "tall"
    return _BY_KIND.get(f.kind, f.jaws or "outside")


def methods_of(features: Sequence[Feature]) -> list[tuple[Method, str, str]]:
    """Return the methods that features need: the method, its icon as SVG, and their numbers in words."""
    used: dict[str, list[int]] = {}
    for number, f in enumerate(features, 1):
        used.setdefault(method_of(f), []).append(number)
    return [
        (method, ICONS.get(method.icon, ""), _ranges(used[key]))
        for key, method in METHODS.items()
        if key in used
    ]


def _ranges(numbers: Sequence[int]) -> str:
    """Return 1, 2, 3, 7 as ``1-3, 7``."""
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    return ", ".join(f"{r[0]}-{r[-1]}" if len(r) > 1 else str(r[0]) for r in runs)
