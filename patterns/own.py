"""Pieces that are not of the package: a user's own solid, and a piece described by its sheet alone.

A sheet of such a piece carries all that a fit needs to know of it, so that it is solved without the file
that made it, and without running anything.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from patterns.body import Body, box
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.piece import JAWS_CLOSED, Advice, HeadLine, Piece
from patterns.schedule import ScheduleRow
from patterns.spec import PrintSetup, Spec

_FIELDS = (
    "id", "kind", "axis", "nominal", "where", "start", "end", "view", "jaws", "rung", "group",
    "grades", "by",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class OwnSpec(Spec):
    """No parameters."""


def piece_of(
    solid: Any,
    name: str,
    setup: PrintSetup,
    *,
    spec: Spec | None = None,
    features: tuple[Feature, ...] = (),
) -> Piece:
    """Return the piece of a solid: a CadQuery Workplane or shape, or one of the kernel's own.

    It is moved so that its lowest corner lies at the origin; its opposite faces and cylinders are found
    and offered as features where none are given.

    Raises
    ------
    SpecError
        It is no solid, it holds more than one, or nothing on it can be measured.
    """
    from patterns import solid as kernel
    from patterns.solid_found import found_features
    from patterns.solid_parts import SolidError

    shape = kernel.on_bed(kernel.one_solid(_wrapped(solid), name))
    try:
        found = features or found_features(shape)
    except SolidError as err:
        raise SpecError(f"{name}: {err}", mend="turn it so that faces lie along the axes") from err
    return Piece(
        pattern=name,
        spec=spec or OwnSpec(),
        setup=setup,
        body=Body(add=(), shape=shape),
        features=found,
        advice=Advice(notes=("Print it as it lies, axes along the printer's; no scaling.",)),
        head_lines=(JAWS_CLOSED,),
        volume_mm3=kernel.volume_mm3(shape),
        smaller=("print a smaller part",) * 3,
    )


def piece_from_step(path: Path, setup: PrintSetup) -> Piece:
    """Return the piece of a STEP file, named after the file.

    Raises
    ------
    SpecError
        The file is missing, is no STEP file, or holds no single solid.
    """
    from patterns import solid as kernel

    if not path.is_file():
        raise SpecError(f"there is no file {path}", mend="give the path of a STEP file")
    return piece_of(kernel.read_step(path), own_name(path.stem), setup)


def own_name(words: str) -> str:
    """Return the pattern's name of a part of the user's own."""
    return "own-" + (re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-") or "solid")


@dataclass(frozen=True, slots=True)
class DrawnLength:
    """A length of a part as drawn: along which axis of the printer it lay, and between what."""

    axis: str
    nominal_mm: float
    kind: str = "outside"

    def feature(self) -> Feature:
        """Return it as something to measure.

        Raises
        ------
        SpecError
            The axis, the kind or the length makes no sense.
        """
        axis, mm = self.axis.upper(), self.nominal_mm
        if axis not in ("X", "Y", "Z"):
            raise SpecError(f"there is no axis {self.axis!r}", mend="use X, Y or Z")
        if self.kind not in (Kind.OUTSIDE, Kind.INSIDE):
            raise SpecError(f"a length is not {self.kind!r}", mend="use outside or inside")
        if not 1.0 <= mm <= 5000.0:
            raise SpecError(f"a length of {mm:g} mm can't be measured", mend="give 1 to 5000 mm")
        kind = Kind(self.kind)
        if axis == "Z" and kind is Kind.OUTSIDE:
            kind = Kind.HEIGHT
        end = tuple(mm if a == axis else 0.0 for a in "XYZ")
        return Feature(
            id=f"{axis.lower()}_{kind}_{mm:g}", kind=kind, axis=axis, nominal=mm,
            where=f"{self.kind} length of {mm:g} mm along {axis}, as drawn", start=(0.0, 0.0, 0.0),
            end=(end[0], end[1], end[2]), jaws=str(self.kind), group="size",
        )  # fmt: skip


def piece_of_lengths(name: str, lengths: Sequence[DrawnLength], setup: PrintSetup) -> Piece:
    """Return a part of which nothing is known but some lengths as they were drawn."""
    features = tuple(length.feature() for length in lengths)
    return Piece(
        pattern=own_name(name),
        spec=OwnSpec(),
        setup=setup,
        body=_box_round(features),
        features=features,
        head_lines=(JAWS_CLOSED,),
    )


def _wrapped(solid: Any) -> Any:
    """Return the kernel's shape in a Workplane, an assembly's compound, a shape, or as it is."""
    for step in ("toCompound", "val"):
        if hasattr(solid, step):
            solid = getattr(solid, step)()
    return getattr(solid, "wrapped", solid)


def described(piece: Piece) -> str:
    """Return all that a fit needs to know of a piece, as one line of JSON."""
    features = [
        [f.id, str(f.kind), f.axis, f.nominal, f.where, f.start, f.end, f.view, f.jaws, f.rung,
         f.group, f.grades, f.by]
        for f in piece.features
    ]  # fmt: skip
    told = {
        "features": features,
        "schedule": [[r.z_from_mm, r.z_to_mm, r.setting, r.value] for r in piece.schedule],
        "head_lines": [[h.key, h.meaning, h.example] for h in piece.head_lines],
        "volume_mm3": piece.volume_mm3,
        "spec": piece.spec.as_text(),
    }
    return json.dumps(told, separators=(",", ":"))


def piece_told(name: str, text: str, setup: PrintSetup) -> Piece:
    """Return the piece that a line of `described` tells of; for its solid stands the box round it.

    Raises
    ------
    SpecError
        The line was changed so that it can't be understood.
    """
    try:
        told = json.loads(text)
        features = tuple(_feature(row) for row in told["features"])
        volume = told["volume_mm3"]
        return Piece(
            pattern=name,
            spec=KeptSpec({str(k): str(v) for k, v in told["spec"].items()}),
            setup=setup,
            body=_box_round(features),
            features=features,
            schedule=tuple(
                ScheduleRow(z_from_mm=float(a), z_to_mm=float(b), setting=str(c), value=float(d))
                for a, b, c, d in told["schedule"]
            ),
            head_lines=tuple(HeadLine(str(k), str(m), str(e)) for k, m, e in told["head_lines"]),
            volume_mm3=None if volume is None else float(volume),
        )
    except SpecError:
        raise
    except (ValueError, TypeError, KeyError, AttributeError, IndexError) as err:
        raise SpecError(
            f"own_piece can't be understood ({err})",
            mend="put the line back as it was, or make the sheet again",
        ) from err


def _feature(row: list[Any]) -> Feature:
    values = dict(zip(_FIELDS, row, strict=True))
    for name in ("start", "end"):
        x, y, z = (float(v) for v in values[name])
        values[name] = (x, y, z)
    values["kind"] = Kind(values["kind"])
    values["nominal"] = float(values["nominal"])
    values["grades"] = tuple(str(g) for g in values["grades"])
    values["rung"] = None if values["rung"] is None else float(values["rung"])
    return Feature(**values)


def _box_round(features: tuple[Feature, ...]) -> Body:
    points = [p for f in features for p in (f.start, f.end)]
    low = [min(p[k] for p in points) for k in range(3)]
    high = [max(max(p[k] for p in points), low[k] + 1.0) for k in range(3)]
    return Body(add=(box(low[0], low[1], min(low[2], 0.0), high[0], high[1], high[2]),))


@dataclass(frozen=True)
class KeptSpec(Spec):
    """The parameters that a sheet names, as words."""

    words: Mapping[str, str]

    def __post_init__(self) -> None:
        object.__setattr__(self, "words", dict(self.words))

    def as_text(self) -> dict[str, str]:
        """Return them as they stand."""
        return dict(self.words)
