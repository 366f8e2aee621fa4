"""Readings from photos: the mat to print, the phone's camera, and the photo back with what was measured."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.datastructures import UploadFile
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.files import save
from calib.desk.pages.printing import who_in
from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.desk.work import Job
    from calib.workshop.measuring import Measuring
    from calib.workshop.photographing import Photographed
    from calib.workshop.workshop import Workshop

#: All photos of one upload together, in bytes.
LARGEST_PHOTOS = 90_000_000
MOST_PHOTOS = 4
PAPERS = (("a4", "A4"), ("letter", "Letter"))
CENTRES = (
    ("green", "green, for most filaments"), ("magenta", "magenta, for green and yellow filament"),
    ("white", "white, to print on coloured paper"), ("dark", "dark, for white filament without a colour printer"),
)  # fmt: skip


def photo(ask: Ask) -> Page:
    """Ask for photos of a piece on the mat."""
    m = ask.shop.read(ask.part["uid"])
    return show(
        "photo.html",
        who=who_in(m),
        base=f"/piece/{m.source}",
        title=says.question_of(m.piece.pattern),
        lying=bench.lies_on_its_back(m.piece),
        papers=PAPERS,
        centres=CENTRES,
    )


def mat(ask: Ask) -> Response:
    """Return the mat as a PDF to print."""
    paper, centre = ask.text("paper", "a4"), ask.text("centre", "green")
    content, name = bench.mat_pdf(paper, centre)
    return Response(
        content,
        media_type="application/pdf",
        headers={"content-disposition": f'attachment; filename="mat-{name}.pdf"'},
    )


def take(ask: Ask) -> Response:
    """Measure the photos beside the pages."""
    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    files = [f for f in ask.form.getlist("photo") if isinstance(f, UploadFile) and f.filename]
    if not files:
        raise BadInput("no photo was chosen", mend="take one, or choose one")
    scanned = bool(ask.text("scanned"))
    bars = None
    if ask.text("bar_x") or ask.text("bar_y"):
        bars = (ask.number("bar_x", "the X bar"), ask.number("bar_y", "the Y bar"))
    shop = ask.shop

    def do(job: "Job") -> dict[str, Any]:
        return _scanned(job, shop, m) if scanned else _measured(job, shop, m, bars)

    doing = f"The {'scan' if scanned else 'photo'} is being measured"
    job = ask.desk.work.prepare(doing, ask.request.state.session, do)
    for i, f in enumerate(files[:MOST_PHOTOS]):
        save(f, job.folder / f"photo{i}")
    ask.desk.work.begin(job)
    return go(f"/work/{job.id}")


def _measured(
    job: "Job", shop: "Workshop", m: "Measuring", bars: tuple[float, float] | None
) -> dict[str, Any]:
    """Measure photos, and take the clear readings into the sheet."""
    from calib.workshop.photographing import PhotoOptions

    found = shop.photo(m.source, _given(job), PhotoOptions(bars_mm=bars))
    return _told(job, m, found, "photo")


def _scanned(job: "Job", shop: "Workshop", m: "Measuring") -> dict[str, Any]:
    """Measure scans, and take the clear readings into the sheet."""
    return _told(job, m, shop.scan(m.source, _given(job)), "scan")


def _given(job: "Job") -> list[Path]:
    job.progress(0.05)
    return sorted(job.folder.glob("photo*"))


def _told(job: "Job", m: "Measuring", found: "Photographed", what: str) -> dict[str, Any]:
    """Draw what was seen, and say what was taken and what was left out."""
    picture = job.folder / "measured.jpg"
    picture.write_bytes(found.pictures[0])
    taken = f"{found.filled} reading{'s' if found.filled != 1 else ''}"
    lines = [f"{taken} from the {what}; look at the picture whether they are right."]
    lines += [says.advice(n) for n in found.outcome.notes]
    doubtful = [n for n in found.outcome.lengths if n.flags][:12]
    if doubtful:
        lines.append(f"Left out, because the {what} does not show it clearly enough:")
    lines += [f"{says.sentence(n.feature.where)}: {'; '.join(n.flags)}." for n in doubtful]
    return {
        "title": taken if found.filled else "Nothing clear could be read",
        "pictures": [(picture, f"What was measured, drawn into your {what}.")],
        "lines": lines,
        "go_on": f"/piece/{m.source}/{'result' if found.filled else 'photo'}",
        "go_on_words": "What does it mean?" if found.filled else f"Another {what}",
        "back": f"/piece/{m.source}/list",
    }
