"""The desk's hands on the workshop: what the pages ask of it, in the pages' own terms."""

import multiprocessing
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING, Any, TypeVar

from calib.safety import SAFETY
from calib.workshop import folders, making, measuring
from calib.workshop.results import Named, Who

if TYPE_CHECKING:
    from calib.model.correction import Correction
    from calib.profile.influence import Rests
    from calib.store.records import KeptCorrection, ProfileValue, Series, Spool
    from calib.workshop.measuring import Measuring, Standing
    from calib.workshop.workshop import Workshop
    from patterns.piece import Piece
    from patterns.print_cost import PrintCost

Answer = TypeVar("Answer")

#: Readings that a sheet of the desk has room for; one is asked for.
ROOM = 3
#: Pieces whose files are kept in memory, about a megabyte each.
_MOST_SOLIDS = 6


def names(who: Who) -> Named:
    """Return printer, nozzle and spool as the workshop takes them: None means the only one."""
    return Named(printer=who.printer or None, nozzle=who.nozzle or None, spool=who.spool or None)


def laid_out(
    shop: "Workshop", pieces: Sequence[tuple[str, Mapping[str, float | str]]], who: Who
) -> "list[Piece | None]":
    """Lay pieces out for a printer, nozzle and spool, without making anything.

    Parameters
    ----------
    pieces : sequence of (pattern, parameters)

    Returns
    -------
    list
        None in the place of one that the printer can't build.
    """
    from calib.errors import SpecError

    known = making.make_context(shop.store_if_any(), who)
    setup = making.setup_with(known.setup, {})
    found: list[Piece | None] = []
    for pattern, parameters in pieces:
        try:
            found += making.laid_out([pattern], parameters, known, setup)
        except SpecError:
            found.append(None)
    return found


def cost(shop: "Workshop", piece: "Piece", who: Who) -> "PrintCost | None":
    """Return minutes and grams of a piece; None for a check without plastic."""
    from calib.plan.cost import piece_cost

    if not piece.printed or not who.spool:
        return None
    return piece_cost(
        piece.pattern, piece.spec.as_text(), piece.setup, shop.store().spool(who.spool)
    )


def plates(pieces: "Sequence[Piece]") -> int:
    """Return how many plates some pieces need; BadInput where they can't be put together."""
    from patterns.plate import arrange

    return 1 + max(p.plate for p in arrange(pieces))


def standing(m: "Measuring") -> "tuple[Standing, ...]":
    """Return what stands on the sheet of a piece in work."""
    return measuring.standing(m)


def sheet_page(m: "Measuring") -> str:
    """Return the sheet of a piece as a page to print."""
    made = m.sheet.keys.get("made", "")[:10]
    return folders.page(m.piece, m.sheet.piece_id, made=made, unit=m.sheet.unit, repeats=ROOM)


def kept(shop: "Workshop", sheet_uid: str) -> "list[KeptCorrection]":
    """Return the corrections that were kept of a sheet."""
    return shop.store().of_sheet(sheet_uid) if sheet_uid else []


def in_force(shop: "Workshop", who: Who) -> "list[ProfileValue]":
    """Return the values of a printer, nozzle and spool, without what they rest on."""
    return shop.store().in_force(**names(who))


def rests(shop: "Workshop", who: Who, setting: str) -> "Rests | None":
    """Return what a value rests on; None where the posterior does not know it."""
    found = shop.store().rests(**names(who), only=setting).get(setting)
    return found if found is not None and found.sheets else None


def turned(shop: "Workshop", who: Who) -> set[str]:
    """Return the settings of levelling screws that were found and have been turned since."""
    return {v.setting for v in shop.store().to_do_once(**names(who)) if v.stale}


def spool(shop: "Workshop", name: str) -> "Spool":
    """Return a spool by its name; BadInput where there is none."""
    return shop.store().spool(name or None)


def spool_of(shop: "Workshop", sheet_uid: str) -> str:
    """Return the spool that a kept sheet's piece was printed with."""
    return shop.store().sheet(sheet_uid).spool


def kept_fit(shop: "Workshop", sheet_uid: str) -> dict[str, Any]:
    """Return what the fit said of a kept sheet, as plain data."""
    return shop.store().sheet(sheet_uid).fit if sheet_uid else {}


def chosen(corrections: "Sequence[Correction]") -> "list[Correction]":
    """Return the corrections of which none would correct what another corrects already."""
    from calib.store.keeping import choose

    return [c for c, use in zip(corrections, choose(corrections, ()), strict=True) if use]


def drift(shop: "Workshop", printer: str) -> "list[Series]":
    """Return how each setting of a printer came out over time."""
    return shop.store().drift(printer)


def take_sheet(shop: "Workshop", m: "Measuring", content: bytes) -> int:
    """Write the readings of a filled-in sheet of the same piece into a piece in work; count them.

    Raises
    ------
    BadInput
        The file is no sheet, or that of another piece.
    """
    from calib.errors import SheetError
    from calib.readings import read_table, sheet_of
    from calib.readings.fill import cells
    from calib.readings.fill import content as text_in

    table = read_table(content, "the sheet")
    sheet = sheet_of(table)
    if sheet.piece.pattern != m.piece.pattern or sheet.piece.spec != m.piece.spec:
        raise SheetError(
            f"this is the sheet of another piece ({sheet.piece.pattern} {sheet.piece_id})",
            mend=f"choose the one of {m.sheet.piece_id}",
        )
    room = {(q.feature, q.repeat): q.text for q in m.questions}
    count = 0
    for cell in cells(table, sheet):
        key, text = (cell.feature.id, cell.repeat), text_in(table, cell)
        if text and key in room and room[key] != text:
            shop.enter(m.source, cell.feature.id, text, cell.repeat)
            count += 1
    return count


def lies_on_its_back(piece: "Piece") -> bool:
    """Whether a piece is laid on its side for a photo."""
    from calib.photo.side_views import USUAL_SIDES

    return piece.pattern in USUAL_SIDES


def mat_pdf(paper: str, centre: str) -> tuple[bytes, str]:
    """Return a new mat as PDF, and its name; BadInput where there is no such paper or centre."""
    import secrets

    from calib.photo.mat import SERIALS, Mat
    from calib.photo.mat_draw import mat_pdf as drawn

    mat = Mat(paper, centre, secrets.randbelow(SERIALS))
    return drawn(mat), mat.name


class Solids:
    """The files of the solids that were asked for last, built in a process of their own.

    There the CAD kernel is loaded once, and neither that nor building holds up a page.

    Parameters
    ----------
    early : bool
        Whether the kernel is loaded as soon as a download is in sight.
    """

    def __init__(self, *, early: bool = True) -> None:
        self._early = early
        self._files: OrderedDict[str, dict[str, bytes | str]] = OrderedDict()
        self._lock = threading.Lock()
        self._builder: ProcessPoolExecutor | None = None

    def expect(self) -> None:
        """Load the kernel in the background: a page is shown from which a solid may be asked for."""
        if self._early:
            self._early = False
            threading.Thread(target=lambda: self._building().submit(_warm_up), daemon=True).start()

    def of(self, key: str, piece: "Piece") -> Mapping[str, Any]:
        """Return name -> content for a piece; `key` is the same for the same piece."""
        with self._lock:
            if key in self._files:
                return self._files[key]
        found: dict[str, bytes | str] = {}
        if piece.printed:
            found |= self._elsewhere(_built, piece)
        if piece.schedule:
            from patterns.schedule import schedule_csv

            found["schedule.csv"] = schedule_csv(piece.schedule, SAFETY)
        with self._lock:
            self._files[key] = found
            while len(self._files) > _MOST_SOLIDS:
                self._files.popitem(last=False)
        return found

    def plate(self, pieces: "Sequence[Piece]") -> list[bytes]:
        """Return the plates of some pieces, each as a 3MF."""
        return self._elsewhere(making.plates_of, pieces)

    def _elsewhere(self, do: Callable[..., Answer], *given: Any) -> Answer:
        """Do something there; once more in a new process where the old one was ended from outside."""
        try:
            return self._building().submit(do, *given).result()
        except BrokenProcessPool:
            self.close()
            return self._building().submit(do, *given).result()

    def close(self) -> None:
        """End the process."""
        with self._lock:
            if self._builder is not None:
                self._builder.shutdown(wait=False, cancel_futures=True)
                self._builder = None

    def _building(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._builder is None:
                fresh = multiprocessing.get_context(
                    "spawn"
                )  # forking a server with threads is unsafe
                self._builder = ProcessPoolExecutor(max_workers=1, mp_context=fresh)
            return self._builder


def _built(piece: "Piece") -> dict[str, bytes | str]:
    return making.solids_of(piece)[1]


def _warm_up() -> None:
    """Load the kernel, so that the first download does not wait for it."""
    from patterns import registry, solid
    from patterns.spec import PrintSetup

    solid.build(registry.get("weigh-block").piece({}, PrintSetup()).body)
