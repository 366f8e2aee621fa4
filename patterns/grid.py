"""Features that form a table: the same things looked at on every rung of a ladder or tower."""

from collections.abc import Sequence
from dataclasses import dataclass

from patterns.feature import Feature


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of features; every one stands in the list at a number of its own.

    Attributes
    ----------
    columns : tuple of Feature
        The first row's features: what is looked at or measured on every rung.
    rows : tuple of tuple of (number, Feature)
        A row for each rung, in the order of the piece; all as long as `columns`.
    rest : tuple of (number, Feature)
        The features that stand in no table.
    """

    columns: tuple[Feature, ...]
    rows: tuple[tuple[tuple[int, Feature], ...], ...]
    rest: tuple[tuple[int, Feature], ...]

    @property
    def explained(self) -> frozenset[int]:
        """The numbers that a picture has to show: the first row, the first column, and the rest."""
        first = {number for number, _ in self.rows[0]} if self.rows else set()
        heads = {row[0][0] for row in self.rows}
        return frozenset(first | heads | {number for number, _ in self.rest})


def grid_of(features: Sequence[Feature]) -> Grid:
    """Find the table in the features that a hand or an eye reads; it has no rows where there is none.

    A table needs three rungs or more with the same two or more things on each.
    """
    numbered = list(enumerate(features, 1))
    found: dict[float, list[tuple[int, Feature]]] = {}
    for number, f in numbered:
        if f.rung is not None:
            found.setdefault(f.rung, []).append((number, f))
    rows = list(found.values())
    wanted = [_what(f) for _, f in rows[0]] if rows else []
    alike = all([_what(f) for _, f in row] == wanted for row in rows)
    if len(rows) < 3 or len(wanted) < 2 or not alike:
        return Grid((), (), tuple(numbered))
    inside = {number for row in rows for number, _ in row}
    return Grid(
        columns=tuple(f for _, f in rows[0]),
        rows=tuple(tuple(row) for row in rows),
        rest=tuple((number, f) for number, f in numbered if number not in inside),
    )


def _what(f: Feature) -> tuple[str, str, str]:
    return f.kind, f.group, f.axis
