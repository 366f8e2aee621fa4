"""A reading of a part of the user's own: any length that is known as drawn tells what a piece tells.

It becomes a sheet like any other, which says what was set while the part was printed, so that it is kept,
shown in the history and taken back like any other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from calib.errors import BadInput
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.store.records import ProfileValue
    from calib.store.store import Store
    from calib.workshop.measuring import Measuring

#: What a length depends on, of all that files can be corrected for.
_OF_LENGTHS = ("scale", "outline", "first_layer")


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLength:
    """A length of a part of the user's own.

    Attributes
    ----------
    axis : str
        The printer's axis that it lay along: X, Y or Z.
    drawn_mm : float
        As drawn.
    readings : tuple of str
        As the caliper showed them, such as ``149.87`` or ``5.9 in``.
    kind : str
        ``outside`` (jaws over it) or ``inside`` (jaws in it).
    """

    axis: str
    drawn_mm: float
    readings: tuple[str, ...]
    kind: str = "outside"


def sheet_text(
    store: "Store", name: str, lengths: Sequence[OwnLength], asked: Who, *,
    corrected: bool | None, accept: bool = False,
) -> str:  # fmt: skip
    """Return the filled-in sheet of a part.

    Parameters
    ----------
    corrected : bool or None
        Whether it was printed from a file with the corrections in it; None: not said, which is enough
        where nothing is put into files.

    Raises
    ------
    BadInput
        A length or a reading makes no sense, or it matters whether the file was corrected.
    """
    from calib.readings import sheet_csv
    from calib.workshop.making import make_context
    from calib.workshop.measuring import of_text
    from patterns.own import DrawnLength, piece_of_lengths

    if not lengths or not all(length.readings for length in lengths):
        raise BadInput("there is no reading", mend="write what the caliper shows, such as 149.87")
    known = make_context(store, asked)
    assert known.setup is not None
    drawn = [DrawnLength(length.axis, length.drawn_mm, length.kind) for length in lengths]
    piece = piece_of_lengths(name, drawn, known.setup)
    # The day, not the second: the same reading typed twice is then the same sheet, and refused.
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    text = sheet_csv(
        piece, f"{piece.pattern}-{today:%Y%m%d}", today, known.instruments,
        repeats=max(len(length.readings) for length in lengths),
        keys={**_names(known.who), **_was_set(store, known.who, known.in_force, corrected)},
    )  # fmt: skip
    m = of_text(text, f"the part {name}", "", in_store=False)
    for feature, length in zip(piece.features, lengths, strict=True):
        for repeat, reading in enumerate(length.readings, 1):
            m = _with_reading(m, feature.id, reading, repeat, accept=accept)
    return m.text


def _with_reading(
    m: "Measuring", feature: str, text: str, repeat: int, *, accept: bool
) -> "Measuring":
    from calib.workshop.measuring import of_text

    found = m.check(feature, text, repeat)
    if found.suspicious and not accept:
        raise BadInput(
            f"{text} can hardly be right: {'; '.join(found.doubts) or 'it is far from what was drawn'}",
            mend="look again; to keep it as it is, add --accept",
        )
    cell = m.question(feature, repeat).cell
    return of_text(
        m.table.with_cell(cell.line, cell.column, found.text).text(), m.source, "", in_store=False
    )


def _names(who: Who) -> dict[str, str]:
    named = {"printer": who.printer, "nozzle": who.nozzle, "spool": who.spool}
    return {k: v for k, v in named.items() if v}


def _was_set(
    store: "Store", who: Who, in_force: "Sequence[ProfileValue]", corrected: bool | None
) -> Mapping[str, str]:
    """Return the sheet's lines of what was set: what is set in the printer, and what its file had.

    What is still to be set was not set when the part was printed.
    """
    from calib.model.place import in_files, neutral, neutral_values
    from calib.model.setting import label, topic_of
    from calib.readings.now import lines_of

    now = store.context_for(who.printer, who.nozzle or None, who.spool or None).now
    in_file = {
        v.setting: v.value
        for v in in_force
        if in_files(v.place) and not v.stale and v.value not in (None, neutral(v.setting))
    }
    matters = [label(n) for n in in_file if topic_of(n).name in _OF_LENGTHS]
    if matters and corrected is None:
        raise BadInput(
            f"files get {', '.join(matters)} by truebead apply: it matters whether"
            " this part's file had them",
            mend="add --corrected if it was printed from such a file, else --as-drawn",
        )
    return lines_of({**neutral_values(), **now, **(in_file if corrected else {})}, {})
