"""What every page shares: what was asked, how it is answered, and forms that can't be forged."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.desk.desk import Desk
    from calib.workshop.workshop import Workshop

Answer = TypeVar("Answer")

#: Who uses a browser, as it was said at the door; a name for the others to see, not a proof.
BY_COOKIE = "truebead_by"
#: Fields and files of one form, and the length of one field: more is not a form of ours.
MOST_FIELDS, MOST_FILES, LONGEST_FIELD = 400, 4, 64 * 1024


@dataclass(frozen=True, slots=True)
class Ask:
    """A request, with what its form says."""

    desk: "Desk"
    request: Request
    form: FormData = field(default_factory=FormData)

    @property
    def shop(self) -> "Workshop":
        """The workshop, in which what is done is done by whoever uses this browser."""
        shop, by = self.desk.workshop, self.request.cookies.get(BY_COOKIE, "").replace("_", " ")
        named = 0 < len(by) <= 40 and by.isprintable()
        return shop.signing(by) if named and shop.store_if_any() is not None else shop

    def remembered(self, question: str, *about: Any, work_out: Callable[[], Answer]) -> Answer:
        """Return what was worked out before, as long as nothing changed in the store since."""
        key = (question, *about, f"{datetime.now():%Y-%m-%d %H}", self.shop.standing())
        return self.desk.remembered.of(key, work_out)

    def text(self, name: str, usual: str = "") -> str:
        """Return a field of the form, else of the address, without spaces round it."""
        value = self.form.get(name, self.request.query_params.get(name, usual))
        return value.strip() if isinstance(value, str) else usual

    def texts(self, name: str) -> list[str]:
        """Return every value of a field, of the form or else of the address, that may stand several times."""
        given = self.form if name in self.form else self.request.query_params
        return [v for v in given.getlist(name) if isinstance(v, str)]

    def number(self, name: str, what: str) -> float:
        """Return a number; decimal comma or point.

        Raises
        ------
        BadInput
            There is none, or it can't be understood.
        """
        text = self.text(name)
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise BadInput(
                f"{what}: {text[:40]!r} is not a number" if text else f"{what} is missing",
                mend="write a number, such as 220",
            ) from None

    def file(self, name: str) -> UploadFile | None:
        """Return an uploaded file; None where none was chosen."""
        found = self.form.get(name)
        return found if isinstance(found, UploadFile) and found.filename else None

    @property
    def part(self) -> dict[str, str]:
        """The parts of the address, such as a piece's id."""
        return dict(self.request.path_params)

    @property
    def wants_json(self) -> bool:
        """Whether our own script asks, and not the browser itself."""
        return "application/json" in self.request.headers.get("accept", "")


@dataclass(frozen=True, slots=True)
class Page:
    """A page to be shown: its template, and what goes into it."""

    template: str
    data: Mapping[str, Any]
    status: int = 200


def show(template: str, status: int = 200, **data: Any) -> Page:
    """Return a page."""
    return Page(template, data, status)


def go(path: str, told: str = "", **query: str | Sequence[str] | None) -> Response:
    """Return the way to another page; `told` names a sentence of `words.TOLD` to show there."""
    given = {k: v for k, v in {**query, "told": told}.items() if v}
    return RedirectResponse(
        f"{path}?{urlencode(given, doseq=True)}" if given else path, status_code=303
    )


def data(content: Any, status: int = 200) -> Response:
    """Return an answer for our own script."""
    return JSONResponse(content, status_code=status)


class NeedsChoice(Exception):
    """A page is about one of several, and the address does not say which.

    Parameters
    ----------
    what : str
        Name of the field: printer, nozzle or spool.
    options : sequence of (value, words)
    more : int
        How many more there are: they are found by part of their name.
    """

    def __init__(self, what: str, options: Sequence[tuple[str, str]], more: int = 0) -> None:
        self.what, self.options, self.more = what, options, more
        super().__init__(what)


Handler = Callable[[Ask], Page | Response]


def get(path: str, handler: Handler) -> Route:
    """Return a route that shows something; the handler runs beside the others, in a thread."""

    async def endpoint(request: Request) -> Response:
        return await _answered(Ask(request.app.state.desk, request), handler)

    return Route(path, endpoint, methods=["GET"], name=handler.__name__)


def post(path: str, handler: Handler, *, door: bool = False) -> Route:
    """Return a route that changes something. Its form must carry the session's token.

    Parameters
    ----------
    door : bool
        Only for the page that gives a session: there is no token yet.
    """

    async def endpoint(request: Request) -> Response:
        async with request.form(
            max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=LONGEST_FIELD
        ) as form:
            if not door:
                _check_token(request, form)
            return await _answered(Ask(request.app.state.desk, request, form), handler)

    return Route(path, endpoint, methods=["POST"], name=handler.__name__)


def _check_token(request: Request, form: FormData) -> None:
    given = request.headers.get("x-desk-token") or form.get("token")
    session = request.state.session
    entrance = request.app.state.desk.entrance
    if not session or not isinstance(given, str) or not entrance.is_token(session, given):
        raise HTTPException(403, "This form is from before the desk was last started.")


async def _answered(ask: Ask, handler: Handler) -> Response:
    answer = await run_in_threadpool(_handled, ask, handler)
    return answer


def _handled(ask: Ask, handler: Handler) -> Response:
    try:
        answer = handler(ask)
        return _drawn(ask, answer) if isinstance(answer, Page) else answer
    except NeedsChoice as choice:
        return _drawn(ask, _which(ask, choice))
    except BadInput as err:
        if ask.wants_json:
            return data({"error": err.what, "mend": err.mend}, 400)
        return _drawn(ask, show("oops.html", 400, error=err))


def _which(ask: Ask, choice: NeedsChoice) -> Page:
    """Ask which one is meant, and go on to the same page with the answer."""
    known = {k: v for k, v in ask.request.query_params.items() if k != choice.what}
    links = [
        (words, f"{ask.request.url.path}?{urlencode({**known, choice.what: value})}")
        for value, words in choice.options
    ]
    path = ask.request.url.path
    return show(
        "which.html", what=choice.what, links=links, more=choice.more, path=path, known=known
    )


def _drawn(ask: Ask, page: Page) -> Response:
    return HTMLResponse(ask.desk.render(ask.request, page.template, page.data), page.status)


Endpoint = Callable[[Request], Awaitable[Response]]
