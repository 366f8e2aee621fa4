"""Bed: turns of each levelling screw, the gap of the first layer, and what levelling can't mend."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.errors import SheetError
from calib.fit.bed import FLAT_ENOUGH_MM, PITCHES_MM, BedFit, Screw, Turn, fit_bed, turns
from calib.fit.doubts import effect, with_more
from calib.fit.linear import NotDetermined
from calib.interpret.common import (
    Measured,
    doubtful_repeats,
    estimate_words,
    measured,
    outlying_rows,
    plus_minus,
    residual,
    stand_out,
    zero_of,
)
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context, Finding, Suspect
from calib.model.correction import Correction, Verdict, judge
from calib.model.instrument import Instrument
from calib.model.setting import screw_turns
from calib.model.setting import setting as known_setting
from calib.readings import Sheet
from calib.safety import SAFETY
from patterns.feature import Feature
from patterns.shapes.bed_patches import usual_screws

_SMALLEST_TURN_MM = 0.02
_WANTED_MM = 0.08
_USUAL_THREAD = "M4"


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.group == "patch"


def applies(sheet: Sheet) -> bool:
    """Whether patches all over the bed were measured."""
    return len(measured(sheet, reads)) >= 3


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Fit a plane through the patches and turn it into screws."""
    caliper = context.instruments["caliper"]
    patches = measured(sheet, reads)
    zero, u_zero = zero_of(sheet, caliper)
    bed, patches, aside = _robust(sheet, patches, zero, u_zero, caliper)
    screws, assumed = _screws(sheet)
    todo = turns(bed, screws)
    nominal = patches[0].feature.nominal
    corrections = [_turn_correction(t, bed) for t in todo]
    corrections.append(_gap_correction(context, bed, nominal))
    return Finding(
        topic="bed",
        estimates=tuple([*bed.fit.estimates, bed.warp_range_mm, *([bed.bow] if bed.bow else [])]),
        corrections=tuple(corrections),
        suspects=(*aside, *doubtful_repeats(patches, caliper)),
        residuals=tuple(
            residual(m, m.mean - zero - float(left), m.u(caliper), m.mean - zero)
            for m, left in zip(patches, bed.warp, strict=True)
        ),
        summary=tuple(_summary(bed, todo, assumed)),
        why=tuple(_why(bed, todo, u_zero, caliper)),
        evidence=_plain(patches, bed, todo, zero),
    )


def _robust(
    sheet: Sheet, patches: list[Measured], zero: float, u_zero: float, caliper: Instrument
) -> tuple[BedFit, list[Measured], list[Suspect]]:
    """Fit the plane, and once more without the patches that do not belong with the others."""
    first = _fit(sheet, patches, zero, u_zero, caliper)
    rows = outlying_rows(first.plane, range(len(patches)))
    if not rows or len(patches) - len(rows) < 4:  # of fewer none can be told to be the wrong one
        return first, patches, []
    kept = [m for i, m in enumerate(patches) if i not in rows]
    bed = _fit(sheet, kept, zero, u_zero, caliper, first.middle)
    found: list[Suspect] = []
    for i in rows:
        place = _middle(patches[i].feature)
        with_it, without = first.height_at(*place), bed.height_at(*place)
        words = effect(with_it, without, 3)
        found += stand_out(patches[i], without.value + zero, words)
    return bed, kept, found


def _fit(
    sheet: Sheet,
    patches: list[Measured],
    zero: float,
    u_zero: float,
    caliper: Instrument,
    middle: tuple[float, float] | None = None,
) -> BedFit:
    place = [_middle(m.feature) for m in patches]
    try:
        return fit_bed(
            np.array([p[0] for p in place]),
            np.array([p[1] for p in place]),
            np.array([m.mean - zero for m in patches]),
            np.array([m.u(caliper) for m in patches]),
            u_zero,
            middle,
        )
    except NotDetermined:
        raise SheetError(
            "the patches measured lie on one line: they fix no plane",
            where=sheet.name,
            mend="measure a patch away from that line",
        ) from None


def _middle(f: Feature) -> tuple[float, float]:
    return (f.start[0] + f.end[0]) / 2, (f.start[1] + f.end[1]) / 2


def _screws(sheet: Sheet) -> tuple[list[Screw], str]:
    """Return the levelling screws, and in words what was assumed about them."""
    thread = sheet.keys.get("screw_thread", "").strip().upper()
    text = sheet.keys.get("screws_mm", "").strip()
    if thread and thread not in PITCHES_MM:
        raise SheetError(
            f"# screw_thread: {thread!r} is not known",
            where=sheet.name,
            mend=f"write one of {', '.join(PITCHES_MM)} (ISO 261 coarse)",
        )
    places = _places(sheet, text) if text else list(usual_screws(sheet.piece.setup))
    pitch = PITCHES_MM[thread or _USUAL_THREAD]
    setup = sheet.piece.setup
    screws = [
        Screw(name=_name(x, y, setup.build_x_mm, setup.build_y_mm), x_mm=x, y_mm=y, pitch_mm=pitch)
        for x, y in places
    ]
    if len({s.name for s in screws}) < len(screws):
        screws = [
            Screw(name=f"{s.name} {i + 1}", x_mm=s.x_mm, y_mm=s.y_mm, pitch_mm=pitch)
            for i, s in enumerate(screws)
        ]
    assumed = []
    if not text:
        assumed.append(
            "four screws near the bed's corners, as on its picture (# screws_mm: 25,25; ...)"
        )
    if not thread:
        assumed.append(f"thread {_USUAL_THREAD}, {pitch:g} mm a turn (# screw_thread: M3)")
    return screws, " and ".join(assumed)


def _places(sheet: Sheet, text: str) -> list[tuple[float, float]]:
    found = []
    for pair in text.split(";"):
        words = pair.replace(",", " ").split()
        try:
            x, y = (float(w) for w in words)
        except ValueError:
            raise SheetError(
                f"# screws_mm: {pair.strip()!r} is not a place",
                where=sheet.name,
                mend="write x,y of each screw in bed coordinates, as 25,25; 195,25; 110,195",
            ) from None
        found.append((x, y))
    if len(found) < 3:
        raise SheetError(
            f"# screws_mm: {len(found)} screws can't level a bed",
            where=sheet.name,
            mend="give at least three",
        )
    return found


def _name(x: float, y: float, wide: float, deep: float) -> str:
    depth = "front" if y < 0.35 * deep else "back" if y > 0.65 * deep else "middle"
    side = "left" if x < 0.35 * wide else "right" if x > 0.65 * wide else "centre"
    return f"{depth} {side}"


def _turn_correction(turn: Turn, bed: BedFit) -> Correction:
    verdict = judge(turn.raise_mm, _SMALLEST_TURN_MM, _WANTED_MM)
    size = f"{turn.words} (± {turn.raise_mm.expanded():.3f} mm)"
    reasons = {
        Verdict.APPLY: size,
        Verdict.LEAVE: f"{turn.screw.name}: within {turn.raise_mm.expanded():.3f} mm of level, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: too uncertain; {_surer(bed)}",
    }
    return corrected(
        screw_turns(turn.screw.name).name,
        None,
        turn.turns.value,
        turn.raise_mm,
        verdict,
        reasons[verdict],
        f"{len(bed.warp)} patches",
        u_new=turn.turns.u,
    )


def _surer(bed: BedFit) -> str:
    if bed.levelling_is_enough is False:
        return "the bed itself is not flat, more readings won't help"
    return "read each patch three times"


def _gap_correction(context: Context, bed: BedFit, nominal: float) -> Correction:
    height = bed.height_at(*bed.middle, name="first_layer")
    error = replace(height, value=height.value - nominal)
    rise = known_setting("first_layer_gap_mm")
    verdict = judge(error, rise.step, rise.wanted)
    size = (
        f"at the middle the patches are {abs(error.value):.3f} mm"
        f" {'thick' if error.value > 0 else 'thin'} (± {error.expanded():.3f} mm)"
    )
    reasons = {
        Verdict.APPLY: f"{size}: bring the nozzle {'closer' if error.value > 0 else 'higher'} by that,"
        " after the screws",
        Verdict.LEAVE: f"{size}: not distinguishable from right, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: too uncertain; close the caliper's jaws and write what it"
        " shows as # jaws_closed_mm:",
    }
    old = context.now.get(rise.name, 0.0)
    evidence = f"the mean of {len(bed.warp)} patches"
    return corrected(rise.name, old, old - error.value, error, verdict, reasons[verdict], evidence)


def _summary(bed: BedFit, todo: Sequence[Turn], assumed: str) -> list[str]:
    tilt = float(np.ptp([t.raise_mm.value for t in todo]))
    lines = [f"From screw to screw the bed is {tilt:.3f} mm out of level. {_fate(bed)}"]
    if bed.bow is not None and abs(bed.bow.value) > max(bed.bow.expanded(), 0.03):
        shape = "hollow" if bed.bow.value > 0 else "domed"
        lines.append(f"It is {shape} by {plus_minus(bed.bow)} from the middle to the corners.")
    if assumed:
        lines.append(f"Taken for granted: {assumed}.")
    lines.append(
        "Tighten means: turn the screw or nut clockwise as you look at its head (right-hand thread),"
        " which pulls a sprung bed down. Turn with the printer off and the bed cold."
    )
    lines.append(SAFETY)
    return lines


def _fate(bed: BedFit) -> str:
    w = bed.warp_range_mm
    left = f"After levelling about {w.value:.2f} mm of warp is left"
    if bed.levelling_is_enough is None:
        return f"{left} (± {w.expanded():.2f}): whether that is flat enough ({FLAT_ENOUGH_MM:g} mm) can't be told."
    if bed.levelling_is_enough:
        return f"{left}: levelling is enough."
    return (
        f"{left}, more than {FLAT_ENOUGH_MM:g} mm: levelling can't mend that. Put a flat plate on it"
        " or let the printer follow the bed's height."
    )


def _again(bed: BedFit, todo: Sequence[Turn]) -> str:
    """Say what a second set of patches would leave of the uncertainty at the worst screw."""
    worst = max(todo, key=lambda t: t.raise_mm.u)
    plane = bed.fit.problem
    more = replace(bed, fit=with_more(plane, plane.x, plane.variance))
    before, after = worst.raise_mm.expanded(), more.tilt(worst.screw).expanded()
    return (
        f"print a second set, which brings {worst.screw.name} from ± {before:.3f} mm to about"
        f" ± {after:.3f} mm"
    )


def _why(bed: BedFit, todo: Sequence[Turn], u_zero: float, caliper: Instrument) -> list[str]:
    lines = [
        "A patch is as thick as the gap under the nozzle was: thick where the bed lies low. A plane"
        " through the patches gives the tilt; what stands off the plane is warp, which screws can't"
        " mend.",
        f"The caliper's zero (standard uncertainty {u_zero:.3f} mm) moves all patches alike: it"
        " matters for the gap and not for the screws.",
    ]
    lines += [estimate_words(e) for e in bed.fit.estimates]
    lines.append(
        f"Warp: after taking out what readings of ± {1.96 * caliper.u_reading:.3f} mm would show by"
        f" themselves, {bed.warp_range_mm.value:.3f} mm from lowest to highest."
    )
    lines.append(f"To be surer: {_surer(bed)}; or {_again(bed, todo)}.")
    return lines


def _plain(
    patches: list[Measured], bed: BedFit, todo: Sequence[Turn], zero: float
) -> dict[str, object]:
    return {
        "plot": "bed",
        "patches": [
            [*_middle(m.feature), m.mean - zero, float(w)]
            for m, w in zip(patches, bed.warp, strict=True)
        ],
        "screws": [
            [t.screw.name, t.screw.x_mm, t.screw.y_mm, t.raise_mm.value, t.turns.value]
            for t in todo
        ],
        "levelling_is_enough": bed.levelling_is_enough,
    }
