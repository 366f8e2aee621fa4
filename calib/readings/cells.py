"""One cell of a sheet to a number in the feature's own unit, or a reason why not."""

import math
import re
import unicodedata

from patterns.feature import Feature, Kind

INCH_MM = 25.4  # exact, by definition
OUNCE_G = 28.349523125  # avoirdupois, exact, by definition
_LARGEST = 100_000.0
#: The number behind ± is an expanded uncertainty for about 95 %, twice the standard uncertainty
#: (JCGM 100:2008, 6.3.3 and 7.2.4): what a certificate, a data sheet or a photo's picture states.
COVERAGE = 2.0

_LENGTHS_MM = {
    "mm": 1.0, "millimetre": 1.0, "millimetres": 1.0, "millimeter": 1.0, "millimeters": 1.0,
    "cm": 10.0, "m": 1000.0, "um": 1e-3, "μm": 1e-3,
    "in": INCH_MM, "inch": INCH_MM, "inches": INCH_MM, '"': INCH_MM, "''": INCH_MM, "zoll": INCH_MM,
    "mil": INCH_MM / 1000, "thou": INCH_MM / 1000,
}  # fmt: skip
_MASSES_G = {
    "g": 1.0, "gr": 1.0, "gram": 1.0, "grams": 1.0, "gramme": 1.0, "grammes": 1.0, "gramm": 1.0,
    "kg": 1000.0, "mg": 1e-3, "oz": OUNCE_G,
}  # fmt: skip
_AREAS_MM2 = {
    "mm2": 1.0, "mm^2": 1.0, "sq mm": 1.0, "square millimetres": 1.0, "square millimeters": 1.0,
    "cm2": 100.0, "cm^2": 100.0,
}  # fmt: skip
_SCORES = {"/10": 1.0, "/ 10": 1.0, "of 10": 1.0, "out of 10": 1.0}

_MISSING = frozenset(
    ["", "-", "--", "---", "n/a", "na", "n.a.", "n.a", "none", "null", "nil", "?", ".", "/",
     "skip", "skipped", "not measured", "missing", "not done"]
)  # fmt: skip
_YES = frozenset(["yes", "y", "pass", "passed", "ok", "okay", "good", "true", "1", "x", "✓", "✔"])
_NO = frozenset(["no", "n", "fail", "failed", "bad", "not ok", "false", "0", "✗", "✘"])

#: First three letters of the months as spreadsheets write them in several languages.
_MONTHS = frozenset(
    ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec", "mär",
     "mrz", "mai", "okt", "dez", "fév", "avr", "jui", "aoû", "déc", "fev", "abr", "ago", "set",
     "out", "gen", "mag", "giu", "lug", "ott", "dic", "ene", "mei", "maa"]
)  # fmt: skip
_PLAIN = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
_NUMBER = re.compile(
    r"([+-]?)(\d[\d., ']*|[.,]\d[\d., ']*)(e[+-]?\d{1,2})?\s*([^\d\s.,+-].*)?", re.ASCII
)
_DATES = (
    re.compile(r"\d{4}-\d{1,2}-\d{1,2}([ t].*)?", re.ASCII),
    re.compile(r"\d{1,2}[./-]\d{1,2}[./-](\d{2}|\d{4})?", re.ASCII),
    re.compile(r"\d{1,4}/\d{1,2}", re.ASCII),
    re.compile(r"\d{1,2}:\d{2}(:\d{2})?( ?[ap]m)?", re.ASCII),
)
_DAY_MONTH = re.compile(r"\d{1,4}[. /-]{1,2}([^\W\d_]{3,})[. /-]*\d{0,4}")
_PLUS_MINUS = re.compile(r"\s*(?:±|\+\s?/?\s?-)\s*")
_MONTH_DAY = re.compile(r"([^\W\d_]{3,})[. /-]{1,2}\d{1,4}")


class CellError(ValueError):
    """A cell makes no sense: what is wrong, and how to mend it."""

    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(f"{what}; {mend}")


def parse_cell(text: str, feature: Feature, unit: str = "mm") -> float | None:
    """Return what a cell says in the feature's own unit; None where it says "not measured".

    Parameters
    ----------
    unit : str
        ``mm`` or ``inch``: unit of a length where the cell names none.

    Raises
    ------
    CellError
        The cell can't be understood, or is out of what the feature can read.
    """
    if _PLAIN.fullmatch(text) and feature.kind is not Kind.PASS:
        return _in_range(float(text.replace(",", ".")) * _factor("", feature, unit), text, feature)
    cleaned = tidy(text)
    if cleaned in _MISSING:
        return None
    if feature.kind is Kind.PASS:
        return _judgement(cleaned, text, feature)
    if feature.kind is not Kind.SCORE or not cleaned.endswith("/10"):
        _refuse_spreadsheet(cleaned, text)
    return _in_range(_measure(cleaned, text, feature, unit), text, feature)


def parse_reading(
    text: str, feature: Feature, unit: str = "mm"
) -> tuple[float | None, float | None]:
    """Return what a cell says, and the standard uncertainty that it states.

    ``60.03 ± 0.04 mm`` (or ``+-``, ``+/-``) states an expanded uncertainty for about 95 %: half of
    it is the standard uncertainty. Without it the second number is None. A unit at the end is that
    of both numbers; where only the first one has a unit, it is that of both, too.

    Raises
    ------
    CellError
        As `parse_cell`, or the part behind the sign makes no sense.
    """
    reading, spread = apart(text)
    if spread is None:
        return parse_cell(text, feature, unit), None
    if feature.kind in (Kind.PASS, Kind.SCORE):
        raise CellError(f"{shown(text)}: a judgement has no ±", "write the judgement alone")
    for part in (reading, spread):
        _refuse_spreadsheet(part, text)
    (value, own), (half, word) = _with_word(reading, text), _with_word(spread, text)
    value = _in_range(value * _factor(own or word, feature, unit, text), text, feature)
    half *= _factor(word or own, feature, unit, text)
    if not 0 < half <= _LARGEST or (feature.nominal > 0 and half >= value):
        raise CellError(
            f"{shown(text)}: what stands behind ± is no uncertainty of this reading",
            "write half the width of the range that holds the true value with 95 %: 60.03 ± 0.04",
        )
    return value, half / COVERAGE


def apart(text: str) -> tuple[str, str | None]:
    """Return what stands before ± and behind it (None: there is no ±), parentheses taken away."""
    parts = _PLUS_MINUS.split(tidy(text), maxsplit=1)
    if len(parts) == 1:
        return text, None
    before, behind = parts
    if before.startswith("(") and ")" in behind:  # (60.03 ± 0.04) mm, as ISO 80000-1 writes it
        before, behind = before[1:].strip(), " ".join(behind.replace(")", " ", 1).split())
    return before, behind


def reading_text(value: float, u: float, unit: str) -> str:
    """Write a value and its standard uncertainty as `parse_reading` reads them."""
    return f"{value:.3f} ± {max(COVERAGE * u, 1e-3):.3f} {unit}"


def tidy(text: str) -> str:
    """Return a cell in lower case with plain spaces, hyphens and quotation marks.

    Marks of the way in which a line runs, which nobody sees, are left out: spreadsheets put them in.
    """
    if not text.isascii():
        text = "".join(c for c in text if unicodedata.category(c) != "Cf")
    text = unicodedata.normalize("NFKC", text.replace("″", '"')).lower()
    for odd, plain in (
        ("−", "-"),
        ("–", "-"),
        ("—", "-"),
        ("”", '"'),
        ("“", '"'),
        ("’", "'"),
        ("′", "'"),
    ):
        text = text.replace(odd, plain)
    text = " ".join(text.split())
    # A spreadsheet's mark for "this is text"; not the two of an inch.
    return text[1:].strip() if text.startswith("'") and not text.startswith("''") else text


def _judgement(cleaned: str, text: str, feature: Feature) -> float:
    if feature.grades:
        grades = [g.lower() for g in feature.grades]
        if cleaned in grades:
            return float(grades.index(cleaned))
        if cleaned.isdecimal() and int(cleaned[:9]) < len(grades):
            return float(cleaned)
        raise CellError(
            f"{shown(text)} is not a grade", f"write one of {', '.join(feature.grades)}"
        )
    if cleaned in _YES:
        return 1.0
    if cleaned in _NO:
        return 0.0
    raise CellError(f"{shown(text)} is neither yes nor no", "write yes or no, or leave it empty")


def _refuse_spreadsheet(cleaned: str, text: str) -> None:
    if cleaned.startswith("#"):
        raise CellError(
            f"{shown(text)} is an error of the spreadsheet, not a reading",
            "write the reading itself, or leave the cell empty",
        )
    if cleaned.startswith(("=", "@")):
        raise CellError(f"{shown(text)} is a formula", "write the reading itself")
    found = _DAY_MONTH.fullmatch(cleaned) or _MONTH_DAY.fullmatch(cleaned)
    if (found and found[1][:3] in _MONTHS) or any(d.fullmatch(cleaned) for d in _DATES):
        raise CellError(
            f"{shown(text)} is a date, probably made out of a number by a spreadsheet",
            "write the reading again, with the column set to text",
        )


def _measure(cleaned: str, text: str, feature: Feature, unit: str) -> float:
    value, word = _with_word(cleaned, text)
    return value * _factor(word, feature, unit, text)


def _with_word(cleaned: str, text: str) -> tuple[float, str]:
    """Return the number in a tidied text, and the unit's word behind it."""
    found = _NUMBER.fullmatch(cleaned)
    if found is None or cleaned in ("nan", "inf", "-inf"):
        raise CellError(
            f"{shown(text)} is not a number", "write a number such as 39.97, or leave it empty"
        )
    sign, digits, power, word = found.groups()
    digits = digits.rstrip()
    points = [c for c in digits if c in ".,"]
    if len(points) > 1 or " " in digits or "'" in digits.rstrip("'"):
        raise CellError(
            f"{shown(text)} can be read in more than one way",
            "write one number, with no separator of thousands: 1234.5",
        )
    if digits.endswith("'"):  # 1.574'' with two single marks
        digits, word = digits.rstrip("'"), "''" + (word or "")
    value = float(digits.rstrip(".,").replace(",", ".") + (power or ""))
    return -value if sign == "-" and value else value, (word or "").rstrip(".").strip()


def _factor(word: str, feature: Feature, unit: str, text: str = "") -> float:
    """Return how many of the feature's units one of the cell's units is."""
    if feature.unit == "mm":
        known = _LENGTHS_MM
        word = word or ("mm" if unit == "mm" else "in")
    else:
        known = {"g": _MASSES_G, "mm2": _AREAS_MM2}.get(feature.unit, _SCORES)
        word = word or next(iter(known))
    if word in known:
        return known[word]
    if word in (_MASSES_G | _LENGTHS_MM | _AREAS_MM2):
        raise CellError(
            f"{shown(text)} is in {word}, but this is read in {feature.unit}",
            "check that the reading stands in the right row",
        )
    raise CellError(
        f"{shown(text)} is not a number with a unit that is known here",
        f"write the number alone, or one of the units {', '.join(w for w in known if len(w) <= 3)}",
    )


def _in_range(value: float, text: str, feature: Feature) -> float:
    if feature.kind is Kind.SCORE:
        if not 0 <= value <= 10:
            raise CellError(
                f"{shown(text)} is not a score", "scores run from 0 (worst) to 10 (best)"
            )
        return value
    what = {Kind.MASS: "mass", Kind.STRANDS: "area"}.get(feature.kind, "length")
    if value < 0 and feature.nominal > 0:
        raise CellError(f"{shown(text)} is negative, a {what} is not", "write it without the sign")
    if value == 0 and feature.nominal > 0:
        raise CellError(f"a {what} of 0 is not a reading", "leave the cell empty if not measured")
    if not math.isfinite(value) or abs(value) > _LARGEST:
        raise CellError(f"{shown(text)} is far too large for a {what}", "check the decimal point")
    return value


def shown(text: str) -> str:
    """Return a cell's text fit for a message: in quotation marks, short, on one line."""
    text = " ".join(text.split())
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return repr(text if len(text) <= 40 else text[:37] + "...")
