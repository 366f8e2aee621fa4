"""What `truebead apply` applies: the values of a profile, where they take effect, the printer's limits."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from calib.apply.applied import with_places
from calib.apply.limits import Limits, parse_point
from calib.apply.values import Value, spell
from calib.commands.common import build_volume
from calib.errors import BadInput
from calib.model.correction import Verdict
from calib.model.place import Place, check_place, named, neutral

if TYPE_CHECKING:
    from calib.store.placing import Saying
    from calib.store.records import InForce, Printer

Names = tuple[str | None, str | None, str | None, str | None]  # printer, nozzle, spool, store


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What is in force for a printer, nozzle and spool; everything empty where none is used."""

    values: tuple[Value, ...] = ()
    limits: Limits = field(default_factory=Limits)
    printer: str = ""
    spool: str = ""
    store: str | None = None
    said: "tuple[Saying, ...]" = ()
    told: tuple[str, ...] = ()


def read_profile(names: Names, wanted: Mapping[Place, Sequence[str]]) -> Profile:
    """Look up a profile, with where settings take effect from now on; nothing is written yet.

    Sizes, skew, offset and flow count as long as they are in force. Of the rest only what was found
    to be worth a change does; nothing that an event has made stale does.

    Parameters
    ----------
    wanted : mapping
        Place -> names of settings or topics that take effect there from now on.
    """
    from calib.store import open_store
    from calib.store.placing import Saying

    printer, nozzle, spool, where = names
    with open_store(where, make=False) as opened:
        known, reel = opened.printer(printer), opened.spool(spool)
        found = opened.in_force(known.name, nozzle, reel.name)
        said = _said(wanted, found)
    value = {v.setting: v.value for v in found}
    for setting, place in said.items():
        check_place(setting, place)
    values = with_places([_value(v) for v in found if _counts(v)], said)
    told = [_told(s, p, value[s]) for s, p in said.items()]
    return Profile(
        values=tuple(values), limits=limits_of(known), printer=known.name, spool=reel.name,
        store=where, said=tuple(Saying(s, p, value[s]) for s, p in said.items()), told=tuple(told),
    )  # fmt: skip


def claimed(profile: Profile, used: Sequence[Value], place: Place) -> tuple[str, ...]:
    """Return the settings that go into this file by themselves: from now on into such files only."""
    return tuple(v.setting for v in used if v.place and not v.said) if profile.printer else ()


@contextmanager
def keeping_places(
    profile: Profile, used: Sequence[Value] = (), place: Place = Place.PRINTER
) -> Iterator[None]:
    """Keep where settings take effect, if what is done meanwhile succeeds: else nothing is kept.

    Raises
    ------
    ChangedMeanwhile
        Somebody put one elsewhere a moment ago; the file would be corrected twice.
    """
    from calib.store import open_store
    from calib.store.placing import Saying

    mine = claimed(profile, used, place)
    words = [Saying(v.setting, place, v.new, unless_said=True) for v in used if v.setting in mine]
    words += profile.said
    if not words:
        yield
        return
    with (
        open_store(profile.store, make=False) as opened,
        opened.saying(words, printer=profile.printer, spool=profile.spool),
    ):
        yield


def claim_line(claims: Sequence[str], place: Place) -> str:
    """Say what a file has claimed."""
    other = "models" if place is Place.GCODE else "G-code"
    here = "G-code" if place is Place.GCODE else "models"
    return f"From now on put into {here}, not into {other}: {', '.join(claims)}"


def _said(wanted: Mapping[Place, Sequence[str]], found: "Sequence[InForce]") -> dict[str, Place]:
    said: dict[str, Place] = {}
    for place, names in wanted.items():
        option = f"--in-{place}"
        for setting in named(names, [v.setting for v in found if v.value is not None], option):
            if said.get(setting, place) is not place:
                raise BadInput(f"{setting} is put in two places", where=option, mend="choose one")
            said[setting] = place
    return said


def _told(setting: str, place: Place, value: float | None) -> str:
    """Say what follows from where a setting takes effect."""
    what = f"{setting} {spell(setting, value)}"
    if place is Place.PRINTER:
        return (
            f"{what} is set in the printer or the slicing settings: calibration pieces are printed"
            " with it, and files go without. Files that were corrected with it are to be made anew."
        )
    kind = "models" if place is Place.MODELS else "G-code"
    return (
        f"{what} is put into {kind}: set {spell(setting, neutral(setting))} in the printer and the"
        " slicing settings, else it is corrected twice. Calibration pieces are printed without it."
    )


def _counts(v: "InForce") -> bool:
    if v.value is None or v.stale:
        return False
    rest = neutral(v.setting)
    if rest is not None:
        return v.value != rest
    return v.source.correction.verdict == Verdict.APPLY


def _value(v: "InForce") -> Value:
    assert v.value is not None
    return Value(
        setting=v.setting,
        old=v.source.correction.old if neutral(v.setting) is None else neutral(v.setting),
        new=v.value,
        unit=v.unit,
        place=v.place,
        said=v.place_said is not None,
        is_set=v.is_set,
    )


def with_given(values: Sequence[Value], options: Mapping[str, float | None]) -> list[Value]:
    """Return values with the numbers given as options in the place of their own."""
    given = [
        Value(
            setting=name,
            old=neutral(name),
            new=new,
            unit="deg" if name.endswith("deg") else "%",
        )
        for name, new in options.items()
        if new is not None
    ]
    instead = {v.setting for v in given}
    return [v for v in values if v.setting not in instead] + given


def limits_of(known: "Printer") -> Limits:
    """Return what a printer must not be asked to pass."""
    return Limits(
        hot_end_max_c=known.hot_end_max_c,
        bed_max_c=known.bed_max_c,
        build_x_mm=known.build_x_mm,
        build_y_mm=known.build_y_mm,
        build_z_mm=known.build_z_mm,
    )


def with_limits(
    limits: Limits, build: str, origin: str, hot_end_max_c: float | None, bed_max_c: float | None
) -> Limits:
    """Return limits with those given as options in the place of their own."""
    if build:
        x, y, z = build_volume(build)
        limits = replace(limits, build_x_mm=x, build_y_mm=y, build_z_mm=z)
    if origin:
        x, y, z = parse_point(origin, "--origin")
        limits = replace(limits, origin_x_mm=x, origin_y_mm=y, origin_z_mm=z)
    if hot_end_max_c is not None:
        limits = replace(limits, hot_end_max_c=hot_end_max_c)
    if bed_max_c is not None:
        limits = replace(limits, bed_max_c=bed_max_c)
    return limits
