"""Pictures of pieces, drawn once and kept while there is room."""

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.desk.close_up import CloseUp
    from patterns.piece import Piece

#: Pieces whose pictures are kept, a few hundred kilobytes each.
MOST = 60


@dataclass(frozen=True, slots=True)
class Drawn:
    """The pictures of one piece.

    Attributes
    ----------
    views : mapping
        View -> its SVG document.
    places : mapping
        View -> (x, y, width, height) of that document in the units of the close-ups.
    close_ups : mapping
        Feature -> where the jaws go.
    """

    views: dict[str, str]
    places: dict[str, tuple[float, float, float, float]]
    close_ups: "dict[str, CloseUp]"


class Pictures:
    """The pictures of the pieces that were asked for last."""

    def __init__(self) -> None:
        self._drawn: OrderedDict[str, Drawn] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, key: str, piece: "Piece") -> Drawn:
        """Return a piece's pictures; `key` is the same for the same piece."""
        with self._lock:
            if key in self._drawn:
                self._drawn.move_to_end(key)
                return self._drawn[key]
        drawn = _draw(piece)
        with self._lock:
            self._drawn[key] = drawn
            while len(self._drawn) > MOST:
                self._drawn.popitem(last=False)
        return drawn


def _draw(piece: "Piece") -> Drawn:
    if not piece.printed:
        return Drawn({}, {}, {})
    from calib.desk.close_up import close_ups, place_of, view_picture, views_of
    from patterns.preview import preview_mesh

    mesh = preview_mesh(piece.body)
    frames = views_of(piece, mesh)
    return Drawn(
        views={name: view_picture(mesh, shown) for name, shown in frames.items()},
        places={name: place_of(shown) for name, shown in frames.items()},
        close_ups=close_ups(piece, mesh),
    )
