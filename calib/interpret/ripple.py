"""Ripples: the frequency at which X and Y swing, from which speed that shows, and what helps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.errors import SheetError
from calib.fit.ripple import (
    Acceleration,
    Counted,
    Ripples,
    fit_ripples,
    gentlest_mm_s2,
    largest_ripple_mm,
    two_impulses,
)
from calib.fit.threshold import Limit, fit_thresholds
from calib.interpret.common import Measured, key_number, measured, now, residual
from calib.interpret.corrected import best_found
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.interpret.ladders import ladder_requests
from calib.model.correction import Correction, Verdict
from calib.model.request import Request
from calib.model.setting import setting
from calib.readings import Sheet
from calib.readings.unmeasured import coarse_step
from patterns.feature import Feature

#: Acceleration of outer walls where nobody says it, and how sure that is (logarithm), mm/s2; how sure one is
#: that was looked up; height of ripples that just show, mm. Common practice, no source.
_USUAL_MM_S2, _USUAL_LOG_SD, _SAID_LOG_SD = 1000.0, 0.4, 0.1
_WANTED_MM = 0.02
#: Of a swing that is not measured, for the two impulses. Common practice, no source.
_DAMPING = 0.1
#: A speed is smooth where this share of faces looks so.
_SAFE = 0.9
#: A frequency is known well enough where its interval is narrower than this share of it on each side.
_WELL_KNOWN = 0.15


def _is_length(f: Feature) -> bool:
    return f.group == "ripple"


def _is_look(f: Feature) -> bool:
    return f.group == "ripples"


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return _is_length(f) or _is_look(f)


def applies(sheet: Sheet) -> bool:
    """Whether ripples were measured, or bands judged at two speeds or more."""
    looks = {m.feature.rung for m in measured(sheet, _is_look)}
    return bool(measured(sheet, _is_length)) or len(looks) >= 2


@dataclass(frozen=True)
class _Face:
    """The face that shows how one axis swings: its bands from slow to fast, and what they say."""

    axis: str
    bands: list[Measured]
    counted: list[Counted]
    found: Ripples

    @property
    def hz(self) -> float:
        return self.found.frequency.estimate.value

    @property
    def slowest(self) -> float:
        """The frequency to reckon with: ripples are the larger, the slower the swing."""
        return self.found.frequency.low if self.found.torn else self.hz


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Find both frequencies and the fastest smooth speed, and say what would help."""
    push, stated = acceleration_of(sheet)
    faces = _faces(sheet, context, push)
    smooth = _smooth(measured(sheet, _is_look))
    corrections = [_frequency(f, context) for f in faces]
    if smooth is not None:
        corrections.append(_speed(sheet, context, smooth))
    estimates = [
        replace(f.found.frequency.estimate, name=f"ripple_{f.axis.lower()}") for f in faces
    ]
    return Finding(
        topic="ripples",
        estimates=(*estimates, *([smooth.limit.estimate] if smooth else [])),
        corrections=tuple(corrections),
        suspects=tuple(s for f in faces for s in _suspects(f)),
        residuals=tuple(r for f in faces for r in _residuals(f)),
        summary=tuple(_summary(sheet, faces, smooth, push)),
        why=tuple(_why(faces, push, said=stated)),
        evidence=_plain(faces, smooth),
    )


def acceleration_of(sheet: Sheet) -> tuple[Acceleration, bool]:
    """Return the acceleration that a piece was printed with, and whether the sheet says it."""
    stated = key_number(sheet, "acceleration_mm_s2", 10.0, 100_000.0)
    if stated is None:
        return Acceleration(value=_USUAL_MM_S2, log_sd=_USUAL_LOG_SD), False
    return Acceleration(value=stated, log_sd=_SAID_LOG_SD), True


def _faces(sheet: Sheet, context: Context, push: Acceleration) -> list[_Face]:
    count = int(float(sheet.piece.spec.as_text()["ripples"]))
    lengths = measured(sheet, _is_length)
    caliper = context.instruments["caliper"]
    for m in lengths:
        if m.mean <= 0:
            raise SheetError(
                f"{m.feature.id}: {m.mean:g} mm over {count} ripples can't be",
                where=sheet.name,
                mend="measure from the crest of the second ripple to that of the last",
            )
    step = coarse_step([r for m in lengths for r in m.readings], caliper.resolution)
    if step is not None:
        caliper = replace(
            caliper, resolution=step, repeatability=max(caliper.repeatability, step / 4)
        )
    found = []
    for axis in "XY":
        bands = [m for m in lengths if m.feature.axis == axis]
        if bands:
            counted = [
                Counted(
                    length=m.mean,
                    u=math.sqrt(2) * m.u(caliper),  # both crests are read
                    speed=m.feature.rung or 0.0,
                    count=count,
                )
                for m in bands
            ]
            found.append(_Face(axis, bands, counted, fit_ripples(counted, push)))
    return found


def _frequency(face: _Face, context: Context) -> Correction:
    about = setting(f"ripple_{face.axis.lower()}_hz")
    f, old = face.found.frequency, now(context, about.name)
    half = max(f.high - face.hz, face.hz - f.low)
    size = f"{face.axis} swings at {face.hz:.1f} Hz ({f.low:.1f} to {f.high:.1f})"
    if face.found.torn:
        verdict = Verdict.PRINT_AGAIN
        tail = (
            f"the bands disagree by {_apart(face):.2f} times, as they do where two parts swing alike strongly:"
            " count again, in light from the side; strike carriage and frame, and look what trembles"
        )
    elif half > _WELL_KNOWN * face.hz:
        verdict, tail = Verdict.PRINT_AGAIN, "too uncertain; count again, in light from the side"
    elif old is not None and f.low <= old <= f.high:
        verdict, tail = Verdict.LEAVE, "the value now set is within that, leave it alone"
    else:
        verdict, tail = Verdict.APPLY, "type it in where the printer can make up for ripples"
    return best_found(
        about.name,
        old,
        face.hz,
        f.estimate,
        verdict,
        f"{size}; {tail}",
        f"ripples of {sum(face.found.used)} bands",
        u=max(f.estimate.u, half / 1.96),
    )


def _apart(face: _Face) -> float:
    used = [hz for hz, use in zip(face.found.each, face.found.used, strict=True) if use]
    return max(used) / min(used)


@dataclass(frozen=True)
class _Smooth:
    """The fastest speed without ripples; which ends of the bands it lies at, if any."""

    limit: Limit
    tested: tuple[float, float]
    all_smooth: bool
    none_smooth: bool


def _smooth(looks: Sequence[Measured]) -> _Smooth | None:
    speeds = np.array([m.feature.rung for m in looks for _ in m.readings], float)
    rippled = np.array([1 - round(r.value) for m in looks for r in m.readings])
    if len(np.unique(speeds)) < 2:
        return None
    found = fit_thresholds(speeds, rippled, 2, "mm/s")
    limit = found.still_clean(found.where(0, 1 - _SAFE, "smooth_speed"))
    return _Smooth(
        limit=limit,
        tested=(float(speeds.min()), float(speeds.max())),
        all_smooth=not rippled.any(),
        none_smooth=bool(rippled.all()),
    )


def _speed(sheet: Sheet, context: Context, smooth: _Smooth) -> Correction:
    about = setting("smooth_speed_mm_s")
    low, high = smooth.tested
    e, old = smooth.limit.estimate, now(context, about.name)
    value = min(max(e.value, low), high)
    size = f"no ripples show up to {value:.0f} mm/s ({smooth.limit.low:.0f} to {smooth.limit.high:.0f})"
    requests: tuple[Request, ...] = ()
    verdict, tail = Verdict.APPLY, "keep outer walls below"
    if smooth.all_smooth:
        verdict, tail = Verdict.LEAVE, "every band looks smooth, so there is nothing to slow down"
    elif smooth.none_smooth:
        verdict, tail = Verdict.PRINT_AGAIN, "every band shows ripples: look below"
        requests = ladder_requests(
            sheet, low, max(low - (high - low), 10.0), "print slower bands", settles=about.name
        )
    elif old is not None and smooth.limit.low <= old <= smooth.limit.high:
        verdict, tail = Verdict.LEAVE, "the value now set is within that, leave it alone"
    return best_found(
        about.name,
        old,
        value,
        e,
        verdict,
        f"{size}; {tail}",
        "looks of bands at rising speed",
        u=max(e.u, abs(e.value - value)),
        requests=requests,
    )


def _suspects(face: _Face) -> list[Suspect]:
    """Name the bands where another number of ripples was counted, or another part swings."""
    found = []
    for i, m in enumerate(face.bands):
        if face.found.used[i]:
            continue
        count, alone = face.counted[i].count, face.found.each[i]
        likely = face.found.miscounted.get(i)
        start = f"{m.mean:g} mm over {count} ripples is {alone:.0f} Hz, the other bands say {face.hz:.0f} Hz"
        words = f"{start}; probably {likely} ripples were counted" if likely else (
            f"{start}: another part of the printer swings there; strike it and look what trembles"
        )  # fmt: skip
        proposal = m.readings[0].value * count / likely if likely else None
        found.append(Suspect(reading=m.readings[0], explanation=words, proposal=proposal))
    return found


def _residuals(face: _Face) -> list[Residual]:
    """Hold each length against that of the common frequency, as its own frequency scales it."""
    return [
        residual(m, m.mean * alone / face.hz, math.hypot(c.u, 0.08 * c.length / c.count))
        for m, c, alone in zip(face.bands, face.counted, face.found.each, strict=True)
    ]


def _summary(
    sheet: Sheet, faces: Sequence[_Face], smooth: _Smooth | None, push: Acceleration
) -> list[str]:
    wanted = key_number(sheet, "wanted_ripple_mm", 0.001, 1.0) or _WANTED_MM
    lines = []
    for face in faces:
        f = face.found.frequency
        where = (
            f"somewhere from {f.low:.0f} to {f.high:.0f} Hz: its bands disagree"
            if face.found.torn
            else f"at {face.hz:.1f} Hz ({f.low:.1f} to {f.high:.1f})"
        )
        lines.append(f"{face.axis} swings {where}.")
        if face.found.second:
            lines.append(
                f"{face.axis}: at some speeds {face.found.second:.0f} Hz show instead, a second part that"
                " swings (frame, feet, a loose fan or cable)."
            )
    if smooth is not None and not (smooth.all_smooth or smooth.none_smooth):
        limit = smooth.limit
        lines.append(f"Ripples show from about {limit.estimate.value:.0f} mm/s ({limit.low:.0f} to {limit.high:.0f}).")  # fmt: skip
    if faces:
        slow = min(faces, key=lambda f: f.slowest)
        gentle = gentlest_mm_s2(wanted, slow.slowest)
        lines.append(
            f"What helps: tighter belts and less mass on what moves (1.44 times the stiffness, or 0.69 times"
            f" the mass, is 1.2 times the frequency and 0.69 times the ripple); or an acceleration of"
            f" {gentle:.0f} mm/s2, which keeps {slow.axis} below {wanted:g} mm."
        )
    return lines


def _why(faces: Sequence[_Face], push: Acceleration, *, said: bool) -> list[str]:
    source = "as the sheet says" if said else "taken, since the sheet does not say it"
    lines = [
        "A carriage on its belt is a mass on a spring. After a corner it swings on at its own (damped)"
        " frequency, so ripples are speed / frequency apart. Across the face along X swings Y, across the"
        " face along Y swings X.",
        f"Close to the corner the nozzle still gains speed; an acceleration of {push.value:g} mm/s2 was {source}."
        " What is not known of it, and of where the first ripple lies, is averaged over.",
    ]
    for face in faces:
        each = ", ".join(
            f"{e:.0f} Hz at {c.speed:g} mm/s"
            for e, c in zip(face.found.each, face.counted, strict=True)
        )
        worst = largest_ripple_mm(push.value, face.hz)
        first, second, apart = two_impulses(face.hz, _DAMPING)
        lines += [
            f"{face.axis}: band by band {each}.",
            f"{face.axis}: at worst ripples are 2 a / (2 pi f)^2 = 2 x {push.value:g} / (2 pi x {face.hz:.1f})^2 ="
            f" {worst:.3f} mm high.",
            f"{face.axis}: a move split into {first:.0%} now and {second:.0%} after {1000 * apart:.1f} ms leaves no"
            f" swing (two impulses, Singer and Seering 1990, with a damping of {_DAMPING:g} taken).",
        ]
    return lines


def _plain(faces: Sequence[_Face], smooth: _Smooth | None) -> dict[str, object]:
    return {
        "plot": "ripples",
        "faces": [
            {
                "axis": f.axis,
                "speed": [c.speed for c in f.counted],
                "hz": list(f.found.each),
                "used": list(f.found.used),
                "found": [f.hz, f.found.frequency.low, f.found.frequency.high],
            }
            for f in faces
        ],
        "smooth": [smooth.limit.estimate.value, smooth.limit.low, smooth.limit.high]
        if smooth
        else [],
    }
