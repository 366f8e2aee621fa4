"""Temperature tower: a standing ladder whose every rung was printed at its own temperature.

Seen from the front it is a thin reed on the left, a rung for each band, and a broad plain post with
fins on its outer edge. The rungs are bridges; the windows between them show strings; the fins
overhang; and the reed, held at every rung, is pressed with a fingernail until its layers part. The
temperatures are cut into the post's back, out of the way of whoever judges. All the rest is one
outline swept from front to back. The foot juts out on all sides but the back: lying on it, the tower
rests level and shows a camera everything as a silhouette.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.filaments import filament
from patterns.ladder import check_tower, rungs
from patterns.piece import Advice, Piece, weights_of
from patterns.registry import pattern
from patterns.rung import RungFeatures, schedule_by_band
from patterns.spec import PrintSetup, Spec, number, word

_POST_MM = 12.0
_BAND_MM = 7.0
_BASE_REACH_MM = 5.0
_SEAM_MM = 0.3  # kept free above and below a band's digits
_JUDGED = ("strings", "overhang", "strength", "bridge", "sag")
_COLDEST_C, _HOTTEST_C = 150.0, 500.0


@dataclass(frozen=True, kw_only=True)
class TemperatureTowerSpec(Spec):
    """Parameters of the temperature tower."""

    filament: str = word("PLA", "type of filament, for the usual range of temperatures")
    from_c: float = number(
        0.0, "degC", 0.0, 500.0, "hot-end temperature of the lowest band (0: hottest in the table)"
    )
    to_c: float = number(
        0.0, "degC", 0.0, 500.0, "temperature of the highest band (0: coldest in the table)"
    )
    step_c: float = number(5.0, "degC", 1.0, 50.0, "change from band to band, up or down by itself")
    band_mm: float = number(
        0.0, "mm", 0.0, 30.0, "height of one band (0: 7, or as the digits need)"
    )
    gap_mm: float = number(14.0, "mm", 6.0, 60.0, "length of the bridges and of the string gaps")
    overhang_deg: float = number(
        60.0, "deg", 20.0, 80.0, "lean of the fins' undersides from the vertical"
    )
    depth_mm: float = number(6.0, "mm", 4.0, 30.0, "of the ladder, from front to back")
    judgements: int = number(
        3, "", 1, 5, "how many per band: strings, overhang, strength, bridge, thickness of the rung"
    )
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 0.8, "chamfer along the bed, so that the tower lies flat for its photo"
    )


def _filled_in(spec: TemperatureTowerSpec, setup: PrintSetup) -> TemperatureTowerSpec:
    """Put the table's temperatures in where none was given, and refuse what is out of range."""
    usual = filament(spec.filament)
    hottest = min(usual.hot_end_to_c, setup.hot_end_max_c)
    spec = replace(spec, from_c=spec.from_c or hottest, to_c=spec.to_c or usual.hot_end_from_c)
    for name, value in (("from_c", spec.from_c), ("to_c", spec.to_c)):
        if not _COLDEST_C <= value <= _HOTTEST_C:
            raise SpecError(
                f"{name} must be {_COLDEST_C:g} to {_HOTTEST_C:g} degC (got {value:g})",
                mend=f"{usual.type} usually prints at {usual.hot_end_from_c:g} to {usual.hot_end_to_c:g} degC",
            )
        if value > setup.hot_end_max_c:
            raise SpecError(
                f"{name} {value:g} degC is above the hot end's rating of {setup.hot_end_max_c:g} degC",
                mend="stay at or below what the maker states; never raise the rating to get past this",
            )
    return spec


@dataclass(frozen=True, slots=True)
class _Sizes:
    post: float  # width of the broad upright
    base: float
    band: float
    rung: float  # thickness of a rung
    reed: float  # thickness of the reed
    reach: float  # of a fin
    rise: float  # of a fin's underside
    lip: float  # height of a fin's end
    stroke: float

    def floor(self, k: int) -> float:
        """Height at which band k's own test starts."""
        return self.base + k * self.band


def _sizes(spec: TemperatureTowerSpec, temps: tuple[float, ...], setup: PrintSetup) -> _Sizes:
    needs = [needed_mm(f"{t:g}", setup) for t in temps]
    post = max(_POST_MM, *(n[0] for n in needs))
    least = max(n[1] for n in needs) + 2 * _SEAM_MM
    band = setup.layers(spec.band_mm or max(_BAND_MM, least + setup.layer_mm / 2))
    lip = setup.layers(1.0)
    rise_room = 0.6 * band - lip
    reach = min(4.0, rise_room * math.tan(math.radians(spec.overhang_deg)))
    room = (post, band - 2 * _SEAM_MM)
    stroke = min(stroke_for(f"{t:g}", room, setup, "a band of the tower") for t in temps)
    return _Sizes(
        post=post,
        base=setup.layers(1.2),
        band=band,
        rung=setup.layers(1.0),
        reed=2 * setup.line_mm,
        reach=reach,
        rise=reach / math.tan(math.radians(spec.overhang_deg)),
        lip=lip,
        stroke=stroke,
    )


@pattern(
    "temperature-tower",
    TemperatureTowerSpec,
    "Which hot-end temperature suits this filament?",
    settles=("temperature",),
    first_for=("temperature",),
    shrinks=(("step_c", 1),),
)
def lay_out(spec: TemperatureTowerSpec, setup: PrintSetup) -> Piece:
    """Lay the tower out along X: reed, windows, post, fins; digits on the back.

    Measured per band: how well the rung bridges (and how thick it is, sag included), the fin
    overhangs, the window stays free of strings and the reed's layers hold, against temperature. In a
    photo of the tower lying on its back: area of strings, droop of the fin, roughness of the reed.
    """
    spec = _filled_in(spec, setup)
    temps = rungs(spec.from_c, spec.to_c, spec.step_c, "step_c", "degC")
    z = _sizes(spec, temps, setup)
    check_tower(len(temps), z.base, z.band, "step_c", setup)
    near = z.reed + spec.gap_mm  # the post's inner side
    ladder = _ladder(spec, z, len(temps))
    foot = box(
        -_BASE_REACH_MM, -_BASE_REACH_MM, 0,
        near + z.post + z.reach, spec.depth_mm, z.base,
    )  # fmt: skip
    under = rectangle(-_BASE_REACH_MM, -_BASE_REACH_MM, near + z.post + z.reach, spec.depth_mm)
    deep = setup.line_mm
    labels = [f"{t:g}" for t in temps]
    marks = tuple(
        p
        for k, label in enumerate(labels)
        for p in engraved(
            label,
            stroke_mm=z.stroke,
            centre=(near + z.post / 2, z.floor(k) + z.band / 2),
            face="back",
            level_mm=spec.depth_mm,
            depth_mm=deep,
        )
    )
    inside_foot = (near + z.post) * z.base * spec.depth_mm
    volume = ladder.volume_mm3 + foot.volume_mm3 - inside_foot
    volume -= deep * sum(text_area_mm2(label, z.stroke) for label in labels)
    volume -= chamfer_loss_mm3(under, spec.chamfer_mm)
    return Piece(
        pattern="temperature-tower",
        spec=spec,
        setup=setup,
        body=Body(add=(ladder, foot), cut=marks, chamfer_mm=spec.chamfer_mm),
        features=tuple(
            f
            for look in (_features, _in_photo)
            for k, t in enumerate(temps)
            for f in look(spec, z, k, t)
        ),
        schedule=schedule_by_band("hot_end_c", temps, z.floor),
        advice=Advice(
            walls=2,
            infill_percent=15,
            brim_mm=5.0,
            notes=(
                "Print standing, as it is; no supports. The hot end changes at every band.",
                "Do not leave out the brim: the foot ends at the back, so that the tower can lie on it.",
                "The temperature of a band is cut into the back: judge from the front, then turn it round.",
                "Judge strings and fins first, all bands; press the reed last.",
            ),
        ),
        head_lines=weights_of(*_JUDGED[: spec.judgements], "roughness"),
        smaller=("give a smaller gap_mm", "give a smaller depth_mm", "give a larger step_c"),
        volume_mm3=volume,
    )


def _ladder(spec: TemperatureTowerSpec, z: _Sizes, count: int) -> Prism:
    """Return reed, rungs and post, sunk through the foot, with a fin per band; seen in (x, z)."""
    near = z.reed + spec.gap_mm
    outer = near + z.post
    points: list[XY] = [(0.0, 0.0), (outer, 0.0)]
    for k in range(count):
        tip = z.floor(k) + 0.8 * z.band
        points += [
            (outer, tip - z.lip - z.rise),
            (outer + z.reach, tip - z.lip),
            (outer + z.reach, tip),
            (outer, tip),
        ]
    points += [(outer, z.floor(count)), (0.0, z.floor(count))]
    windows = tuple(
        rectangle(z.reed, z.floor(k), near, z.floor(k + 1) - z.rung) for k in range(count)
    )
    outline = tuple((round(u, 6), round(v, 6)) for u, v in points)
    return Prism(outline=outline, holes=windows, start_mm=0, end_mm=spec.depth_mm, axis="Y")


def _features(spec: TemperatureTowerSpec, z: _Sizes, k: int, temp: float) -> list[Feature]:
    left, near = z.reed, z.reed + spec.gap_mm
    y, floor, top = spec.depth_mm / 2, z.floor(k), z.floor(k + 1)
    under = top - z.rung
    middle = (floor + top - z.rung) / 2
    outer, tip = near + z.post, floor + 0.8 * z.band - z.lip
    on = RungFeatures(k, temp, f"band {temp:g} degC")
    found = [
        on.score("strings", (left, y, middle), (near, y, middle), "strings in the window"),
        on.score(
            "overhang", (outer, y, tip - z.rise), (outer + z.reach, y, tip), "underside of the fin"
        ),
        on.score(
            "strength", (0.0, y, middle), (z.reed, y, middle),
            "press the thin reed with a fingernail, whole or split",
        ),
        on.score("bridge", (left, y, under), (near, y, under), "underside of the rung"),
        on.sag(
            ((left + near) / 2, y, round(top - z.rung, 6)), ((left + near) / 2, y, top), z.rung,
            "thickness of the rung at mid span, sag included",
        ),
    ]  # fmt: skip
    return found[: spec.judgements]


def _in_photo(spec: TemperatureTowerSpec, z: _Sizes, k: int, temp: float) -> list[Feature]:
    """Return what a photo measures on a band: strings, droop, and the reed's outer edge."""
    left, near = z.reed, z.reed + spec.gap_mm
    y, floor, top = spec.depth_mm / 2, z.floor(k), z.floor(k + 1)
    middle = (floor + top - z.rung) / 2
    outer, tip = near + z.post, floor + 0.8 * z.band - z.lip
    on = RungFeatures(k, temp, f"band {temp:g} degC")
    return [
        on.flaw(
            "strings", Kind.STRANDS, (left, y, middle), (near, y, middle), "strings in the window"
        ),
        on.flaw(
            "overhang", Kind.DROOP, (outer, y, tip - z.rise), (outer + z.reach, y, tip),
            "droop of the fin's end",
        ),
        on.flaw("roughness", Kind.ROUGHNESS, (0.0, y, floor), (0.0, y, top), "outer edge of the reed"),
    ]  # fmt: skip
