"""Photos and scans of a piece: measured, checked, and written into its sheet."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput, FileError

if TYPE_CHECKING:
    from calib.photo.corners import Seen
    from calib.photo.image import Photo
    from calib.photo.scale import PaperScale
    from calib.photo.session import Outcome
    from calib.readings.table import Table
    from calib.workshop.measuring import Measuring
    from patterns.piece import Piece


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoOptions:
    """How a piece was photographed.

    Attributes
    ----------
    sides : sequence of str
        Sides that may be down; empty: the usual ones of the pattern.
    bars_mm : (x, y) or None
        Measured lengths of the mat's bars; None: as they were kept for this mat.
    card : bool
        Whether an ID-1 card lies at its place, for scale.
    known_mm : mapping
        Feature -> one caliper reading, for scale.
    """

    sides: Sequence[str] = ()
    bars_mm: tuple[float, float] | None = None
    card: bool = False
    known_mm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanOptions:
    """How a piece was scanned.

    Attributes
    ----------
    dpi : float or None
        Pixels per inch; None: as the file states.
    card_mm : (width, height) or None
        What a caliper reads of the card beside it; None: as ISO/IEC 7810 has it.
    known_mm : mapping
        Feature -> one caliper reading, for scale.
    """

    dpi: float | None = None
    card_mm: tuple[float, float] | None = None
    known_mm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Photographed:
    """What photos or scans gave.

    Attributes
    ----------
    pictures : sequence of bytes
        Each photo with what was measured drawn in, as JPEG.
    files : sequence of Path
        What was written; empty where no folder was given.
    filled : int
        Readings written into the sheet.
    """

    outcome: "Outcome"
    pictures: tuple[bytes, ...]
    files: tuple[Path, ...] = ()
    filled: int = 0

    @property
    def clear(self) -> int:
        """How many values are without a doubt."""
        return sum(1 for r in rows(self.outcome) if not r[7])


def measure(m: "Measuring", photos: Sequence[Path], how: PhotoOptions) -> "Outcome":
    """Measure a piece in photos of it.

    Raises
    ------
    BadInput
        The piece can't be photographed, or no photo shows it well enough.
    """
    from calib.photo.session import check_measurable, measure_photos
    from calib.photo.view import look_at_mats

    piece = _printed(m)
    sides = _sides(how.sides, piece.pattern)
    check_measurable(piece.body, piece.features, sides)
    loaded = _load(photos)
    seen, scale = _scaled(look_at_mats(loaded), how.bars_mm)
    return measure_photos(
        loaded, piece.body, piece.features, seen=seen, scale=scale,
        sides=sides, card=how.card, known_mm=how.known_mm,
    )  # fmt: skip


def measure_scanned(m: "Measuring", scans: Sequence[Path], how: ScanOptions) -> "Outcome":
    """Measure a piece in a flatbed scan of it, or in two.

    Raises
    ------
    BadInput
        The piece can't be scanned, or no scan shows it well enough.
    """
    from calib.photo.mats import mats_file, scale_of
    from calib.photo.scan import measure_scans

    piece = _printed(m)
    return measure_scans(
        _load(scans), piece.body, piece.features, dpi=how.dpi, card_mm=how.card_mm,
        known_mm=how.known_mm, paper_of=lambda name: scale_of(mats_file(), name),
    )  # fmt: skip


def card_size(text: str) -> tuple[float, float] | None:
    """Return width and height of a card from text such as 85.62x53.99; None where it is empty.

    Raises
    ------
    BadInput
        These are no two numbers, or no ID-1 card's.
    """
    from calib.photo.mat import CARD_MM
    from calib.workshop.typed import number

    if not text.strip():
        return None
    try:
        parts = [number(t) for t in text.lower().replace("\u00d7", "x").split("x")]
    except ValueError:
        parts = []
    if len(parts) != 2 or any(abs(p / c - 1) > 0.01 for p, c in zip(parts, CARD_MM, strict=True)):
        raise BadInput(
            f"{text!r} is no ID-1 card: about {CARD_MM[0]:g}x{CARD_MM[1]:g} mm",
            where="--card",
            mend="give what the caliper reads: 85.62x53.99",
        )
    return parts[0], parts[1]


def _printed(m: "Measuring") -> "Piece":
    if not m.piece.printed:
        raise BadInput(f"{m.piece.pattern} has no piece to photograph", mend="use another sheet")
    return m.piece


def _load(photos: Sequence[Path]) -> "list[Photo]":
    """Load pictures; refuse one that is given twice, for it says nothing more."""
    from calib.photo.image import load_photo

    loaded = [load_photo(p) for p in photos]
    for k, one in enumerate(loaded):
        for other in loaded[:k]:
            if one.size == other.size and (one.rgb == other.rgb).all():
                raise FileError(
                    f"the same picture as {other.name}", where=one.name, mend="give it once"
                )
    return loaded


def _sides(given: Sequence[str], pattern: str) -> list[str]:
    from calib.photo.lying import SIDES
    from calib.photo.side_views import USUAL_SIDES

    for name in given:
        if name not in SIDES:
            raise BadInput(
                f"{name!r} is no side", where="--side", mend=f"one of {', '.join(SIDES)}"
            )
    return list(given) or list(USUAL_SIDES.get(pattern, ("bottom", "top")))


def _scaled(
    seen: "list[Seen]", bars_mm: tuple[float, float] | None
) -> "tuple[list[Seen], PaperScale | None]":
    """Return the scale of the mat, and what was seen as if it were all on one mat.

    Raises
    ------
    BadInput
        The photos were taken on several mats, and not all of these were measured.
    """
    from calib.photo.mats import mats_file, scale_of
    from calib.photo.scale import from_bars

    names = sorted({s.mat.name for s in seen if s.serial_known})
    kept = {n: k for n in names if (k := scale_of(mats_file(), n)) is not None}
    if len(names) < 2:
        return seen, from_bars(*bars_mm) if bars_mm else next(iter(kept.values()), None)
    if bars_mm or len(kept) < len(names) or not all(s.serial_known for s in seen):
        raise BadInput(
            f"these photos show several mats ({', '.join(names)}), which are not all measured",
            mend="keep the bars of each (truebead mat --name ... --bar-x ... --bar-y ...), or use one mat",
        )
    first = kept[names[0]]
    same = [
        replace(s, frame_mm=s.frame_mm * kept[s.mat.name].factors / first.factors) for s in seen
    ]
    return same, first


def pictures(outcome: "Outcome") -> tuple[bytes, ...]:
    """Return each photo with what was measured drawn in."""
    from calib.photo.annotate import annotated

    pairs = zip(outcome.views, outcome.single, strict=True)
    return tuple(annotated(view, lengths, outcome.defects) for view, lengths in pairs)


def result_files(folder: Path, name: str, photos: Sequence[Path], *, force: bool) -> list[Path]:
    """Return where results go: a CSV file of that name, and an annotated picture for each photo.

    Raises
    ------
    BadInput
        The folder can't be written to, or a file to write is there already.
    """
    there_is = next(f for f in (folder, *folder.absolute().parents) if f.exists())
    if not there_is.is_dir() or not os.access(there_is, os.W_OK):
        raise BadInput("no folder to write to", where=str(folder), mend="name another: --out")
    files = [folder / f"{name}.csv", *(folder / f"{p.stem}-measured.jpg" for p in photos)]
    twice = [f.name for f in files if files.count(f) > 1]
    if twice:
        raise BadInput(f"two photos would both give {twice[0]}", mend="rename one of them")
    there = [f for f in files if f.exists()]
    if there and not force:
        raise BadInput(
            "the file is there already", where=str(there[0]), mend="add --force to replace it"
        )
    return files


def write_results(
    files: Sequence[Path], outcome: "Outcome", drawn: Sequence[bytes], *, force: bool
) -> tuple[Path, ...]:
    """Write `result_files`."""
    from calib.files import write_atomic
    from calib.photo.rows import csv_of

    files[0].parent.mkdir(parents=True, exist_ok=True)
    write_atomic(files[0], csv_of(outcome.lengths, outcome.defects, outcome.notes), force=force)
    for path, data in zip(files[1:], drawn, strict=True):
        write_atomic(path, data, force=True)
    return tuple(files)


def filled(m: "Measuring", outcome: "Outcome") -> "tuple[Table, int]":
    """Return the sheet with the clear values written in, and how many they are."""
    from calib.photo.rows import fill_sheet, readings_of, shared_of, with_shared

    table, count = fill_sheet(m.table, m.piece, readings_of(outcome.lengths, outcome.defects))
    shared = shared_of(outcome.lengths)
    return (with_shared(table, shared) if count and shared is not None else table), count


def photo_json(found: Photographed) -> dict[str, Any]:
    """Return what was measured for machines."""
    from calib.photo.rows import COLUMNS

    scale = found.outcome.scale
    x, y = (float(f) for f in scale.factors[:2])
    return {
        "measured": [dict(zip(COLUMNS, r, strict=True)) for r in rows(found.outcome)],
        "scale": {"source": scale.source, "x": x, "y": y},
        "notes": list(found.outcome.notes),
        "files": [str(f) for f in found.files],
        "filled": found.filled,
    }


def rows(outcome: "Outcome") -> list[Any]:
    """Return a row under `calib.photo.rows.COLUMNS` for every length and defect."""
    from calib.photo.rows import defect_rows, rows_of

    return rows_of(outcome.lengths) + defect_rows(outcome.defects)


def photo_lines(found: Photographed) -> list[str]:
    """Return what was measured in lines for people."""
    measured = rows(found.outcome)
    lines = []
    for feature, quantity, _, value, u, unit, nominal, flags, _ in measured:
        name = feature if quantity == "length" else f"{feature} {quantity}"
        half = 2 * float(u)
        lines.append(f"{name:<28} {value:>9} \u00b1 {half:.3f} {unit}  (drawn {nominal})  {flags}".rstrip())  # fmt: skip
    lines.append(f"Scale: {found.outcome.scale.source}. \u00b1 is twice the standard uncertainty.")
    lines += [f"Note: {note}" for note in found.outcome.notes]
    names = ", ".join(str(f) for f in found.files)
    lines.append(
        f"{found.clear} values clear, {len(measured) - found.clear} doubtful, {found.filled} filled in. {names}"
    )
    return lines


def keep_mat(name: str | None, bar_x_mm: float | None, bar_y_mm: float | None) -> dict[str, Any]:
    """Keep the measured bars of a printed mat; return what is known of it now, with words for it.

    Raises
    ------
    BadInput
        A bar or the name is missing, or makes no sense.
    """
    from calib.photo.mat import Mat
    from calib.photo.mats import keep_bars, mats_file

    if not name or bar_x_mm is None or bar_y_mm is None:
        raise BadInput(
            "a measured mat needs --name, --bar-x and --bar-y",
            mend="copy the name from the mat's lower edge",
        )
    known = Mat.from_name(name).name
    scale = keep_bars(mats_file(), known, bar_x_mm, bar_y_mm)
    x, y = (100 * (float(f) - 1) for f in scale.factors)
    words = f"{known}: printed {x:+.2f} % in X and {y:+.2f} % in Y; photos on it use that."
    return {"mat": known, "bar_x_mm": bar_x_mm, "bar_y_mm": bar_y_mm, "words": words}


def make_mat(
    out: Path, paper: str, centre: str | None, filament: str, number: int | None, *, force: bool
) -> dict[str, Any]:
    """Write a mat to print; return its name and file, with words on what to do next.

    Without a `centre` it gets the one that suits the filament's colour.
    """
    from calib.files import write_atomic
    from calib.photo.mat import centre_for

    drawn, data = mat_file(out.suffix, paper, centre or centre_for(filament), number)
    write_atomic(out, data, force=force)
    words = (
        f"{out}: mat {drawn}. Print it at 100 % (no fitting to the page), measure both bars, then:"
        f" truebead mat --name {drawn} --bar-x ... --bar-y ..."
    )
    return {"mat": drawn, "file": str(out), "words": words}


def mat_file(
    kind: str, paper: str = "a4", centre: str = "green", number: int | None = None
) -> tuple[str, bytes]:
    """Return the name of a mat and its file's content.

    Parameters
    ----------
    kind : str
        ``.pdf`` or ``.png``.
    number : int or None
        0 to 9999; None: drawn by lot.

    Raises
    ------
    BadInput
        There is no such kind, paper or centre.
    """
    import secrets

    from calib.photo.mat import SERIALS, Mat
    from calib.photo.mat_draw import mat_pdf, mat_png

    serial = secrets.randbelow(SERIALS) if number is None else number
    drawn = Mat(paper.lower(), centre.lower(), serial)
    maker = {".pdf": mat_pdf, ".png": mat_png}.get(kind.lower())
    if maker is None:
        raise BadInput(f"{kind!r} is neither .pdf nor .png", where="--out", mend="name it mat.pdf")
    return drawn.name, maker(drawn)
