"""Colours, dashes and sizes of the pictures.

Colours keep a contrast of at least 4.5 : 1 on white (WCAG 2.2, success criterion 1.4.3); kinds also
differ in dash, so that they can be told apart in grey print and by colour-blind readers.
"""

from dataclasses import dataclass

from patterns.feature import Feature, Kind

INK, QUIET, EDGE, PAPER = "#1d2733", "#566372", "#3a4654", "#ffffff"
FONT = "sans-serif"
TEXT = 13.0
BALLOON = 10.5
JAW_LENGTH, JAW_HALF = 9.0, 4.2


@dataclass(frozen=True, slots=True)
class Ink:
    """How one kind of feature is drawn, and what the legend says of it."""

    colour: str
    dash: str
    meaning: str


KINDS = {
    Kind.OUTSIDE: Ink("#0b4fa0", "", "faces that look away from each other"),
    Kind.INSIDE: Ink("#b23a00", "7 3", "faces that look at each other"),
    Kind.PITCH: Ink("#00675b", "9 3 2 3", "faces that look the same way, or centres"),
    Kind.HEIGHT: Ink("#6a2c9c", "2 3", "from the bed to an upper face"),
    Kind.STEP: Ink("#a3126f", "5 2 1.5 2", "between two upper faces"),
    Kind.DIAGONAL: Ink("#5a5a00", "12 4", "across, corner to corner"),
    Kind.WALL: Ink("#7a4a00", "4 2", "thickness of a wall"),
    Kind.DIAMETER: Ink("#b00030", "1.5 2.5", "across a round hole or peg"),
    Kind.MASS: Ink("#37474f", "", "weigh the piece"),
    Kind.SCORE: Ink("#1f5f8b", "3 4", "judge with the eye, 0 to 10"),
    Kind.PASS: Ink("#3b6e1a", "6 2 2 2", "did it work: yes, no or a grade"),
}

#: Groups whose features need words of their own beside those of their kind.
_GROUPS = {
    "sag": ("thickness", "from below to above, sag included"),
    "patch": ("thickness", "of a pad, peeled off the bed"),
    "filament": ("diameter", "across the filament"),
    "travel": ("travel", "of the carriage"),
    "reversal": ("place", "of the carriage, come to from one side"),
    "ripple": ("length", "over counted ripples, crest to crest"),
    "feed": ("length", "of filament taken in"),
}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What the legend and the table call a feature: kind for its ink, a word, and more words."""

    kind: Kind
    label: str
    words: str


def meaning_of(feature: Feature) -> Meaning:
    """Return the words for a feature: its group's where that has some, else its kind's."""
    label, words = _GROUPS.get(feature.group, (str(feature.kind), KINDS[feature.kind].meaning))
    if feature.grades:
        label, words = "grade", ", ".join(feature.grades)
    elif feature.kind is Kind.PASS:
        label, words = "judgement", "did it work: yes or no"
    return Meaning(feature.kind, label, words)
