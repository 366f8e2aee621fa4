"""What is asked of a piece, one feature at a time: its words, where the jaws go, what stands there."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from calib.desk import says
from calib.desk.pictures import Drawn
from calib.readings.cells import INCH_MM
from calib.report.reading_methods import METHODS, method_of
from patterns.feature import Feature, Kind
from patterns.piece import Piece

_JUDGED = (Kind.SCORE, Kind.PASS)
_MASS_ICON = "scale"


@dataclass(frozen=True, slots=True)
class Cell:
    """One thing to be measured, as a page shows it.

    Attributes
    ----------
    id, repeat
        The feature, and which of its readings, from 1.
    number : int
        The callout in the picture.
    text : str
        What stands there; empty while nothing does, ``-`` where it was left out.
    doubtful : bool
        Whether it can hardly be right, and nobody has stood by it.
    """

    id: str
    repeat: int
    number: int
    where: str
    how: str
    unit: str
    expected: str
    seen: str
    icon: str
    close_up: Mapping[str, str] | None
    text: str = ""
    by: str = ""
    doubtful: bool = False

    @property
    def done(self) -> bool:
        """Whether it needs no more asking."""
        return bool(self.text)

    def as_data(self) -> dict[str, Any]:
        """Return it for the script."""
        return {name: getattr(self, name) for name in self.__slots__}


def measured(piece: Piece) -> list[Feature]:
    """Return what is read as a number, by hand."""
    return [f for f in piece.by_hand if f.kind not in _JUDGED]


def judged(piece: Piece) -> list[Feature]:
    """Return what is judged by eye or feel."""
    return [f for f in piece.by_hand if f.kind in _JUDGED]


def cells_of(piece: Piece, drawn: Drawn, readings: Iterable[Any], unit: str = "mm") -> list[Cell]:
    """Return a cell for each number that is to be read, and one for each further reading there is.

    Parameters
    ----------
    readings : iterable
        With `feature`, `repeat`, `text`, `by` and `suspicious`.
    unit : str
        mm or inch: what the caliper in hand shows.
    """
    there = {(r.feature, r.repeat): r for r in readings}
    numbers = {f.id: n for n, f in enumerate(piece.by_hand, 1)}
    found = []
    for f in measured(piece):
        repeats = max([1, *(k for (name, k) in there if name == f.id)])
        for k in range(1, repeats + 1):
            cell = _cell(f, numbers[f.id], k, drawn, unit)
            r = there.get((f.id, k))
            if r is not None:
                cell = replace(cell, text=r.text, by=r.by, doubtful=r.suspicious)
            found.append(cell)
    return found


def _cell(f: Feature, number_: int, repeat: int, drawn: Drawn, unit: str) -> Cell:
    way = METHODS[method_of(f)]
    rules = [r for r in way.rules if not r.startswith("Close the caliper, wipe")]
    shown = drawn.close_ups.get(f.id)
    return Cell(
        id=f.id,
        repeat=repeat,
        number=number_,
        where=says.sentence(f.where),
        how=f"{way.name}. {rules[0]}" if rules else way.name,
        unit=("in" if unit == "inch" else "mm") if f.unit == "mm" else f.unit,
        expected=expected(f, unit),
        seen=shown.seen if shown else "",
        icon=_MASS_ICON if f.kind is Kind.MASS else "caliper",
        close_up=shown.as_data() if shown else None,
    )


def expected(f: Feature, unit: str = "mm") -> str:
    """Say how large it was drawn, so that a slip is seen at once."""
    if f.unit == "mm" and unit == "inch" and f.nominal:
        return f"Drawn as {f.nominal / INCH_MM:.4f} in"
    if f.kind is Kind.MASS and f.nominal:
        return f"About {f.nominal:.1f} g, if all is right"
    return f"Drawn as {f.nominal:.4g} {f.unit}" if f.unit == "mm" and f.nominal else ""


def start_at(cells: Sequence[Cell], feature: str = "", repeat: int = 1) -> int:
    """Return which cell to ask for: the one that is named, else the first that is empty.

    Where all are filled it is the last one.
    """
    for i, c in enumerate(cells):
        if c.id == feature and c.repeat == repeat:
            return i
    return next((i for i, c in enumerate(cells) if not c.done), max(0, len(cells) - 1))


def after(cells: Sequence[Cell], feature: str, repeat: int) -> Cell | None:
    """Return the next empty cell after one, round to the first; None where all are filled."""
    at = start_at(cells, feature, repeat)
    order = [*cells[at + 1 :], *cells[: at + 1]]
    return next((c for c in order if not c.done), None)


def before(cells: Sequence[Cell], feature: str, repeat: int) -> Cell:
    """Return the cell before one; the first stays where it is."""
    return cells[max(0, start_at(cells, feature, repeat) - 1)]


@dataclass(frozen=True, slots=True)
class Column:
    """One criterion of the table of judgements."""

    group: str
    title: str
    how: str
    choices: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Band:
    """One row of the table: a band, a rung or a socket, with its features by group."""

    label: str
    number: str
    features: Mapping[str, Feature]


#: What is tapped for a score, and the words for it; common practice, no source.
SCORES = (("0", "bad"), ("3", "poor"), ("5", "fair"), ("8", "good"), ("10", "perfect"))
_YES = (("yes", "yes"), ("no", "no"))


def table_of(piece: Piece) -> tuple[list[Column], list[Band]]:
    """Return the table bands x criteria of what is judged."""
    from calib.desk.words import GROUPS

    columns: dict[str, Column] = {}
    bands: dict[float, dict[str, Feature]] = {}
    labels: dict[float, str] = {}
    for f in judged(piece):
        group = f.group or "pass"
        title, how = GROUPS.get(group, (group.replace("_", " ").capitalize(), ""))
        if f.grades:
            choices = tuple((g, g) for g in f.grades)
        else:
            choices = SCORES if f.kind is Kind.SCORE else _YES
        columns.setdefault(group, Column(group, title, how, choices))
        rung = f.rung if f.rung is not None else float(len(bands))
        bands.setdefault(rung, {})[group] = f
        labels.setdefault(rung, _band_label(f))
    rows = [
        Band(labels[rung], str(i), features) for i, (rung, features) in enumerate(bands.items(), 1)
    ]
    return list(columns.values()), rows


def _band_label(f: Feature) -> str:
    """Return what a band is called: the words of its place before the colon."""
    label = f.where.split(":")[0].strip()
    for lead in ("band ", "round peg in ", "square peg in "):
        label = label.removeprefix(lead)
    return label.replace("degC", "°C")
