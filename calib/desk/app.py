"""The application: every address of the desk, behind the guard."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from calib.desk.desk import Desk, static_files
from calib.desk.guard import Guard, TooLarge
from calib.desk.pages import (
    door,
    files,
    first,
    happening,
    home,
    inventory,
    keeping,
    meant,
    measuring,
    photos,
    planning,
    plate,
    printing,
    results,
    values,
    working,
)
from calib.desk.web import get, post
from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.workshop.workshop import Workshop

#: Beginning of a path -> largest body, in bytes; elsewhere forms are small.
LIMITS = {"/correct": files.LARGEST_FILE, "/piece/": photos.LARGEST_PHOTOS}


def routes() -> list[Route]:
    """Return every address; what changes something goes by `post`, which checks the form's token."""
    return [
        get("/", home.home),
        get("/words", home.words),
        get("/care", home.care),
        get("/first", first.first),
        post("/first", first.begin),
        get("/next", planning.next_print),
        get("/picture/{pattern}.svg", planning.picture),
        get("/pieces", inventory.pieces),
        post("/start", planning.start),
        get("/plate", plate.plate),
        get("/plate/{n}.3mf", plate.plate_file),
        post("/plate/printed", plate.printed),
        get("/piece/{uid}", printing.piece_page),
        get("/piece/{uid}/view/{view}.svg", printing.view),
        post("/piece/{uid}/printed", printing.printed),
        post("/piece/{uid}/drop", printing.drop),
        get("/piece/{uid}/measure", measuring.measure),
        post("/piece/{uid}/reading", measuring.reading),
        get("/piece/{uid}/readings", measuring.readings),
        post("/piece/{uid}/unit", measuring.unit),
        get("/piece/{uid}/list", measuring.listed),
        post("/piece/{uid}/list", measuring.take_list),
        get("/piece/{uid}/judge", measuring.judge),
        post("/piece/{uid}/judge", measuring.take_judgement),
        post("/piece/{uid}/head", measuring.head),
        post("/piece/{uid}/filled", measuring.filled),
        get("/piece/{uid}/photo", photos.photo),
        post("/piece/{uid}/photo", photos.take),
        get("/mat.pdf", photos.mat),
        get("/piece/{uid}/result", results.result),
        post("/piece/{uid}/mend", keeping.mend),
        post("/piece/{uid}/now", keeping.now_set),
        post("/piece/{uid}/keep", keeping.keep),
        get("/why", values.why),
        post("/correct/{uid}", files.schedule),
        get("/piece/{uid}/{file}", printing.piece_file),
        get("/values", values.values),
        post("/values", values.say),
        get("/values.csv", values.values_csv),
        post("/correct", files.correct),
        get("/happened", happening.happened),
        post("/happened", happening.note),
        post("/happened/undo", happening.undo_event),
        get("/history", happening.history),
        get("/history/plots", happening.over_time),
        post("/history/undo", happening.undo),
        get("/printer", inventory.printer),
        post("/printer", inventory.change_printer),
        get("/printer/new", inventory.new_printer),
        post("/printer/new", inventory.add_printer),
        post("/nozzle", inventory.add_nozzle),
        get("/spool", inventory.spool),
        get("/spool/new", inventory.new_spool),
        post("/spool/new", inventory.add_spool),
        post("/rename", inventory.rename),
        post("/retire", inventory.retire),
        get("/spools", meant.suggest),
        get("/instruments", inventory.instruments),
        post("/instruments", inventory.add_instrument),
        get("/work/{job}", working.work),
        get("/work/{job}/events", working.events),
        post("/work/{job}/cancel", working.cancel),
        get("/work/{job}/file", working.fetch),
        get("/work/{job}/picture/{n}", working.picture),
        get("/phone", door.phone),
        get("/in", door.door),
        post("/in", door.come_in, door=True),
        Route("/static/{name}", _static, methods=["GET"]),
    ]


async def _static(request: Request) -> Response:
    found = static_files().get(request.path_params["name"])
    if found is None:
        return PlainTextResponse("there is no such file", 404)
    kept = {"cache-control": "public, max-age=31536000, immutable"}
    return Response(found.content, media_type=found.media_type, headers=kept)


def build(
    workshop: "Workshop", *, hosts: Sequence[str], others: Sequence[str] = (), warm: bool = True
) -> Starlette:
    """Return the application.

    Parameters
    ----------
    hosts : sequence of str
        Values of the Host header under which this machine itself reaches it, with the port.
    others : sequence of str
        The same for other devices; empty where none is to be let in.
    warm : bool
        Whether the CAD kernel is loaded before a solid is asked for.
    """
    desk = Desk(workshop, tuple(others), warm=warm)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        desk.close()

    app = Starlette(
        routes=routes(),
        lifespan=lifespan,
        middleware=[
            Middleware(
                Guard, entrance=desk.entrance, hosts=[*hosts, *others], limits=LIMITS
            )
        ],
        exception_handlers={HTTPException: _refused, TooLarge: _too_large, 500: _broken},
    )  # fmt: skip
    app.state.desk = desk
    return app


async def _refused(request: Request, err: Exception) -> Response:
    assert isinstance(err, HTTPException)
    if err.status_code == 404:
        return _oops(request, 404, "there is no such page", "go home and start from there")
    return _oops(request, err.status_code, err.detail.rstrip("."), "load the page again")


async def _too_large(request: Request, err: Exception) -> Response:
    return _oops(request, 413, "that is larger than what can be taken here", "")


async def _broken(request: Request, err: Exception) -> Response:
    return _oops(request, 500, "this went wrong here, not with you", "go back and try again")


def _oops(request: Request, status: int, what: str, mend: str) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        from starlette.responses import JSONResponse

        return JSONResponse({"error": what, "mend": mend}, status)
    desk: Desk = request.app.state.desk
    page = desk.render(request, "oops.html", {"error": BadInput(what, mend=mend)})
    return HTMLResponse(page, status)
