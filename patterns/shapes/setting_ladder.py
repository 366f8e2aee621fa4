"""Setting ladder: a small blade, pointed at one end and round at the other, for a ladder of any one setting.

Every band has the three places where a bad setting shows first: the sharp edge, where the nozzle turns
back on itself; the round butt, which is nothing but short moves; and a window, whose lintel is a bridge. The
values are cut into the flat back, out of the way of whoever judges.
"""

import math
import re
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, loop_area_mm2
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature
from patterns.ladder import check_tower, rungs
from patterns.piece import Advice, Piece, weights_of
from patterns.registry import pattern
from patterns.rung import RungFeatures
from patterns.schedule import SETTINGS, ScheduleRow
from patterns.spec import PrintSetup, Spec, number, word

_DEPTH_MM = 6.0
_POINT_MM = 9.0  # from the edge to where the blade is at its full depth
_SPAN_MM = 10.0
_POST_MM = 12.0
_SIDE_MM = 2.0  # of wall beside a window
_LINTEL_MM = 1.0
_SEAM_MM = 0.3  # kept free above and below a band's digits
_FACETS = 32  # of the half circle
_JUDGED = ("corner", "curve", "bridge", "sag")

#: Usual ladders of what is known: from, to, step. Common practice, no source.
_USUAL = {
    "fan_percent": (0.0, 100.0, 20.0),
    "speed_mm_s": (40.0, 100.0, 10.0),
}
#: Nothing is asked for beyond these. Common practice, no source.
_LIMITS = {
    "fan_percent": (0.0, 100.0),
    "speed_mm_s": (5.0, 500.0),
    "hot_end_c": (150.0, 500.0),
}
_UNKNOWN = "unknown"


@dataclass(frozen=True, kw_only=True)
class SettingLadderSpec(Spec):
    """Parameters of the setting ladder."""

    setting: str = word(
        "fan_percent",
        f"what changes: {', '.join(_LIMITS)}, or own_ and a name, such as own_corner_speed",
    )
    from_value: float = number(0.0, "", -1e6, 1e6, "value of the lowest band")
    to_value: float = number(0.0, "", -1e6, 1e6, "value of the highest band (0: the usual range)")
    step_value: float = number(0.0, "", 0.0, 1e6, "change from band to band (0: the usual step)")
    before: str = word(
        _UNKNOWN, "of a setting of your own: the value set now, which is put back at the end"
    )
    band_mm: float = number(
        0.0, "mm", 0.0, 30.0, "height of one band (0: 5, or as the digits need)"
    )
    judgements: int = number(
        3, "", 1, 4, "how many per band: corner, curve, bridge, thickness of the lintel"
    )


def _filled_in(spec: SettingLadderSpec, setup: PrintSetup) -> SettingLadderSpec:
    """Put the usual range in where none was given, and refuse what is out of range."""
    if spec.from_value == spec.to_value == 0.0 and spec.setting in _USUAL:
        start, stop, step = _USUAL[spec.setting]
        spec = replace(spec, from_value=start, to_value=stop, step_value=spec.step_value or step)
    if not spec.step_value:
        usual = _USUAL.get(spec.setting, (0.0, 0.0, abs(spec.to_value - spec.from_value) / 6))
        spec = replace(spec, step_value=usual[2])
    if spec.from_value == spec.to_value:
        raise SpecError(
            f"there is no usual range of {spec.setting}",
            mend="give from_value, to_value and step_value",
        )
    low, high = _LIMITS.get(spec.setting, (-math.inf, math.inf))
    if spec.setting == "hot_end_c":
        high = min(high, setup.hot_end_max_c)
    for name, value in (("from_value", spec.from_value), ("to_value", spec.to_value)):
        if not low <= value <= high:
            raise SpecError(
                f"{name} {value:g} is not within {low:g} to {high:g} {SETTINGS.get(spec.setting, '')}".rstrip(),
                mend="stay within what the printer's maker states",
            )
    return spec


def _before(spec: SettingLadderSpec) -> float | None:
    """Return what is set before, for a setting of the user's own; None for one that is known.

    Raises
    ------
    SpecError
        The name can't be used, or nobody said what is set now.
    """
    if spec.setting in _LIMITS:
        return None
    if not re.fullmatch(r"own_[a-z0-9_]*[a-z0-9]", spec.setting):
        raise SpecError(
            f"setting: {spec.setting!r} can't be used here",
            mend=f"use {', '.join(_LIMITS)}, or own_ and a name in a-z, 0-9 and _, such as own_corner_speed",
        )
    try:
        value = float(spec.before.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise SpecError(
            f"what {spec.setting} is set to now is not known, so it could not be put back at the end",
            mend="give before=VALUE; the file then ends with it",
        )
    return value


@dataclass(frozen=True, slots=True)
class _Sizes:
    band: float
    lintel: float
    stroke: float
    window: tuple[float, float]  # X from and to
    post: tuple[float, float]
    base: float

    def floor(self, k: int) -> float:
        """Height at which band k begins."""
        return round(self.base + k * self.band, 6)


def _sizes(spec: SettingLadderSpec, labels: list[str], setup: PrintSetup) -> _Sizes:
    needs = [needed_mm(t, setup) for t in labels]
    post = max(_POST_MM, *(n[0] for n in needs))
    least = max(n[1] for n in needs) + 2 * _SEAM_MM
    band = setup.layers(spec.band_mm or max(5.0, least + setup.layer_mm / 2))
    room = (post, band - 2 * _SEAM_MM)
    near = _POINT_MM + _SIDE_MM
    far = near + _SPAN_MM + _SIDE_MM
    return _Sizes(
        band=band,
        lintel=setup.layers(_LINTEL_MM),
        stroke=min(stroke_for(t, room, setup, "a band of the blade") for t in labels),
        window=(near, near + _SPAN_MM),
        post=(far, far + post),
        base=setup.layers(1.0),
    )


@pattern(
    "setting-ladder",
    SettingLadderSpec,
    "Which value of one setting prints best: fan, speed, or one of your own?",
    settles=("cooling", "speed"),
    first_for=("cooling", "speed"),
    shrinks=(("step_value", 1),),
)
def lay_out(spec: SettingLadderSpec, setup: PrintSetup) -> Piece:
    """Lay the blade out along X, its edge at the left, the values on its back.

    Judged per band: the sharp edge, the round butt and the bridge over the window, against the value of
    that band. The lowest layers, below the first window, keep the file's own value.
    """
    before = _before(spec)
    spec = _filled_in(spec, setup)
    values = rungs(spec.from_value, spec.to_value, spec.step_value, "step_value", "", least=3)
    labels = [f"{v:g}" for v in values]
    z = _sizes(spec, labels, setup)
    check_tower(len(values), z.base, z.band, "step_value", setup)
    top, deep = z.floor(len(values)), setup.line_mm
    blade = Prism(outline=_outline(z), start_mm=0, end_mm=top)
    windows = tuple(
        box(z.window[0], -1.0, z.floor(k), z.window[1], _DEPTH_MM + 1.0, z.floor(k + 1) - z.lintel)
        for k in range(len(values))
    )
    marks = tuple(
        p
        for k, label in enumerate(labels)
        for p in engraved(
            label,
            stroke_mm=z.stroke,
            centre=(sum(z.post) / 2, z.floor(k) + z.band / 2),
            face="back",
            level_mm=_DEPTH_MM,
            depth_mm=deep,
        )
    )
    volume = loop_area_mm2(blade.outline) * top
    volume -= len(values) * _SPAN_MM * _DEPTH_MM * (z.band - z.lintel)
    volume -= deep * sum(text_area_mm2(label, z.stroke) for label in labels)
    return Piece(
        pattern="setting-ladder",
        spec=spec,
        setup=setup,
        body=Body(add=(blade,), cut=(*windows, *marks)),
        features=tuple(f for k, v in enumerate(values) for f in _features(spec, z, k, v)),
        schedule=_schedule(spec, z, values, before, setup),
        advice=Advice(
            walls=2,
            infill_percent=10,
            brim_mm=3.0,
            notes=(
                "Print standing, as it is; no supports. Slice it with one value all through.",
                "Put the seam on the flat back. A slicing program that slows small layers down hides"
                " speeds: switch that off, or print two at once.",
                "The value of a band is cut into the back: judge from the front, then turn it round.",
            ),
        ),
        without=(spec.setting,),
        head_lines=weights_of(*_JUDGED[: spec.judgements]),
        smaller=(
            "print it on a longer bed",
            "print it on a deeper bed",
            "give a larger step_value",
        ),
        volume_mm3=volume,
    )


def _schedule(
    spec: SettingLadderSpec, z: _Sizes, values: tuple[float, ...], before: float | None,
    setup: PrintSetup,
) -> tuple[ScheduleRow, ...]:  # fmt: skip
    """Return a row for each band; above them what was set before, for a setting of the user's own."""
    edges = [z.floor(k) for k in range(len(values) + 1)]
    rows = list(zip(edges, edges[1:], values, strict=False))
    if before is not None:
        rows.append((edges[-1], max(setup.build_z_mm, edges[-1] + 1.0), before))
    return tuple(
        ScheduleRow(
            z_from_mm=a, z_to_mm=b, setting=spec.setting, value=v, any_setting=before is not None
        )
        for a, b, v in rows
    )


def _outline(z: _Sizes) -> tuple[XY, ...]:
    """Return the blade from above: edge at the back left, bevelled front, round butt at the right."""
    radius, centre = _DEPTH_MM / 2, z.post[1]
    turn = [math.pi * (k / _FACETS - 0.5) for k in range(1, _FACETS)]
    butt = [(centre + radius * math.cos(a), radius + radius * math.sin(a)) for a in turn]
    points = [(0.0, _DEPTH_MM), (_POINT_MM, 0.0), (centre, 0.0), *butt, (centre, _DEPTH_MM)]
    return tuple((round(x, 6), round(y, 6)) for x, y in points)


def _features(spec: SettingLadderSpec, z: _Sizes, k: int, value: float) -> list[Feature]:
    floor, top = z.floor(k), z.floor(k + 1)
    middle, under = round((floor + top) / 2, 6), round(top - z.lintel, 6)
    band = f"band {value:g} {SETTINGS.get(spec.setting, '')}".rstrip()
    left, right = z.window
    y, round_end = _DEPTH_MM / 2, z.post[1] + _DEPTH_MM / 2

    on = RungFeatures(k, value, band)
    found = [
        on.score("corner", (0.0, y, middle), (_POINT_MM / 2, y, middle),
                 "the sharp edge, straight and crisp or bulged, torn, rounded"),
        on.score("curve", (z.post[1], y, middle), (round_end, y, middle),
                 "the round butt, smooth or with facets, blobs, ripples"),
        on.score("bridge", (left, y, under), (right, y, under), "underside of the lintel"),
        on.sag(
            ((left + right) / 2, y, under), ((left + right) / 2, y, top), z.lintel,
            "thickness of the lintel at mid span, sag included",
        ),
    ]  # fmt: skip
    return found[: spec.judgements]
