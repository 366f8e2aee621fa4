"""One running desk: the workshop it serves, who may come in, its pages and pictures."""

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, TypeVar

from starlette.requests import Request

from calib.desk import says
from calib.desk.bench import Solids
from calib.desk.entrance import Entrance
from calib.desk.icons import TAB_ICON, icon
from calib.desk.pictures import Pictures
from calib.desk.terms import explained, word
from calib.desk.words import TOLD
from calib.desk.work import Work
from calib.report.templates import templates
from calib.safety import SAFETY

if TYPE_CHECKING:
    from jinja2 import Environment

    from calib.workshop.workshop import Workshop

_TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}


#: Answers that are kept, some ten kilobytes each.
MOST_REMEMBERED = 60

Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class Static:
    """A file that pages are drawn with: read once, found by name, never by a path."""

    name: str
    content: bytes
    media_type: str
    version: str


@cache
def static_files() -> dict[str, Static]:
    """Return every static file by name."""
    folder = resources.files("calib.desk") / "static"
    found = {f.name: f.read_bytes() for f in folder.iterdir() if f.name.endswith((".css", ".js"))}
    found["icon.svg"] = TAB_ICON.encode()
    return {
        name: Static(
            name,
            content,
            _TYPES[name.rpartition(".")[2]],
            hashlib.sha256(content).hexdigest()[:10],
        )
        for name, content in found.items()
    }


class Remembered:
    """Answers that take long to work out, kept until something changes that they may rest on."""

    def __init__(self) -> None:
        self._answers: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, key: tuple[Any, ...], work_out: Callable[[], Answer]) -> Answer:
        """Return the answer to a question; `key` says the question and what it rests on."""
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                found: Answer = self._answers[key]
                return found
        answer = work_out()
        with self._lock:
            self._answers[key] = answer
            while len(self._answers) > MOST_REMEMBERED:
                self._answers.popitem(last=False)
        return answer


class Desk:
    """What the routes work with.

    Parameters
    ----------
    workshop : Workshop
        An opened store; everything that a page knows or does goes through it.
    hosts : tuple of str
        Addresses under which other devices reach this desk; empty where only this machine does.
    warm : bool
        Whether the CAD kernel is loaded before a solid is asked for.
    """

    def __init__(
        self, workshop: "Workshop", hosts: tuple[str, ...] = (), *, warm: bool = True
    ) -> None:
        self.workshop = workshop
        self.hosts = hosts
        self.entrance = Entrance()
        self.pictures = Pictures()
        self.solids = Solids(early=warm)
        self.work = Work()
        self.remembered = Remembered()
        self._pages = _environment()

    def render(self, request: Request, template: str, data: Mapping[str, Any]) -> str:
        """Return a page as HTML."""
        state = request.state
        common = {
            "token": state.token,
            "session_known": bool(state.session),
            "local": state.local,
            "told": TOLD.get(request.query_params.get("told", ""), ""),
            "here": "",
            "who": None,
        }
        return self._pages.get_template(template).render({**common, **data})

    def close(self) -> None:
        """Stop what still runs."""
        self.work.close()
        self.solids.close()


def _environment() -> "Environment":
    pages = templates("calib.desk", "templates")
    pages.globals.update(
        icon=icon,
        static=_address,
        word=word,
        problem=says.problem,
        explained=explained,
        safety=SAFETY,
    )
    return pages


def _address(name: str) -> str:
    """Return the address of a static file; a new version has another one."""
    return f"/static/{name}?v={static_files()[name].version}"
