"""Readings that can't be right, each with its likely explanation; nothing is ever dropped here.

No fit is needed for this first pass: it compares readings with nominal values in a wide window, so that it
speaks of slips of hand and never of a badly set printer. A later, narrow pass goes round fitted values
(`calib.interpret`); how a wrong number comes about is in `slips.py`.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from calib.readings.data import Reading, Sheet
from calib.readings.slips import (
    FACE_SLACK_MM,
    FACTORS,
    SCALE_SLACK,
    explanations,
    only_proposal,
    said,
)
from patterns.feature import Feature, Kind

# Beside those of `slips.py`, how far other readings may be off (common practice, no source).
FEED_SLACK = 0.5
WALL_SLACK = 0.5
# Where the nozzle slows down a line may be several times as wide.
LAG_SLACK = 4.0
# Infill, walls and flow are the user's, so a mass may be off by much more.
MASS_SLACK = 0.3
MASS_SLACK_G = 0.3
# The rungs of a ladder are made to fail: a bridge may hang down as far as there is room.
SAG_MM = 20.0
#: Share of the lengths that must fail in one and the same way for the whole sheet to be meant.
WHOLE_SHEET = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Blunder:
    """One finding: a reading, two swapped rows, or a whole sheet in another unit.

    Attributes
    ----------
    readings : tuple of Reading
        What it is about, in the order of the sheet; at least one.
    explanation : str
        A sentence for the user, with the place in the sheet.
    proposals : tuple of float
        What to read instead, one for each reading; empty where more than one explanation fits or
        none: then the user has to look.
    causes : tuple of str
        See `Explanation.cause`; empty where nothing explains it.
    """

    readings: tuple[Reading, ...]
    explanation: str
    proposals: tuple[float, ...] = ()
    causes: tuple[str, ...] = ()

    @property
    def reading(self) -> Reading:
        """The first reading that it is about."""
        return self.readings[0]

    @property
    def proposal(self) -> float | None:
        """What to read instead of `reading`; None: ask the user."""
        return self.proposals[0] if self.proposals else None


def window(feature: Feature) -> float:
    """Half-width of what can be a true reading of a feature, in its unit; infinite for judgements.

    A nominal value of zero (a step that should vanish) has no window either.
    """
    if feature.unit == "g":
        return MASS_SLACK * feature.nominal + MASS_SLACK_G
    if feature.unit != "mm" or feature.nominal == 0:
        return float("inf")
    if feature.group == "sag":
        return SCALE_SLACK * abs(feature.nominal) + SAG_MM
    if feature.group == "feed":
        return FEED_SLACK * abs(feature.nominal)
    if feature.group == "lag":
        return LAG_SLACK * feature.nominal
    if feature.kind is Kind.WALL:
        return WALL_SLACK * abs(feature.nominal)
    return SCALE_SLACK * abs(feature.nominal) + FACE_SLACK_MM


def find_blunders(sheet: Sheet) -> list[Blunder]:
    """Return every reading of a sheet that can't be right, in the order of the sheet.

    Whole sheets in another unit and swapped rows are each said once.
    """
    features = {f.id: f for f in sheet.piece.features}
    wrong = [r for r in sheet.readings if _is_off(r.value, features[r.feature])]
    if not wrong:
        return []
    lengths = [r for r in sheet.readings if features[r.feature].instrument == "caliper"]
    whole = _whole_sheet(sheet, wrong, len(lengths), features)
    if whole:
        done = set(map(id, whole.readings))
        wrong = [r for r in wrong if id(r) not in done]
    swaps = _swapped_rows(wrong, features)
    in_swaps = {id(r) for s in swaps for r in s.readings}
    alone = [_explained(r, features) for r in wrong if id(r) not in in_swaps]
    order = {id(r): k for k, r in enumerate(sheet.readings)}
    found = sorted([*swaps, *alone], key=lambda b: order[id(b.reading)])
    return [whole, *found] if whole else found


def mended(sheet: Sheet, blunders: Sequence[Blunder]) -> Sheet:
    """Return the sheet with the proposals of these blunders in place of what was read.

    Blunders without a proposal change nothing. Call it with what the user has agreed to.
    """
    new = {
        id(r): v
        for b in blunders
        if b.proposals
        for r, v in zip(b.readings, b.proposals, strict=True)
    }
    readings = (replace(r, value=new[id(r)]) if id(r) in new else r for r in sheet.readings)
    return replace(sheet, readings=tuple(readings))


def _is_off(value: float, feature: Feature) -> bool:
    return abs(value - feature.nominal) > window(feature)


def _whole_sheet(
    sheet: Sheet, wrong: list[Reading], lengths: int, features: Mapping[str, Feature]
) -> Blunder | None:
    """Find one slip of unit that explains nearly all lengths of the sheet."""
    for _, factor, words in FACTORS["mm"]:
        meant = [
            r
            for r in wrong
            if features[r.feature].unit == "mm"
            and not _is_off(r.value * factor, features[r.feature])
        ]
        if len(meant) < max(3, WHOLE_SHEET * lengths):
            continue
        marked = "mm" if sheet.unit == "mm" else "inches"
        return Blunder(
            readings=tuple(meant),
            explanation=f"{len(meant)} of {lengths} lengths only make sense as {words}; "
            f"the sheet is marked as in {marked}",
            proposals=tuple(r.value * factor for r in meant),
            causes=("whole sheet",),
        )
    return None


def _swapped_rows(wrong: list[Reading], features: Mapping[str, Feature]) -> list[Blunder]:
    """Pair off readings that each fit the other's feature, where only one such pairing exists."""
    rows: dict[str, list[Reading]] = {}
    for r in wrong:
        rows.setdefault(r.feature, []).append(r)
    paired: set[int] = set()
    found = []
    for a in wrong:
        if id(a) in paired:
            continue
        partners = [p for f in rows if (p := _partner(a, features[f], rows[f], paired, features))]
        if len(partners) == 1:
            found.append(_swap(a, partners[0]))
            paired |= {id(a), id(partners[0])}
    return found


def _partner(
    a: Reading,
    other: Feature,
    row: list[Reading],
    paired: set[int],
    features: Mapping[str, Feature],
) -> Reading | None:
    """Return the first reading of another feature that could have changed places with `a`."""
    mine = features[a.feature]
    if other.id == mine.id or other.unit != mine.unit or _is_off(a.value, other):
        return None
    return next((b for b in row if id(b) not in paired and not _is_off(b.value, mine)), None)


def _swap(a: Reading, b: Reading) -> Blunder:
    return Blunder(
        readings=(a, b),
        explanation=f"{_place(a)} and {_place(b)}: {a.value:g} and {b.value:g} look swapped, "
        f"each fits the other row ({a.feature} and {b.feature})",
        proposals=(b.value, a.value),
        causes=("swapped rows",),
    )


def _explained(reading: Reading, features: Mapping[str, Feature]) -> Blunder:
    feature = features[reading.feature]
    others = other_nominals(feature, features.values())
    found = explanations(
        reading.value,
        feature.nominal,
        others,
        window(feature),
        unit=feature.unit,
        text=reading.text,
    )
    proposal = only_proposal(found)
    what = f"{_place(reading)}: {reading.value:g} {feature.unit} can't be {feature.id}, nominal {feature.nominal:g}"
    return Blunder(
        readings=(reading,),
        explanation=f"{what}; {said(found, proposal, feature.unit)}",
        proposals=() if proposal is None else (proposal,),
        causes=tuple(dict.fromkeys(e.cause for e in found)),
    )


def other_nominals(feature: Feature, features: Iterable[Feature]) -> dict[str, float]:
    """Return words -> nominal value of the piece's other features with the same unit.

    Features of equal size are told as one, by the first of them.
    """
    found: dict[float, str] = {}
    for f in features:
        alike = f.unit == feature.unit and f.instrument == feature.instrument
        if f.id != feature.id and alike and f.kind is not Kind.PASS:
            found.setdefault(f.nominal, f.id)
    return {name: nominal for nominal, name in found.items()}


def _place(reading: Reading) -> str:
    return reading.where or reading.feature
