"""String posts: three posts, a long and a short gap, and a retraction setting that climbs by bands.

Strings are drawn wherever the nozzle leaves one post for another. A long gap and a short one give
strings a different time to ooze, and the posts' own skin shows when too much is pulled back and the
line starts dry. The posts are tied by the foot alone, so nothing else can hide a string. The foot juts
out on all sides but the back: lying on it, the posts rest level for their photo.
"""

from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.ladder import check_tower, rungs
from patterns.piece import Advice, Piece, weights_of
from patterns.registry import pattern
from patterns.rung import RungFeatures, schedule_by_band
from patterns.schedule import SETTINGS
from patterns.spec import PrintSetup, Spec, choice, number

_BROAD_MM = 11.0  # the post that carries the digits
_POST_MM = 6.0
_NOTCH_MM = 0.6
_SEAM_MM = 0.3  # kept free above and below a band's digits
_FOOT_REACH_MM = 4.0

#: Usual ladders by setting: from, to, step. Common practice, no source.
_USUAL = {"retraction_mm": (0.0, 4.0, 0.5), "retraction_speed_mm_s": (20.0, 60.0, 5.0)}
#: What a printer can be asked for, at most. Common practice, no source.
_MOST = {"retraction_mm": 12.0, "retraction_speed_mm_s": 120.0}


@dataclass(frozen=True, kw_only=True)
class StringPostsSpec(Spec):
    """Parameters of the string posts."""

    setting: str = choice(
        "retraction_mm", tuple(_USUAL), "what changes from band to band: length or speed"
    )
    from_value: float = number(0.0, "mm or mm/s", 0.0, 120.0, "value of the lowest band")
    to_value: float = number(
        0.0, "mm or mm/s", 0.0, 120.0, "value of the highest band (0: the usual range)"
    )
    step_value: float = number(
        0.0, "mm or mm/s", 0.0, 50.0, "change from band to band (0: the usual step)"
    )
    band_mm: float = number(
        0.0, "mm", 0.0, 30.0, "height of one band (0: 5, or as the digits need)"
    )
    long_mm: float = number(25.0, "mm", 10.0, 120.0, "the long gap")
    short_mm: float = number(8.0, "mm", 4.0, 60.0, "the short gap")
    depth_mm: float = number(5.0, "mm", 4.0, 30.0, "from front to back")
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 0.8, "chamfer along the bed, so that the posts lie flat for their photo"
    )


def _filled_in(spec: StringPostsSpec) -> StringPostsSpec:
    start, stop, step = _USUAL[spec.setting]
    if spec.to_value == 0.0 and spec.from_value == 0.0:
        spec = replace(spec, from_value=start, to_value=stop)
    spec = replace(spec, step_value=spec.step_value or step)
    unit, most = SETTINGS[spec.setting], _MOST[spec.setting]
    if max(spec.from_value, spec.to_value) > most:
        raise SpecError(
            f"{spec.setting} of {max(spec.from_value, spec.to_value):g} {unit} is more than {most:g}",
            mend="long retractions pull soft filament into the cold end: stay below",
        )
    if spec.setting == "retraction_speed_mm_s" and min(spec.from_value, spec.to_value) <= 0:
        raise SpecError("a retraction speed of 0 mm/s never ends", mend="give from_value 20")
    return spec


@dataclass(frozen=True, slots=True)
class _Sizes:
    foot: float
    band: float
    stroke: float
    broad: tuple[float, float]  # X from and to of each post
    middle: tuple[float, float]
    last: tuple[float, float]

    def floor(self, k: int) -> float:
        """Height at which band k's own test starts."""
        return self.foot + k * self.band


def _sizes(spec: StringPostsSpec, labels: list[str], setup: PrintSetup) -> _Sizes:
    needs = [needed_mm(t, setup) for t in labels]
    broad = max(_BROAD_MM, *(n[0] for n in needs))
    least = max(n[1] for n in needs) + 2 * _SEAM_MM
    band = setup.layers(spec.band_mm or max(5.0, least + setup.layer_mm / 2))
    room = (broad, band - 2 * _SEAM_MM)
    middle = broad + spec.long_mm
    last = middle + _POST_MM + spec.short_mm
    return _Sizes(
        foot=setup.layers(1.2),
        band=band,
        stroke=min(stroke_for(t, room, setup, "a band of the broad post") for t in labels),
        broad=(0.0, broad),
        middle=(middle, middle + _POST_MM),
        last=(last, last + _POST_MM),
    )


@pattern(
    "string-posts",
    StringPostsSpec,
    "Which retraction leaves no strings?",
    settles=("retraction",),
    first_for=("retraction",),
    shrinks=(("long_mm", -1),),
)
def lay_out(spec: StringPostsSpec, setup: PrintSetup) -> Piece:
    """Lay the posts out along X on one foot, the values on the back of the broad post.

    Measured per band: strings in the long gap, strings in the short gap, and the skin of the posts
    beside the gaps (blobs, or dry starts), each scored against the setting of that band. In a photo of
    the posts lying on their back: area of strings in both gaps, roughness of the middle post's sides.
    """
    spec = _filled_in(spec)
    values = rungs(spec.from_value, spec.to_value, spec.step_value, "step_value", "")
    labels = [f"{v:g}" for v in values]
    z = _sizes(spec, labels, setup)
    check_tower(len(values), z.foot, z.band, "step_value", setup)
    top, deep = z.floor(len(values)), setup.line_mm
    reach = _FOOT_REACH_MM
    foot = box(-reach, -reach, 0, z.last[1] + reach, spec.depth_mm, z.foot)
    under = rectangle(-reach, -reach, z.last[1] + reach, spec.depth_mm)
    posts = [box(x0, 0, z.foot, x1, spec.depth_mm, top) for x0, x1 in (z.broad, z.middle)]
    posts.append(
        Prism(outline=_notched(z, len(values)), start_mm=0, end_mm=spec.depth_mm, axis="Y")
    )
    marks = tuple(
        p
        for k, label in enumerate(labels)
        for p in engraved(
            label,
            stroke_mm=z.stroke,
            centre=(z.broad[1] / 2, z.floor(k) + z.band / 2),
            face="back",
            level_mm=spec.depth_mm,
            depth_mm=deep,
        )
    )
    added = (foot, *posts)
    volume = sum(p.volume_mm3 for p in added) - chamfer_loss_mm3(under, spec.chamfer_mm)
    volume -= deep * sum(text_area_mm2(label, z.stroke) for label in labels)
    return Piece(
        pattern="string-posts",
        spec=spec,
        setup=setup,
        body=Body(add=added, cut=marks, chamfer_mm=spec.chamfer_mm),
        features=tuple(
            f
            for look in (_features, _in_photo)
            for k, v in enumerate(values)
            for f in look(spec, z, k, v)
        ),
        schedule=schedule_by_band(spec.setting, values, z.floor),
        advice=Advice(
            walls=2,
            infill_percent=15,
            brim_mm=2.0,
            notes=(
                "Print standing, as it is; travel straight across the gaps, without wiping.",
                "Do not leave out the brim: the foot ends at the back, so that the posts can lie on it.",
                "The value of a band is cut into the back: judge from the front, then turn it round.",
                "Dry the filament first: damp filament strings whatever the retraction.",
            ),
        ),
        head_lines=weights_of("strings", "strings_short", "surface"),
        smaller=("give a smaller long_mm", "give a smaller depth_mm", "give a larger step_value"),
        volume_mm3=volume,
    )


def _notched(z: _Sizes, count: int) -> tuple[XY, ...]:
    """Return the last post's outline in (x, z), with a notch outside where two bands meet."""
    left, right = z.last
    points: list[XY] = [(left, z.foot), (right, z.foot)]
    for k in range(1, count):
        level = z.floor(k)
        points += [
            (right, level - _NOTCH_MM),
            (right - _NOTCH_MM, level),
            (right, level + _NOTCH_MM),
        ]
    points += [(right, z.floor(count)), (left, z.floor(count))]
    return tuple((round(u, 6), round(v, 6)) for u, v in points)


def _on(spec: StringPostsSpec, k: int, value: float) -> RungFeatures:
    return RungFeatures(k, value, f"band {value:g} {SETTINGS[spec.setting]}")


def _features(spec: StringPostsSpec, z: _Sizes, k: int, value: float) -> list[Feature]:
    y, height = spec.depth_mm / 2, round(z.floor(k) + z.band / 2, 6)
    on = _on(spec, k, value)
    places = (
        ("strings", z.broad[1], z.middle[0], "strings across the long gap"),
        ("strings_short", z.middle[1], z.last[0], "strings across the short gap"),
        ("surface", z.middle[0], z.middle[1], "skin of the middle post, blobs or dry starts"),
    )
    return [on.score(group, (a, y, height), (b, y, height), what) for group, a, b, what in places]


def _in_photo(spec: StringPostsSpec, z: _Sizes, k: int, value: float) -> list[Feature]:
    """Return what a photo measures on a band: strings in both gaps, the middle post's sides."""
    y, height = spec.depth_mm / 2, round(z.floor(k) + z.band / 2, 6)
    places = (
        ("strings", Kind.STRANDS, z.broad[1], z.middle[0], "strings across the long gap"),
        ("strings_short", Kind.STRANDS, z.middle[1], z.last[0], "strings across the short gap"),
        ("surface", Kind.ROUGHNESS, z.middle[0], z.middle[1], "both sides of the middle post"),
    )
    on = _on(spec, k, value)
    return [
        on.flaw(group, kind, (a, y, height), (b, y, height), what)
        for group, kind, a, b, what in places
    ]
