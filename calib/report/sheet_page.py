"""The printable measurement sheet: picture, how to print and measure, and boxes to write in."""

from collections.abc import Mapping

from calib.apply.gcode.schedule import KNOWN
from calib.model.setting import kept_setting
from calib.readings.now import EXAMPLE, box_of
from calib.report.print_box import FIRST_STEPS, print_facts
from calib.report.reading_methods import methods_of
from calib.report.sheet_table import bands_of, plain_row
from calib.report.templates import templates
from calib.safety import SAFETY
from patterns import registry
from patterns.feature import Kind
from patterns.grid import grid_of
from patterns.piece import Piece
from patterns.schedule import SETTINGS

_IN_PHOTO = {
    Kind.STRANDS: "strings in mm²",
    Kind.DROOP: "droop in mm",
    Kind.ROUGHNESS: "roughness of edges in mm",
}


def sheet_html(
    piece: Piece,
    svg: str,
    piece_id: str,
    *,
    made: str = "",
    unit: str = "mm",
    repeats: int = 1,
    keys: Mapping[str, str] | None = None,
    filament: str = "",
) -> str:
    """Return the page: one HTML file that needs nothing else, for paper and for a phone.

    Parameters
    ----------
    svg : str
        The picture with numbered callouts, as `patterns.drawing.draw_piece` gives it: it is put in
        as it is. Empty where there is nothing to draw.
    piece_id, made, keys
        As on the ``sheet.csv`` that lies beside the page; of the `keys` the printer, nozzle and spool
        are shown, and what is to be set for the print.
    unit : str
        ``mm`` or ``inch``: what the caliper shows.
    repeats : int
        Boxes for readings of each feature.
    filament : str
        Type of the filament, for the temperatures to start with.
    """
    from markupsafe import Markup

    ways = [
        {"name": way.name, "rules": way.rules, "icon": Markup(icon), "numbers": numbers}
        for way, icon, numbers in methods_of(piece.by_hand)
    ]
    grid = grid_of(piece.by_hand)
    return (
        templates("calib.report", "pages")
        .get_template("sheet.html")
        .render(
            piece=piece,
            picture=Markup(svg),  # our own drawing, escaped where it was made
            piece_id=piece_id,
            made=made,
            names={k: v for k, v in (keys or {}).items() if k in ("printer", "nozzle", "spool")},
            to_set=box_of(keys or {}),
            set_example=EXAMPLE,
            answers=known.answers if (known := registry.find(piece.pattern)) else "",
            safety=SAFETY,
            ways=ways,
            bands=bands_of(grid, unit),
            rows=[plain_row(number, f, unit) for number, f in grid.rest],
            print_facts=print_facts(piece, filament),
            first_steps=FIRST_STEPS,
            goes_into_gcode=all(row.setting in KNOWN for row in piece.schedule),
            along_x=any(row.limited for row in piece.schedule),
            by_line=any(row.setting not in SETTINGS for row in piece.schedule),
            head_lines=piece.head_lines,
            repeats=repeats,
            why_repeats=_why(piece, repeats),
            in_photo=_in_photo(piece),
            lies_flat=any(f.instrument == "photo" and f.kind is Kind.PITCH for f in piece.features),
            setting_words=_setting_words,
            value_unit=_setting_words(piece.schedule[0].setting, unit_only=True)
            if piece.schedule
            else "",
            has_lengths=any(f.unit == "mm" for f in piece.by_hand),
            unit_words="inches" if unit == "inch" else "mm",
            number=lambda value: f"{value:g}",
        )
    )


def _why(piece: Piece, repeats: int) -> list[str]:
    """Say how many readings to take, and why not more."""
    instruments = {f.instrument for f in piece.by_hand}
    words = []
    if instruments - {"eye"}:
        each = "Read each place once." if repeats == 1 else (
            f"Read each place {repeats} times. Set the caliper anew in between, and do not look "
            "at the last reading: a repeat shows how well you can repeat it."
        )  # fmt: skip
        if not piece.printed and repeats > 1:
            each = f"Do each line {repeats} times, from its beginning."
        if all(f.group == "reversal" for f in piece.by_hand):
            each = "The lines repeat themselves: do each of them once, in their order."
            words.append(each)
        else:
            words.append(
                f"{each} More than three buy little, because what remains is in the thing and not in "
                "the caliper; one more place, or a longer one, tells much more than one more repeat."
            )
    if "eye" in instruments:
        words.append(
            "Judge each place once. If another person judges too, without seeing your marks, put that "
            "into the next column: it tells more than judging again yourself."
        )
    rest = "Leave out what you can't reach: fewer readings only make the answer less sure."
    if piece.printed:
        rest += " Let the piece cool to room temperature first."
    return [*words, rest]


def _setting_words(name: str, *, unit_only: bool = False) -> str:
    """Return what a schedule changes, with its unit; or ``, °C`` alone."""
    about = kept_setting(name)
    unit = f", {about.unit}".removesuffix(", ").replace("degC", "°C")
    return unit if unit_only else f"{about.label}{unit}"


def _in_photo(piece: Piece) -> str:
    """Say what a photo of the piece lying on its back gives; empty where nothing."""
    shown = [f for f in piece.features if f.instrument == "photo" or f.group == "sag"]
    words = dict.fromkeys(_IN_PHOTO.get(f.kind, "thickness with its sag") for f in shown)
    return f"{len(shown)} values in one go: {', '.join(words)}" if shown else ""
