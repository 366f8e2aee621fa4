"""Using what was found: the values to set, and models or sliced files that come back corrected."""

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.keeping import PLACES, say_place
from calib.desk.pages.meant import chosen, who_of
from calib.desk.pages.printing import who_in
from calib.desk.settings import by_how_much, half_width, label, number, shown, spell
from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput
from calib.model.setting import SETTINGS, Place

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.datastructures import UploadFile

    from calib.apply.values import Heading, Value
    from calib.desk.work import Job
    from calib.store.records import ProfileValue
    from calib.workshop.applying import Applied
    from calib.workshop.results import Who
    from calib.workshop.workshop import Workshop

#: Largest file that can be dropped, in bytes.
LARGEST_FILE = 1_500_000_000
#: Sheets that are shown of what a value rests on, the weightiest first.
MOST_SHEETS = 12
_MODELS = (".stl", ".3mf")
_SLICED = (".gcode", ".gco", ".g", ".nc", ".ngc")


def values(ask: Ask) -> Page:
    """Show what is to be set for a printer, nozzle and spool."""
    found = ask.shop.values(**bench.names(chosen(ask)))
    settings = bench.in_force(ask.shop, found.who)
    typed = [v for v in found.values if v.place in ("", Place.PRINTER)]
    drawn = [v for v in found.values if v.place == Place.DRAWING]
    files = [v for v in found.values if v.place in (Place.MODELS, Place.GCODE)]
    stale = [(label(v.setting), v.stale) for v in settings if v.stale]
    return show(
        "values.html",
        who=found.who,
        query=says.query(found.who),
        typed=[_value(v) for v in typed],
        files=[_value(v) for v in files],
        drawn=[_value(v) for v in drawn],
        stale=stale,
        known=bool(settings),
        qr=_qr(typed, found.heading) if typed else "",
        next_link=f"/next?{says.query(found.who)}",
        why_link=f"/why?{says.query(found.who)}",
    )


def _value(v: "Value") -> dict[str, Any]:
    s = shown(v.setting)
    return {
        "setting": v.setting,
        "label": s.label,
        "term": s.term,
        "where": s.where,
        "new": spell(v.setting, v.new),
        "bare": number(v.setting, v.new),
        "old": spell(v.setting, v.old) if v.old is not None else "",
        "gcode": v.gcode,
        "is_set": v.is_set,
        "files": s.files,
        "place": v.place,
    }


def _qr(listed: "list[Value]", of: "Heading") -> Markup:
    """Return the values as a QR code, for a phone or another computer."""
    import segno

    from calib.apply.values import values_text

    code = segno.make(values_text(listed, of), error="m", micro=False)
    # Made by the library from numbers and our own names alone.
    return Markup(code.svg_inline(scale=1, border=2, svgclass=None, lineclass=None, omitsize=True))


def why(ask: Ask) -> Page:
    """Say what a value rests on: its readings, and what each sheet does to it."""
    who, name = chosen(ask), ask.text("setting")
    shop = ask.shop
    value = next((v for v in bench.in_force(shop, who) if v.setting == name), None)
    if value is None:
        raise BadInput("nothing is known of that", mend="choose a value on the page of values")
    sheets = ask.remembered("why", who, name, work_out=lambda: _sheets(shop, value, who))
    return show(
        "why.html",
        who=who,
        label=label(name),
        value=spell(name, value.value),
        sure=half_width(name, value.expanded),
        stale=value.stale,
        rests=ask.remembered("rests", who, name, work_out=lambda: bench.rests(shop, who, name)),
        from_data=_from_data(value.estimate.from_data) if value.estimate else "",
        inherited=value.inherited_from,
        sheets=sheets,
        values_link=f"/values?{says.query(who)}",
    )


def _sheets(shop: "Workshop", value: "ProfileValue", who: "Who") -> list[dict[str, Any]]:
    """Return what the weightiest sheets do to a value; none where the posterior does not know it."""
    name = value.setting
    found = shop.why(name, **bench.names(who)) if value.estimate else []
    return [
        {
            "title": says.question_of(i.block.pattern),
            "spool": bench.spool_of(shop, i.block.uid),
            "kept": f"{i.block.at:%-d %B %Y}",
            "readings": i.block.readings,
            "share": f"{i.share:.0%}",
            "moved": by_how_much(name, i.moved),
        }
        for i in found[:MOST_SHEETS]
    ]


def _from_data(share: float) -> str:
    """Say how much of what is known was measured."""
    if share > 0.99:
        return "All that is known comes from them."
    return (
        f"{max(share, 0.0):.0%} of what is known comes from them, the rest from what is usual for such a"
        " printer and filament."
    )


def values_csv(ask: Ask) -> Response:
    """Return the values as a table for a spreadsheet."""
    from calib.apply.values import to_set
    from calib.apply.values import values_csv as as_csv

    found = ask.shop.values(**bench.names(who_of(ask)))
    return Response(
        as_csv(to_set(found.values), found.heading),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="values.csv"'},
    )


def say(ask: Ask) -> Response:
    """Note where one setting takes effect from now on."""
    who = ask.shop.values(**bench.names(who_of(ask))).who
    place = PLACES.get(ask.text("done"))
    if place is None:
        raise BadInput("it is not said what was done")
    say_place(ask, who, ask.texts("setting"), place)
    return go("/values", ask.text("done"), **bench.names(who))


def upload_of(ask: Ask, suffixes: tuple[str, ...]) -> "UploadFile":
    """Return the uploaded file, if it is of a sort that can be read here."""
    file = ask.file("file")
    if file is None:
        raise BadInput("no file was chosen", mend="choose one, or drop it on the box")
    if suffix_of(file) not in suffixes:
        raise BadInput(
            "that sort of file can't be read here", mend=f"it takes {', '.join(suffixes)}"
        )
    return file


def suffix_of(file: "UploadFile") -> str:
    """Return the end of an uploaded file's name; nothing else of the name is used on this machine."""
    return Path((file.filename or "").replace("\\", "/")).suffix.lower()


def shown_name(file: "UploadFile") -> str:
    """Return an uploaded file's own name, for showing and for its corrected copy."""
    name = (file.filename or "").replace("\\", "/").rpartition("/")[2]
    clean = "".join(c if c.isprintable() and c not in '"<>|:*?' else "_" for c in name)
    return clean[-120:] or "file"


def save(file: "UploadFile", target: Path) -> Path:
    """Write an uploaded file to where only this desk reads it."""
    with target.open("wb") as out:
        shutil.copyfileobj(file.file, out, 1 << 20)
    return target


def correct(ask: Ask) -> Response:
    """Correct a model or a sliced file with what is known; the work is done beside the pages."""
    file = upload_of(ask, (*_MODELS, *_SLICED))
    who = ask.shop.values(**bench.names(who_of(ask))).who
    name, suffix = shown_name(file), suffix_of(file)
    shop, model = ask.shop, suffix in _MODELS

    def do(job: "Job") -> dict[str, Any]:
        from calib.workshop.applying import FileOptions

        source, target = job.folder / f"given{suffix}", job.folder / f"corrected{suffix}"
        size = max(1, source.stat().st_size)
        how = FileOptions(step=lambda done: job.progress(min(0.99, done / size)))
        applied = shop.apply(source, target, **bench.names(who), how=how)
        stem = name.rpartition(".")[0] or "part"
        return {
            "file": target if target.exists() else None,
            "name": f"{stem}.corrected{suffix}",
            "lines": [
                *(_of_model(applied.data) if model else _told(_whole(applied), source, name)),
                *_left_out(applied.data),
            ],
            "back": f"/values?{says.query(who)}",
        }

    job = ask.desk.work.prepare(f"{name} is being corrected", ask.request.state.session, do)
    save(file, job.folder / f"given{suffix}")
    ask.desk.work.begin(job)
    return go(f"/work/{job.id}")


def _told(lines: "Sequence[str]", ours: Path, theirs: str) -> list[str]:
    """Return a summary in words: the file's own name, and settings as people call them."""
    named = (line.replace(str(ours), theirs).replace(ours.name, theirs).strip() for line in lines)
    words = (_NAMED.sub(_in_words, line) for line in named)
    return [line if line.startswith(theirs) else says.sentence(line) for line in words]


def _whole(applied: "Applied") -> list[str]:
    """Return the lines about a sliced file, without those that are said in other words."""
    return [line for line in applied.lines if not line.startswith("  left out: ")]


def _of_model(data: "Mapping[str, Any]") -> list[str]:
    """Return what was done with a model: its size before and after, and what went into it."""
    sizes = zip("XYZ", data["size_before_mm"], data["size_after_mm"], strict=True)
    return [
        *(f"{axis}: {before:.2f} mm → {after:.2f} mm" for axis, before, after in sizes),
        *(f"Put in: {SETTINGS[name].label}" for name in data["applied"]),
        *(says.sentence(note) for note in data["notes"]),
    ]


def _left_out(data: "Mapping[str, Any]") -> list[str]:
    """Return what a file did not get, and why."""
    return [
        f"Left out: {SETTINGS[one['setting']].label}. {says.advice(one['reason'])}"
        for one in data["left_out"]
    ]


#: A setting with its value, and perhaps its unit, as summaries write it.
_NAMED = re.compile(
    r"\b([a-z][a-z0-9]*(?:_[a-z0-9]+)+) (-?\d+(?:\.\d+)?)(?: ?(?:mm\b|degC\b|deg\b|%))?"
)


def _in_words(found: re.Match[str]) -> str:
    name = found[1]
    if name not in SETTINGS:
        return found[0]
    return f"{SETTINGS[name].label} {spell(name, float(found[2]))}"


def schedule(ask: Ask) -> Response:
    """Put the settings that change with height into the sliced file of a piece."""
    from calib.workshop.applying import FileOptions

    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    file = upload_of(ask, _SLICED)
    name, suffix, shop = shown_name(file), suffix_of(file), ask.shop
    rows, line = str(ask.desk.solids.of(uid, m.piece)["schedule.csv"]), ask.text("line")
    names = bench.names(who_in(m))

    def do(job: "Job") -> dict[str, Any]:
        source, target = job.folder / f"given{suffix}", job.folder / f"changed{suffix}"
        table = job.folder / "schedule.csv"
        table.write_text(rows, encoding="utf-8")
        size = max(1, source.stat().st_size)
        how = FileOptions(
            schedule=table, line=line, step=lambda done: job.progress(min(0.99, done / size))
        )
        applied = shop.apply(source, target, **names, how=how)
        stem = name.rpartition(".")[0] or "piece"
        return {
            "file": target,
            "name": f"{stem}.by-height{suffix}",
            "lines": _told(applied.lines, source, name),
            "back": f"/piece/{uid}",
        }

    job = ask.desk.work.prepare(f"{name} is being changed", ask.request.state.session, do)
    save(file, job.folder / f"given{suffix}")
    ask.desk.work.begin(job)
    return go(f"/work/{job.id}")
