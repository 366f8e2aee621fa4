"""What was set while a piece was printed: the sheet lists it, and one line confirms or changes the list.

``# now.flow_percent: 97.0`` is listed for the print. Where nobody had said that it is set,
``# before.flow_percent: 100.0`` says what was set before. ``# printed_with:`` is for whoever prints:
``as listed``, ``as before``, or what was set otherwise, as in ``flow_percent=98; hot_end_c=205``.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from calib.errors import BadInput, SheetError
from calib.model.setting import plausible, setting

NOW, BEFORE, PRINTED_WITH = "now.", "before.", "printed_with"
AS_LISTED, AS_BEFORE = "as listed", "as before"
MEANING = (
    f"what was set when it was printed: '{AS_LISTED}' (the lines now.), '{AS_BEFORE}' (where a line"
    " before. stands, that was still set), or what was set otherwise"
)
EXAMPLE = "flow_percent=98; hot_end_c=205"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedWith:
    """What was set while a piece was printed.

    Attributes
    ----------
    values : mapping
        Setting -> value.
    to_set : mapping
        Of these, what was still to be set when the sheet was made -> the value that was set before,
        None where it was not known.
    answer : str
        What the sheet's line says; ``as listed`` where nobody changed it.
    """

    values: Mapping[str, float]
    to_set: Mapping[str, float | None]
    answer: str = AS_LISTED

    @property
    def words(self) -> tuple[str, ...]:
        """What is taken for granted, one line each; empty where the sheet lists nothing to be set."""
        if not self.to_set:
            return ()
        if self.answer == AS_LISTED:
            changes = ", ".join(setting(n).said(self.values[n]) for n in self.to_set)
            return (
                f"Taken to be printed with what the sheet lists to be set: {changes}. If it was not,"
                f" write so on its line # {PRINTED_WITH}: (such as: {AS_BEFORE}).",
            )
        return (f"Taken to be printed {self.answer}, as its sheet says.",)


def lines_of(set_now: Mapping[str, float], to_set: Mapping[str, float]) -> dict[str, str]:
    """Return the lines of a sheet's head, key -> text.

    Parameters
    ----------
    set_now : mapping
        Setting -> value that is set as far as anybody has said so.
    to_set : mapping
        Setting -> value that is still to be set, which the print is to be made with.
    """
    lines = {f"{NOW}{n}": repr(float(v)) for n, v in {**set_now, **to_set}.items()}
    lines |= {f"{BEFORE}{n}": repr(float(set_now[n])) if n in set_now else "" for n in to_set}
    return lines | ({PRINTED_WITH: AS_LISTED} if lines else {})


def leaving_out(keys: Mapping[str, str], names: Collection[str]) -> dict[str, str]:
    """Return lines without those of settings that are to be off while a piece is printed."""
    return {k: v for k, v in keys.items() if k.removeprefix(NOW).removeprefix(BEFORE) not in names}


def printed_with(keys: Mapping[str, str], where: Callable[[str], str]) -> PrintedWith:
    """Return what a sheet says was set while its piece was printed.

    Parameters
    ----------
    keys : mapping
        The lines of the sheet's head.
    where : callable
        Key -> where it stands, for messages.

    Raises
    ------
    SheetError
        A setting is not known, or a value is not a number or makes no sense.
    """
    values = _values(keys, NOW, where)
    before = _values(keys, BEFORE, where)
    open_ = [k.removeprefix(BEFORE) for k in keys if k.startswith(BEFORE)]
    to_set = {n: before.get(n) for n in open_ if n in values}
    text = " ".join(keys.get(PRINTED_WITH, "").split()).strip(" .").lower()
    answer = text or AS_LISTED
    said: dict[str, float | None] = {}
    for part in filter(None, (p.strip() for p in answer.split(";"))):
        if part == AS_BEFORE:
            said |= to_set
        elif part != AS_LISTED:
            said |= _change(part, where(PRINTED_WITH))
    known = {n: v for n, v in {**values, **said}.items() if v is not None}
    return PrintedWith(values=known, to_set=to_set, answer=answer)


def _values(keys: Mapping[str, str], prefix: str, where: Callable[[str], str]) -> dict[str, float]:
    return {
        key.removeprefix(prefix): _value(key.removeprefix(prefix), text, where(key))
        for key, text in keys.items()
        if key.startswith(prefix) and text.strip()
    }


def _change(part: str, where: str) -> dict[str, float | None]:
    name, sign, text = part.partition("=")
    if not sign:
        raise SheetError(
            f"{part!r} does not say what was set",
            where=where,
            mend=f"write {AS_LISTED}, {AS_BEFORE}, or a setting with its value: {EXAMPLE}",
        )
    return {name.strip(): _value(name.strip(), text, where)}


def _value(name: str, text: str, where: str) -> float:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise SheetError(
            f"{name}: {text.strip()!r} is not a number",
            where=where,
            mend="write the value that was set, or take the line out",
        ) from None
    try:
        return plausible(name, value)
    except BadInput as err:
        raise SheetError(err.what, where=where, mend=err.mend) from err


def box_of(keys: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return (label, amount) of what is still to be set for the print, for the top of a sheet's page."""
    found = printed_with(keys, lambda key: f"# {key}")
    rows = []
    for name, before in found.to_set.items():
        known = setting(name)
        was = "" if before is None else f" (before: {known.spelled(before)})"
        if name in found.values:
            rows.append((known.label, f"{known.amount(found.values[name])}{was}"))
    return rows
