"""The part of the workshop for using what was found: values to set, corrected files."""

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from calib.workshop.base import Base, who_of
from calib.workshop.results import Named

if TYPE_CHECKING:
    from calib.apply.limits import Limits
    from calib.model.place import Place
    from calib.workshop.applying import Applied, FileOptions, ToSet


class UsingPart(Base):
    """The part of the workshop that puts corrections to use.

    `named` is printer, nozzle and spool by name, where the store leaves a choice.
    """

    def values(
        self,
        places: "Mapping[Place, Sequence[str]] | None" = None,
        **named: Unpack[Named],
    ) -> "ToSet":
        """Return what is to be set and what goes into files.

        Parameters
        ----------
        places : mapping
            Place -> settings, or topics such as ``scale``, that take effect there from now on;
            `say_places` keeps that.
        """
        from calib.workshop import applying

        return applying.to_set(self.store(), who_of(**named), places or {})

    def in_use(
        self,
        places: "Mapping[Place, Sequence[str]] | None" = None,
        *,
        by_hand: bool = False,
        **named: Unpack[Named],
    ) -> "ToSet":
        """Return `values`, or the limits alone where numbers are given by hand and nothing is named.

        The limits are those of the printer that is meant: the store's only one where none is named.
        """
        from calib.workshop import applying

        if any(named.values()) or any((places or {}).values()) or not by_hand:
            return self.values(places, **named)
        store = self.store_if_any()
        known = store.printers() if store is not None else []
        return applying.ToSet(limits=applying.limits_of(known[0])) if len(known) == 1 else applying.ToSet()  # fmt: skip

    def say_places(self, found: "ToSet") -> AbstractContextManager[None]:
        """Keep where settings take effect, as was asked of `values`, if what is done within succeeds."""
        from calib.workshop import applying

        return applying.keeping_places(self.store() if found.said else None, found)

    def say_set(
        self,
        *settings: str,
        **named: Unpack[Named],
    ) -> "ToSet":
        """Say that settings, or topics such as ``scale``, are set in the printer now."""
        from calib.model.place import Place

        found = self.values({Place.PRINTER: settings}, **named)
        with self.say_places(found):
            return found

    def apply(
        self,
        file: Path | str,
        out: Path | str | None = None,
        *,
        force: bool = False,
        how: "FileOptions | None" = None,
        **named: Unpack[Named],
    ) -> "Applied":
        """Write a corrected copy of a model or a sliced file; nothing is corrected twice."""
        from calib.workshop import applying

        how = how or applying.FileOptions()
        target = applying.target_of(
            Path(file), None if out is None else Path(out),
            may_replace=force or how.dry_run, again=how.again,
        )  # fmt: skip
        found = self.values(**named)
        return applying.correct(self.store(), Path(file), target, found, found.limits, {}, how)

    def correct(
        self,
        file: Path,
        target: Path,
        values: "ToSet",
        limits: "Limits",
        given: Mapping[str, float],
        how: "FileOptions",
    ) -> "Applied":
        """Correct one file with values that were looked up and numbers given by hand; see `apply`."""
        from calib.workshop import applying

        store = self.store() if values.who.printer else None
        return applying.correct(store, file, target, values, limits, given, how)
