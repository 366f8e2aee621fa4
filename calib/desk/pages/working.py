"""Long work: how far it is, what came out, and the file to fetch."""

from collections.abc import Iterator
from urllib.parse import quote

from starlette.responses import FileResponse, Response, StreamingResponse

from calib.desk.web import Ask, Page, go, show
from calib.desk.work import Job
from calib.errors import BadInput

#: What the work may answer with; `file` and `pictures`, each with its words, are fetched from here.
_NOTHING = {
    "title": "", "file": None, "name": "", "pictures": (), "go_on": "", "go_on_words": "", "lines": (),
    "back": "/",
}  # fmt: skip
_TYPES = {".stl": "model/stl", ".3mf": "model/3mf", ".jpg": "image/jpeg", ".svg": "image/svg+xml"}


def _job(ask: Ask) -> Job:
    job = ask.desk.work.find(ask.part["job"], ask.request.state.session)
    if job is None:
        raise BadInput("this is over and its files are gone", mend="begin it again")
    return job


def work(ask: Ask) -> Page:
    """Show how far it is, or what came out."""
    job = _job(ask)
    answer = {**_NOTHING, **(job.answer or {})} if job.state == "done" else _NOTHING
    return show(
        "work.html",
        what=job.what,
        state=job.state,
        share=job.share,
        problem=job.problem,
        base=f"/work/{job.id}",
        answer=answer,
    )


def events(ask: Ask) -> Response:
    """Tell the page how far it is (server-sent events)."""
    job = _job(ask)

    def telling() -> Iterator[str]:
        for _, share in job.events():
            yield f"event: share\ndata: {share:.3f}\n\n"
        yield "event: over\ndata: over\n\n"

    return StreamingResponse(telling(), media_type="text/event-stream")


def cancel(ask: Ask) -> Response:
    """Stop it."""
    job = _job(ask)
    job.stop.set()
    return go(f"/work/{job.id}")


def fetch(ask: Ask) -> Response:
    """Return the file that came out."""
    job = _job(ask)
    answer = job.answer or {}
    target = answer.get("file")
    if job.state != "done" or target is None:
        raise BadInput("there is no file to fetch")
    return FileResponse(
        target,
        media_type=_TYPES.get(target.suffix, "application/octet-stream"),
        headers={"content-disposition": f"attachment; filename*=UTF-8''{quote(answer['name'])}"},
    )


def picture(ask: Ask) -> Response:
    """Return a picture that came out, such as a photo with what was measured drawn into it."""
    job, n = _job(ask), ask.part["n"]
    there = (job.answer or {}).get("pictures", ()) if job.state == "done" else ()
    if not n.isdecimal() or int(n) >= len(there):
        raise BadInput("there is no picture to show")
    target = there[int(n)][0]
    return FileResponse(target, media_type=_TYPES[target.suffix])
