"""Models and sliced files that come back corrected, with what was changed and how it looks."""

import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.meant import who_of
from calib.desk.pages.printing import who_in
from calib.desk.settings import spell
from calib.desk.web import Ask, go
from calib.errors import BadInput
from calib.model.setting import SETTINGS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from starlette.datastructures import UploadFile

    from calib.desk.work import Job
    from calib.workshop.applying import Applied

#: Largest file that can be dropped, in bytes.
LARGEST_FILE = 1_500_000_000
_MODELS = (".stl", ".3mf")
_SLICED = (".gcode", ".gco", ".g", ".nc", ".ngc")


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
    shop, model = ask.shop, suffix_of(file) in _MODELS

    def do(work: Work) -> tuple[list[str], list[tuple[Path, str]]]:
        from calib.workshop.applying import FileOptions

        how = FileOptions(step=work.step)
        applied = shop.apply(work.source, work.target, **bench.names(who), how=how)
        done = _of_model(applied.data) if model else _told(_whole(applied), work)
        return [*done, *_left_out(applied.data)], [] if model else _layers(work)

    return _beside(ask, file, "corrected", f"/values?{says.query(who)}", do)


def schedule(ask: Ask) -> Response:
    """Put the settings that change with height into the sliced file of a piece."""
    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    file = upload_of(ask, _SLICED)
    rows, line = str(ask.desk.solids.of(uid, m.piece)["schedule.csv"]), ask.text("line")
    shop, names = ask.shop, bench.names(who_in(m))

    def do(work: Work) -> tuple[list[str], list[tuple[Path, str]]]:
        from calib.workshop.applying import FileOptions

        table = work.folder / "schedule.csv"
        table.write_text(rows, encoding="utf-8")
        how = FileOptions(schedule=table, line=line, step=work.step)
        return _told(shop.apply(work.source, work.target, **names, how=how).lines, work), []

    return _beside(ask, file, "by-height", f"/piece/{uid}", do)


@dataclass(frozen=True, slots=True)
class Work:
    """One file on its way: as it was given, and where it goes.

    Attributes
    ----------
    name : str
        What its owner calls it.
    """

    name: str
    folder: Path
    source: Path
    target: Path
    step: "Callable[[int], None]"


def _beside(
    ask: Ask,
    file: "UploadFile",
    mark: str,
    back: str,
    do: "Callable[[Work], tuple[list[str], list[tuple[Path, str]]]]",
) -> Response:
    """Work on an uploaded file beside the pages.

    Parameters
    ----------
    mark : str
        What is added to the file's name.
    do : callable
        Returns what to say, and pictures with their words.
    """
    name, suffix = shown_name(file), suffix_of(file)

    def run(job: "Job") -> dict[str, Any]:
        source, target = job.folder / f"given{suffix}", job.folder / f"{mark}{suffix}"
        size = max(1, source.stat().st_size)
        work = Work(name, job.folder, source, target, lambda n: job.progress(min(0.99, n / size)))
        lines, pictures = do(work)
        return {
            "file": target if target.exists() else None,
            "name": f"{name.rpartition('.')[0] or 'file'}.{mark}{suffix}",
            "lines": lines,
            "pictures": pictures,
            "back": back,
        }

    job = ask.desk.work.prepare(f"{name} is being corrected", ask.request.state.session, run)
    save(file, job.folder / f"given{suffix}")
    ask.desk.work.begin(job)
    return go(f"/work/{job.id}")


def _layers(work: Work) -> list[tuple[Path, str]]:
    """Draw a layer of a sliced file before and after."""
    from calib.desk.layers import pictures

    if not work.target.exists():
        return []
    found = []
    for n, drawn in enumerate(pictures(work.source, work.target)):
        path = work.folder / f"layer{n}.svg"
        path.write_text(drawn.svg, encoding="utf-8")
        found.append((path, drawn.says))
    return found


def _told(lines: "Sequence[str]", work: Work) -> list[str]:
    """Return a summary in words: the file's own name, and settings as people call them."""
    ours, theirs = work.source, work.name
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
