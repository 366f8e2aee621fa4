"""What keeping a sheet did, and what is known since, in lines for people."""

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from calib.model.place import where_words
from calib.model.setting import kept_setting, label
from calib.plan.turns import turns_to_do
from calib.report.words import (
    age,
    change,
    half_width,
    iso,
    number,
    place_lines,
    request_lines,
    to_set_lines,
    turn_lines,
    turn_words,
)

if TYPE_CHECKING:
    from calib.model.correction import Correction
    from calib.model.estimate import Estimate
    from calib.profile.doubts import Judgement
    from calib.profile.influence import Influence, Rests
    from calib.store.records import KeptCorrection, KeptSheet, ProfileValue, SaidPlace, Series
    from calib.workshop.results import Difference, KeptSolution, TakenBack

COLUMNS = ("setting", "change>", "95 %>", "unit", "verdict", "for")
PROFILE_COLUMNS = ("setting", "value>", "95 %>", "unit", "from", "found", "")
_WARNING = "yellow"


def kept_lines(kept: "KeptSolution") -> Iterator[tuple[str, str]]:
    """Yield (line, style): what is doubtful, what to print again, and what takes effect where."""
    for s in kept.replaced:
        yield (
            f"The same piece was kept before, on {s.kept_at:%Y-%m-%d %H:%M} UTC, with other readings:"
            " those no longer count, these do.",
            "",
        )
    for line in kept.solved.solution.assumed:
        yield line, ""
    for doubt in kept.solved.solution.suspects:
        yield (
            f"Doubtful: {doubt.reading.where or doubt.reading.feature}: {doubt.explanation}",
            _WARNING,
        )
    for line in again_lines(kept.corrections, kept.who.options):
        yield line, _WARNING
    spare = [k for k in kept.corrections if not k.chosen and k.correction.verdict == "apply"]
    if spare:
        names = ", ".join(k.correction.setting for k in spare)
        use = " ".join(f"--use {k.correction.setting}" for k in spare)
        yield (
            (
                f"Not used, since each would correct an error twice: {names}. To use them"
                f" instead: truebead profile undo {spare[0].sheet_uid[:8]}, then keep with {use}"
            ),
            "",
        )
    for line in kept.doubts:
        yield line, _WARNING
    for line in _in_force_lines(kept):
        yield line, ""


def _in_force_lines(kept: "KeptSolution") -> Iterator[str]:
    """Say where the kept values take effect, and which stay as they were though this sheet alone says else."""
    uids = {k.uid for k in kept.corrections}
    mine = [v for v in kept.in_force if v.source.uid in uids]
    for v in mine:
        about, c = kept_setting(v.setting), v.source.correction
        if c.verdict == "apply" and v.value == c.old and v.estimate is not None:
            half = number(v.estimate.expanded(), v.estimate.expanded())
            yield (
                f"{about.said(v.value)} stays for now: with all that is known its best value is sure to"
                f" ±{half} {about.unit} only, and the change is no larger."
            )
    yield from place_lines(mine, kept.who.options)
    found = [k.correction for k in kept.corrections if kept_setting(k.correction.setting).done_once]
    turns = {c.setting: c.new for c in found if c.verdict == "apply"}
    if not kept.in_force:  # a check without plastic is of no nozzle and spool, so of no profile
        new = [
            k.correction
            for k in kept.corrections
            if k.chosen and k.correction.verdict == "apply" and k.correction.setting not in turns
        ]
        yield from to_set_lines(
            [kept_setting(c.setting).said(c.new) for c in new],
            [f"--in-printer {c.setting}" for c in new],
            kept.who.options,
        )
    yield from turn_lines(turns, kept.who.options)


def again_lines(kept: Sequence["KeptCorrection"], options: str = "") -> list[str]:
    """Say what to print again, each reason once: scale and steps share theirs."""
    names: dict[str, list[str]] = {}
    for k in kept:
        if k.correction.verdict == "print again":
            names.setdefault(k.correction.reason, []).append(label(k.correction.setting))
    lines = [f"{', '.join(settings)}: {reason}" for reason, settings in names.items()]
    again = (k.correction for k in kept if k.correction.verdict == "print again")
    return lines + request_lines((r for c in again for r in c.requests), options)


def correction_rows(kept: "Sequence[KeptCorrection]") -> list[tuple[str, ...]]:
    """Return the rows of a table under `COLUMNS`."""
    return [_correction_row(k) for k in kept]


def _half(c: "Correction") -> float:
    """Return the half-width (95 %) of a correction's new value; 0 where it is not known."""
    return c.u_new * c.error.expanded() / c.error.u if c.error.u else 0.0


def _correction_row(k: "KeptCorrection") -> tuple[str, ...]:
    c = k.correction
    half = _half(c)
    verdict = str(c.verdict) if k.chosen else "not used"
    turns = kept_setting(c.setting).done_once
    words = turn_words(c.new, short=True) if turns else change(c.old, c.new, half, c.unit)
    return (
        label(c.setting), words, half_width(half), c.unit, verdict, str(c.scope),
    )  # fmt: skip


def profile_rows(settings: "Sequence[ProfileValue]") -> list[tuple[str, ...]]:
    """Return the rows of a table under `PROFILE_COLUMNS`."""
    return [_profile_row(v) for v in settings]


def profile_lines(
    settings: "Sequence[ProfileValue]", to_do_once: "Sequence[ProfileValue]", options: str
) -> Iterator[tuple[str, str]]:
    """Yield (line, style) below the table: what is stale, to be set, or to be done once."""
    for line in stale_lines(settings):
        yield line, _WARNING
    for line in (*place_lines(settings, options), *turn_lines(turns_to_do(to_do_once), options)):
        yield line, ""


def rests_lines(
    settings: "Sequence[ProfileValue]", rests: "Mapping[str, Rests]"
) -> Iterator[tuple[str, str]]:
    """Yield (line, style): what each value rests on, and what the last sheet changed."""
    from calib.profile.influence import moved_words

    for v in settings:
        found, e = rests.get(v.setting), v.estimate
        if found is None or e is None or not found.sheets or found.since is None:
            continue
        rolls = f" on {found.spools} spools" if found.spools > 1 else ""
        words = (
            f"{label(v.setting)}: {found.readings} readings of {found.sheets} sheets{rolls} since"
            f" {found.since:%Y-%m-%d}, {max(e.from_data, 0.0):.0%} of what is known"
        )
        if found.before is not None and found.newest is not None:
            moved = moved_words(e, found.before, kept_setting(v.setting).decimals)
            words += f"; by {found.newest.pattern} of {found.newest.at:%Y-%m-%d} {moved}"
        yield words, ""


def odd_lines(odd: "Sequence[Judgement]") -> Iterator[tuple[str, str]]:
    """Yield (line, style): the sheets that do not go with the others."""
    for j in odd:
        words = f"The {j.pattern} of {j.at:%Y-%m-%d} does not go with the other sheets"
        if j.doubt:
            words += (
                f": it is {min(j.wrong, 0.99):.0%} likely that {j.reason}. It counts for as much less, and what it"
                " speaks of is less sure"
            )
        else:
            words += f" (chi-square {j.chi2:.0f} with {j.dof} degrees of freedom), and nothing explains it"
        yield f"{words}. If it is wrong, set it aside: truebead profile undo {j.uid[:8]}", _WARNING


def why_rows(found: "Sequence[Influence]", setting: str) -> list[tuple[str, ...]]:
    """Return the rows of a table under `WHY_COLUMNS`."""
    places = kept_setting(setting).decimals
    return [
        (
            i.block.uid[:8],
            i.block.pattern,
            f"{i.block.at:%Y-%m-%d}",
            str(i.block.readings),
            f"{i.share:.0%}",
            f"{i.moved:+.{places}f}",
        )
        for i in found
    ]


WHY_COLUMNS = ("sheet", "piece", "kept", "readings>", "takes off the variance>", "moves it by>")


def stale_lines(settings: "Sequence[ProfileValue]") -> list[str]:
    """Say once for each event, or changed setting, what it made stale."""
    groups: dict[str, list[str]] = {}
    for v in settings:
        if v.stale:
            groups.setdefault(v.stale_by, []).append(label(v.setting))
    return [f"Stale ({what}): {', '.join(names)}" for what, names in groups.items()]


def said_line(p: "SaidPlace") -> str:
    """Say where a setting was said to take effect."""
    about = kept_setting(p.setting)
    what = about.label if p.value is None else about.said(p.value)
    return f"{what} {where_words(p.place, is_set=True)}, {p.printer}/{p.spool}"


def history_lines(found: "Sequence[KeptCorrection]") -> list[str]:
    """Return one line for each sheet, and under it one for each of its corrections."""
    rows = [_history_row(k) for k in found]
    wide = [max(len(row[i]) for row in rows) for i in range(3)] if rows else []
    lines, sheet = [], None
    for k, (uid, setting, changed, verdict) in zip(found, rows, strict=True):
        if k.sheet_uid != sheet:
            names = "/".join(filter(None, (k.printer, k.nozzle, k.spool)))
            lines.append(
                f"{k.sheet_uid[:8]} {k.kept_at:%Y-%m-%d} {k.pattern} {k.piece_id}, {names}"
            )
            sheet = k.sheet_uid
        lines.append(f"  {uid} {setting:{wide[1]}} {changed:{wide[2]}} {verdict}".rstrip())
    return lines


def _history_row(k: "KeptCorrection") -> tuple[str, str, str, str]:
    c = k.correction
    verdict = str(c.verdict) if k.chosen else "not used"
    if k.undone_at:
        verdict = "taken back" + (f": {k.why_undone}" if k.why_undone else "")
    turns = kept_setting(c.setting).done_once
    words = turn_words(c.new, short=True) if turns else change(c.old, c.new, _half(c), c.unit)
    return k.uid[:8], label(c.setting), words, verdict


def _profile_row(v: "ProfileValue") -> tuple[str, ...]:
    where = str(v.layer)
    if v.inherited_from:
        few = ", ".join(v.inherited_from[:2]) + (" ..." if len(v.inherited_from) > 2 else "")
        where = f"inherited from {few}"
    return (
        label(v.setting),
        number(v.value, v.expanded),
        half_width(v.expanded),
        v.unit,
        where,
        age(v.source.kept_at),
        "stale" if v.stale else "" if v.value is None else v.where,
    )


SPLIT_COLUMNS = ("of", "what", "value>", "95 %>", "unit", "from readings>")
SPLIT_NOTE = (
    "The rest comes from the drives' mechanics and the usual shrinkage of each type. What sharpens"
    " it most is carriage travel: truebead make carriage-travel"
)


def split_row(of: str, what: str, e: "Estimate") -> tuple[str, ...]:
    """Return the row of a table under `SPLIT_COLUMNS`."""
    half = 100 * e.expanded()
    share = f"{max(e.from_data, 0.0):.0%}"
    return of, what, number(100 * e.value, half), half_width(half), "%", share


def split_json(of: str, what: str, e: "Estimate") -> dict[str, Any]:
    """Return the same for machines."""
    return {
        "of": of,
        "what": what,
        "percent": 100 * e.value,
        "expanded_percent": 100 * e.expanded(),
        "from_readings": max(e.from_data, 0.0),
    }


def taken_back_lines(done: "TakenBack") -> Iterator[tuple[str, str]]:
    """Yield (line, style): what was taken back, and what to set again."""
    first = done.corrections[0]
    names = ", ".join(k.correction.setting for k in done.corrections)
    of = " / ".join(filter(None, (first.printer, first.nozzle, first.spool)))
    yield (f"Taken back: {names} of {first.pattern} {first.piece_id} (sheet {first.sheet_uid[:8]}), {of}."), ""  # fmt: skip
    yield ("They stay in the history; the same sheet can be kept again."), ""
    if done.set_back:
        u = {k.correction.setting: k.correction.u_new for k in done.corrections}
        back = ", ".join(f"{s} {number(value, u[s])}" for s, value in done.set_back.items())
        yield (f"Set back in the printer or the slicing settings: {back}."), _WARNING


def drift_json(series: "Series") -> dict[str, Any]:
    """Return the chart of one setting for machines."""
    return {
        "setting": series.setting, "values": list(series.values), "alarm": series.alarm,
        "kept_at": [iso(k.kept_at) for k in series.found],
    }  # fmt: skip


def drift_lines(found: "Sequence[Series]") -> Iterator[tuple[str, str]]:
    """Yield (line, style): the values of each setting over time, and whether they are in control."""
    from calib.profile.drift import LEAST

    if not found:
        yield ("Nothing was kept for this printer since the last event that changed it."), ""
    for s in found:
        values = " ".join(number(v, s.found[-1].correction.u_new) for v in s.values[-12:])
        yield (f"{label(s.setting)}: {values}"), "bold"
        if len(s.values) <= LEAST:
            yield (f"   {len(s.values)} values; limits need {LEAST + 1}"), ""
        else:
            yield (f"   {s.alarm or 'in control'}"), _WARNING if s.alarm else ""


def sheet_words(kept: "KeptSheet") -> str:
    """Return a kept sheet as it was read, under a line that says which it is."""
    return (
        f"Sheet {kept.uid} of {kept.pattern} {kept.piece_id}, kept {kept.kept_at:%Y-%m-%d %H:%M} UTC"
        f" by Truebead {kept.by_version}\n{kept.sheet_text}"
    )


def difference_table(
    rows: "Sequence[Difference]", against: str, at: str
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the columns and the rows of two profiles side by side."""
    columns = (
        "setting",
        "now>" if at else "value>",
        f"{against or at}>",
        "difference>",
        "95 %>",
        "",
    )
    return columns, [
        (r.setting, number(r.value, r.u), number(r.other, r.u), number(r.difference, r.u),
         half_width(r.expanded_95), r.says)
        for r in rows
    ]  # fmt: skip
