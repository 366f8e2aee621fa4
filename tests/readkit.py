"""Sheets for tests of the interpreters: pieces built by hand, readings from a function."""

from dataclasses import dataclass

from calib.readings import Reading, Sheet
from patterns.body import Body
from patterns.feature import Feature, Kind
from patterns.piece import Piece
from patterns.schedule import ScheduleRow
from patterns.spec import PrintSetup, Spec, choice, number


@dataclass(frozen=True, kw_only=True)
class LadderSpec(Spec):
    """Parameters such as the ladders and towers have."""

    from_c: float = number(190.0, "degC", 0.0, 500.0, "first rung")
    to_c: float = number(230.0, "degC", 0.0, 500.0, "last rung")
    step_c: float = number(5.0, "degC", 0.01, 100.0, "step")
    filament: str = choice("PLA", ("PLA", "PETG"), "type of filament")


def feature(name, kind, nominal, *, at=(0.0, 0.0, 0.0), to=None, **more):
    to = (at[0] + nominal, at[1], at[2]) if to is None else to
    given = {"axis": "", "where": name, **more}
    return Feature(id=name, kind=kind, nominal=nominal, start=at, end=to, **given)


def piece(features, pattern="by-hand", setup=None, schedule=(), volume=None, spec=None):
    return Piece(
        pattern=pattern,
        spec=spec or LadderSpec(),
        setup=setup or PrintSetup(),
        body=Body(add=()),
        features=tuple(features),
        schedule=tuple(schedule),
        volume_mm3=volume,
    )


def sheet(made, read, repeats=1, **keys):
    """Read every feature with `read(feature)`; None leaves it out."""
    readings = [
        Reading(feature=f.id, value=float(value), where=f"{f.id} {k + 1}")
        for f in made.features
        for k in range(repeats)
        if (value := read(f)) is not None
    ]
    return Sheet(piece=made, piece_id="t", readings=tuple(readings), keys=keys)


def wall_box(line=0.45, lines=1):
    walls = [
        feature(f"wall_{side}_{high}", Kind.WALL, lines * line, group="wall")
        for side in ("front", "right", "back", "left")
        for high in ("low", "middle", "high")
    ]
    return piece(walls, setup=PrintSetup(line_mm=line))


def block(volume=20000.0):
    return piece([feature("mass", Kind.MASS, volume * 1.24e-3)], volume=volume)


def ladder(pattern, rungs, nominal_sag=2.0):
    judged = [
        feature(f"pass_{k}", Kind.PASS, 1.0, rung=r, group="pass") for k, r in enumerate(rungs)
    ]
    sagged = [
        feature(f"sag_{k}", Kind.STEP, nominal_sag, rung=r, group="sag", axis="Z")
        for k, r in enumerate(rungs)
    ]
    return piece([*judged, *sagged], pattern=pattern)


def tower(temps, groups=("bridge", "strings"), setting="hot_end_c", setup=None):
    features = [
        feature(f"{g}_{k}", Kind.SCORE, 10.0, rung=t, group=g)
        for k, t in enumerate(temps)
        for g in groups
    ]
    rows = [
        ScheduleRow(z_from_mm=10.0 * k, z_to_mm=10.0 * (k + 1), setting=setting, value=t)
        for k, t in enumerate(temps)
    ]
    return piece(features, pattern="temperature-tower", schedule=rows, setup=setup)


def sockets(clearances, groups=("round", "square")):
    return piece(
        [
            feature(
                f"{g}_{k}", Kind.PASS, 1.0, rung=c, group=g,
                grades=("stuck", "press", "slide", "loose"),
            )
            for k, c in enumerate(clearances)
            for g in groups
        ],
        pattern="fit-gauge",
    )  # fmt: skip


def hole_plate(sizes=(3.0, 4.0, 6.0, 8.0, 12.0), group="vertical"):
    return piece(
        [
            feature(
                f"{group}_{d:g}_{a}", Kind.DIAMETER, d, axis=a, rung=d, group=group, jaws="inside"
            )
            for d in sizes
            for a in "XY"
        ]
    )


def bed(at=(30.0, 110.0, 190.0), thick=0.4):
    return piece(
        [
            feature(
                f"patch_{i}_{j}", Kind.HEIGHT, thick, at=(x, y, 0.0), to=(x, y, thick),
                axis="Z", group="patch",
            )
            for i, x in enumerate(at)
            for j, y in enumerate(at)
        ]
    )  # fmt: skip
