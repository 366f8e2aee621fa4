"""Corrections that go into a file: where they take effect from then on is kept with the file, or not at all.

A file takes its place by a rename, a word in the database by a commit, and a kill can come between the two.
Were the word lost, a model that is corrected already would be corrected again as G-code. So it is
written down as a claim before the rename, and made a word after it. What a kill leaves is settled by
whoever opens the store next: the claim holds if the file is in its place.
"""

import hashlib
import os
import platform
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from urllib.parse import quote_from_bytes, unquote_to_bytes

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from calib.store.base import changed_meanwhile
from calib.store.engine import is_read_only
from calib.store.places import Places, Saying, lock, place_row, unsaid
from calib.store.tables import PlaceRow, now
from calib.store.work_tables import ClaimRow

#: How long a rename can take at most: an older claim without its file was left by a kill.
_RENAMED_IN = timedelta(minutes=1)


class Claims(Places):
    """The part of the store that keeps where corrections take effect together with files."""

    @contextmanager
    def claiming(
        self,
        words: Sequence[Saying],
        draft: Path,
        target: Path,
        *,
        printer: str | None = None,
        spool: str | None = None,
    ) -> Iterator[None]:
        """Say where settings take effect, if a draft takes its place meanwhile; see `saying`.

        Raises
        ------
        BadInput, ChangedMeanwhile
            As in `saying`. A claim of somebody's whose file has yet to take its place counts as said.
        """
        self.settle()
        with self._words(words, printer, spool) as (session, row, reel):
            left = unsaid(session, row, reel, words)
            for other in session.scalars(select(ClaimRow).where(ClaimRow.printer_id == row.id)):
                _refuse_other(other, left)
            claim = ClaimRow(
                printer_id=row.id, spool_id=reel.id, words=[w.plain for w in left],
                host=platform.node(), file=_spelt(target.resolve()), sha256=_sha256(draft), by=self.by,
            )  # fmt: skip
            session.add(claim)
            session.flush()
            session.expunge(claim)
        try:
            yield
        except BaseException:  # the file may have taken its place all the same
            self._end(claim, holds=_in_place(claim))
            raise
        self._end(claim, holds=True)

    def settle(self) -> None:
        """Keep the claims whose files are in place, and drop those that a kill has left without.

        Another machine's files can't be looked at: what it claimed is taken to be in place, for a
        correction that is missing shows, and one that is there twice does not.
        """
        if is_read_only(self.engine):
            return
        with self._read() as session:
            found = session.scalars(select(ClaimRow)).all()
        for claim in found:
            is_old = now() - claim.at > _RENAMED_IN
            holds = _in_place(claim) if claim.host == platform.node() else is_old
            if holds or is_old:
                self._end(claim, holds=holds)

    def _end(self, claim: ClaimRow, *, holds: bool) -> None:
        """Make a claim what was said when it was made, or drop it; once only, whoever else does so, too."""
        with self._write() as session:
            lock(session, claim.printer_id)
            session.execute(delete(ClaimRow).where(ClaimRow.id == claim.id))
            for word in claim.words if holds else ():
                if not _is_said(session, claim, word["setting"]):
                    used = {"at": claim.at, "by": claim.by}
                    session.add(place_row(claim.printer_id, claim.spool_id, word, **used))


def _is_said(session: Session, claim: ClaimRow, setting: str) -> bool:
    """Whether a claim's word has been written down by somebody who settled it."""
    same = select(PlaceRow.id).where(
        PlaceRow.printer_id == claim.printer_id,
        PlaceRow.setting == setting,
        PlaceRow.at == claim.at,
    )
    return session.scalar(same) is not None


def _refuse_other(other: ClaimRow, words: Sequence[Saying]) -> None:
    claimed = {w["setting"]: w["place"] for w in other.words}
    for word in words:
        if word.unless_said and claimed.get(word.setting, word.place) != word.place:
            raise changed_meanwhile(f"where {word.setting} takes effect")


def _spelt(path: Path) -> str:
    """Return a path as text that any database holds, whatever bytes its name has."""
    return quote_from_bytes(os.fsencode(path))


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _in_place(claim: ClaimRow) -> bool:
    try:
        return _sha256(Path(os.fsdecode(unquote_to_bytes(claim.file)))) == claim.sha256
    except OSError:
        return False
