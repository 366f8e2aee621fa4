"""What is to be set, where each correction takes effect, and files corrected with the rest."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.apply.applied import for_file, with_places
from calib.apply.limits import Limits
from calib.apply.source import refuse_target
from calib.apply.values import Heading, Value
from calib.errors import BadInput
from calib.files import refuse_odd
from calib.model.correction import Verdict
from calib.model.place import Place, check_place, named, neutral
from calib.model.setting import kept_setting, plausible
from calib.workshop.context import who_in_store
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.apply.applied import Needed
    from calib.apply.gcode.check import Check
    from calib.apply.gcode.job import Job
    from calib.files import Around
    from calib.store.places import Saying
    from calib.store.records import Printer, ProfileValue
    from calib.store.store import Store

#: Suffixes of files that can be corrected.
GCODE = (".gcode", ".gco", ".g", ".nc", ".ngc")
MODELS = (".stl", ".3mf")
#: What a corrected file is called by default, and known by when it is given again.
MARK = ".corrected"
_SHOWN_CHANGES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ToSet:
    """What is in force for a printer, nozzle and spool; everything empty where none is used.

    Attributes
    ----------
    said : sequence of Saying
        Where settings take effect from now on, once that is written down.
    told : lines
        What follows from where settings were just said to take effect.
    """

    values: tuple[Value, ...] = ()
    limits: Limits = field(default_factory=Limits)
    who: Who = field(default_factory=Who)
    said: "tuple[Saying, ...]" = ()
    told: tuple[str, ...] = ()

    @property
    def heading(self) -> Heading:
        """Whose values they are, and that they are of today."""
        who = self.who
        today = f"{datetime.now().astimezone():%Y-%m-%d}" if who.printer else ""
        return Heading(printer=who.printer, nozzle=who.nozzle, spool=who.spool, date=today)


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """A file that was corrected, or would be.

    Attributes
    ----------
    written : Path or None
        Where the corrected file is; None where nothing was to be written.
    lines : lines
        The summary for people; `data` is the same for machines.
    claimed : sequence of str
        Settings that are put into such files from now on, since they went into this one.
    """

    file: Path
    written: Path | None
    lines: tuple[str, ...]
    data: Mapping[str, Any]
    claimed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FileOptions:
    """How a file is to be corrected; what is for G-code alone is refused for a model.

    Attributes
    ----------
    centre_mm : (x, y, z) or None
        Point that stays; None: the middle of the bed.
    line : str
        The user's own line for the schedule's one setting, with {value} in it.
    e_in_g91 : str
        How the printer reads E under G91 without M83: ``relative``, ``absolute``; empty: not known.
    step : callable or None
        Told how many bytes are done.
    """

    schedule: Path | None = None
    centre_mm: tuple[float, float, float] | None = None
    line: str = ""
    e_in_g91: str = ""
    wait: bool = False
    check: bool = False
    again: bool = False
    dry_run: bool = False
    step: Callable[[int], None] | None = None


def to_set(store: "Store", asked: Who, wanted: Mapping[Place, Sequence[str]]) -> ToSet:
    """Look up a profile, with where settings take effect from now on; nothing is written yet.

    Sizes, skew, offset and flow count as long as they are in force. Of the rest only what was found
    to be worth a change does; nothing that an event has made stale does.

    Parameters
    ----------
    wanted : mapping
        Place -> names of settings or topics that take effect there from now on.
    """
    from calib.store.places import Saying

    who = who_in_store(store, asked)
    found = store.in_force(who.printer, who.nozzle, who.spool)
    said = _said(wanted, found)
    value = {v.setting: v.value for v in found}
    for setting, place in said.items():
        check_place(setting, place)
    return ToSet(
        values=tuple(with_places([value_of(v) for v in found if _counts(v)], said)),
        limits=limits_of(store.printer(who.printer)),
        who=who,
        said=tuple(Saying(s, p, value[s]) for s, p in said.items()),
        told=tuple(_told(said, value)),
    )


@contextmanager
def keeping_places(store: "Store | None", found: ToSet) -> Iterator[None]:
    """Keep where settings take effect, if what is done meanwhile succeeds: else nothing is kept."""
    if not found.said or store is None:
        yield
        return
    with store.saying(found.said, printer=found.who.printer, spool=found.who.spool):
        yield


def _claiming(store: "Store | None", found: ToSet, used: Sequence[Value], place: Place) -> "Around":
    """Return what keeps where settings take effect together with the file that they went into.

    It raises `ChangedMeanwhile` where somebody put one elsewhere a moment ago: the file would be
    corrected twice, and is not written.
    """
    if store is None:
        return None
    from calib.store.places import Saying

    mine = _claims(found, used)
    words = [Saying(v.setting, place, v.new, unless_said=True) for v in used if v.setting in mine]
    words += found.said
    if not words:
        return None
    who = found.who
    return lambda draft, target: store.claiming(
        words, draft, target, printer=who.printer, spool=who.spool
    )


def _claims(found: ToSet, used: Sequence[Value]) -> tuple[str, ...]:
    """Return the settings that go into a file by themselves: from now on into such files only."""
    return tuple(v.setting for v in used if v.place and not v.said) if found.who.printer else ()


def _said(
    wanted: Mapping[Place, Sequence[str]], found: "Sequence[ProfileValue]"
) -> dict[str, Place]:
    said: dict[str, Place] = {}
    for place, names in wanted.items():
        option = f"--in-{place}"
        for setting in named(names, [v.setting for v in found if v.value is not None], option):
            if said.get(setting, place) is not place:
                raise BadInput(f"{setting} is put in two places", where=option, mend="choose one")
            said[setting] = place
    return said


def _told(said: Mapping[str, Place], value: Mapping[str, float | None]) -> Iterator[str]:
    """Say what follows from where settings take effect, once for each place."""
    for place in dict.fromkeys(said.values()):
        here = [s for s, p in said.items() if p is place]
        now = ", ".join(kept_setting(s).said(value[s]) for s in here)
        if place is Place.PRINTER:
            yield (
                f"Set in the printer or the slicing settings: {now}. Calibration pieces are printed with"
                " it, files go without; files that were corrected with it are to be made anew."
            )
            continue
        kind = "models" if place is Place.MODELS else "G-code"
        neutral_now = ", ".join(kept_setting(s).said(neutral(s)) for s in here)
        yield (
            f"Put into {kind}: {now}. Have {neutral_now} in the printer and the slicing settings, else"
            " it is corrected twice. Calibration pieces are printed without."
        )


def _counts(v: "ProfileValue") -> bool:
    if v.value is None or v.stale:
        return False
    rest = neutral(v.setting)
    if rest is not None:
        return v.value != rest
    return v.source.correction.verdict == Verdict.APPLY


def value_of(v: "ProfileValue") -> Value:
    """Return a value in force with where it takes effect, as what is shown, typed in or put into files."""
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


def given_numbers(*numbers: float | None) -> dict[str, float]:
    """Return setting -> number for scale X, Y, Z, skew XY, XZ, YZ and flow, without those not given.

    Raises
    ------
    BadInput
        A number makes no sense; the message names its option.
    """
    names = (
        *(f"scale_{a}_percent" for a in "xyz"), *(f"skew_{p}_deg" for p in ("xy", "xz", "yz")),
        "flow_percent",
    )  # fmt: skip
    found = {s: n for s, n in zip(names, numbers, strict=True) if n is not None}
    for name, number in found.items():
        option = "-".join(name.split("_")[:-1])  # scale_x_percent is given by --scale-x
        plausible(name, number, where=f"--{option}")
    return found


def with_given(values: Sequence[Value], given: Mapping[str, float]) -> list[Value]:
    """Return values with the numbers given by hand in the place of their own.

    Parameters
    ----------
    given : mapping
        Setting -> number, such as ``scale_x_percent`` -> 100.3.
    """
    instead = [Value(setting=s, old=neutral(s), new=new) for s, new in given.items()]
    return [v for v in values if v.setting not in given] + instead


def limits_of(known: "Printer") -> Limits:
    """Return what a printer must not be asked to pass."""
    return Limits(
        hot_end_max_c=known.hot_end_max_c,
        bed_max_c=known.bed_max_c,
        build_x_mm=known.build_x_mm,
        build_y_mm=known.build_y_mm,
        build_z_mm=known.build_z_mm,
    )


def with_limits(limits: Limits, given: Mapping[str, float]) -> Limits:
    """Return limits with those given laid over them; a rating that is given only tightens."""
    numbers: dict[str, Any] = dict(given)
    for rating in ("hot_end_max_c", "bed_max_c"):
        kept = getattr(limits, rating)
        if rating in numbers and kept is not None:
            numbers[rating] = min(numbers[rating], kept)
    return replace(limits, **numbers)


def target_of(file: Path, out: Path | None, *, may_replace: bool, again: bool) -> Path:
    """Return where to write; a file that was written here is not taken a second time.

    Raises
    ------
    BadInput
        The file was corrected before, or the result would replace something.
    """
    refuse_odd(file)
    if file.stem.endswith(MARK) and not again:
        raise BadInput(
            "the file has been corrected before, and would be corrected twice",
            where=str(file),
            mend="start from the original, or insist with --again",
        )
    target = out or file.with_name(f"{file.stem}{MARK}{file.suffix}")
    refuse_target(target)
    if target.is_dir():
        target = target / file.name
    if target.suffix.lower() != file.suffix.lower():
        raise BadInput(
            f"the result is a {file.suffix} like its source", where=str(target), mend="name it so"
        )
    if target.exists() and target.samefile(file):
        raise BadInput(
            "the result would replace its source", where=str(target), mend="choose another --out"
        )
    if target.exists() and not may_replace:
        raise BadInput("the file is there already", where=str(target), mend="add --force")
    return target


def correct(
    store: "Store | None", file: Path, target: Path, settings: ToSet, limits: Limits,
    given: Mapping[str, float], how: FileOptions,
) -> Applied:  # fmt: skip
    """Correct one file with the values in force and those given by hand.

    That what went into it by itself goes into such files from now on is kept together with the file:
    both, or neither.

    Raises
    ------
    BadInput
        Files of this kind can't be corrected, or an option is for another kind of file.
    """
    kind = file.suffix.lower()
    kept = settings.values if how.schedule is None else ()  # a calibration piece goes without
    values = with_given(kept, given)
    if kind in GCODE:
        place, write = Place.GCODE, _gcode
    elif kind in MODELS:
        _refuse_for_model(how, given)
        place, write = Place.MODELS, _model
    else:
        raise BadInput(
            f"files named *{kind} can't be corrected",
            where=str(file),
            mend=f"give one of {', '.join(GCODE + MODELS)}",
        )
    needed = for_file(values, gcode=place is Place.GCODE)
    claiming = _claiming(store, settings, needed.used, place)
    applied = write(file, target, needed, limits, how, claiming)
    claimed = () if how.dry_run or store is None else _claims(settings, needed.used)
    return replace(applied, claimed=claimed)


def _gcode(
    file: Path, target: Path, needed: "Needed", limits: Limits, how: FileOptions, claiming: "Around"
) -> Applied:
    from calib.apply.gcode.stream import rewrite_file
    from calib.apply.summary import gcode_data, tell_gcode

    job = _job(needed, limits, how)

    def verify(path: Path) -> "list[Check]":
        return _compare(file, path, job)

    result = rewrite_file(
        file,
        None if how.dry_run else target,
        job,
        show=_SHOWN_CHANGES if how.dry_run else 0,
        again=how.again,
        step=how.step or (lambda _: None),
        verify=verify if how.check else None,
        around=claiming,
    )
    written = None if how.dry_run else target
    return Applied(
        file=file,
        written=written,
        lines=tuple(tell_gcode(file, job, needed, result)),
        data=gcode_data(file, written, job, needed, result),
    )


def _job(needed: "Needed", limits: Limits, how: FileOptions) -> "Job":
    from calib.apply.gcode.job import Job
    from calib.apply.schedule_file import read_schedule

    return Job(
        matrix=needed.matrix,
        centre_mm=how.centre_mm or limits.middle_mm,
        flow=needed.flow,
        schedule=read_schedule(how.schedule, any_setting=bool(how.line)) if how.schedule else (),
        line=how.line,
        e_in_g91=how.e_in_g91,
        limits=limits,
        wait=how.wait,
    )


def line_words(how: FileOptions) -> list[str]:
    """Say how a line of the user's own goes in, before it is written."""
    from calib.apply.gcode.schedule import filled
    from calib.apply.schedule_file import read_schedule

    if not (how.line and how.schedule):
        return []
    rows = read_schedule(how.schedule, any_setting=True)
    shown = [f"  from {r.z_from_mm:g} mm: {filled(how.line, r.value)}" for r in rows]
    return ["Your own line goes in like this; make sure that it means what you want:", *shown]


def _compare(old: Path, new: Path, job: "Job") -> "list[Check]":
    from calib.apply.gcode.check import compare

    with (
        old.open(encoding="utf-8", errors="surrogateescape") as before,
        new.open(encoding="utf-8", errors="surrogateescape") as after,
    ):
        return compare(before, after, job)


def _refuse_for_model(how: FileOptions, given: Mapping[str, float]) -> None:
    """Refuse what only a sliced file can take."""
    wrong = {
        "--schedule": how.schedule is not None,
        "--line": bool(how.line),
        "--check": how.check,
        "--flow": "flow_percent" in given,
    }
    for option, is_given in wrong.items():
        if is_given:
            raise BadInput(
                "only a sliced file can take this", where=option, mend="give the G-code instead"
            )


def _model(
    file: Path, target: Path, needed: "Needed", limits: Limits, how: FileOptions, claiming: "Around"
) -> Applied:
    from calib.apply.mesh import map_stl
    from calib.apply.summary import model_data, model_notes, tell_model
    from calib.apply.threemf import map_3mf
    from calib.files import scratch

    convert = map_stl if file.suffix.lower() == ".stl" else map_3mf
    if how.dry_run:
        with scratch() as folder:
            moved = convert(file, folder / file.name, needed.matrix, again=how.again)
    else:
        moved = convert(file, target, needed.matrix, again=how.again, around=claiming)
    written = None if how.dry_run else target
    notes = model_notes(file, needed, moved, limits)
    return Applied(
        file=file,
        written=written,
        lines=tuple(tell_model(needed, moved, notes)),
        data=model_data(file, written, needed, moved, notes),
    )
