"""What a piece would tell, before it is printed: the block of a sheet that was not filled in yet.

Lengths go through the fit itself. Judged ladders and towers are taken to tell their setting to about a
third of the spacing of their rungs: judgements, common practice, no source.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from calib.fit.dimensions import expected_fit
from calib.interpret.lengths import is_length, made_for_sizes
from calib.model.instrument import DEFAULTS, Instrument
from calib.model.setting import settings_of
from calib.profile.blocks import Block, joined, value_rows
from calib.profile.evidence import Made, block_of, parameter_part, setting_part
from patterns.feature import Kind
from patterns.piece import Piece

#: Standard uncertainty over the spacing of a ladder's rungs: a rung as a rectangular distribution, and a
#: fifth more for the judge.
_OF_SPACING = 0.35
#: What closed jaws leave of the caliper's zero, which thin walls carry in full.
_JAWS_MM = 0.006
#: Of what is done without a piece: extruder steps as a share, the diameter of filament.
_FEED_SHARE = 0.004
_FILAMENT_MM = 0.008
#: What tells how the printer moves, and how well, over what is wanted.
_MOTION, _OF_WANTED = ("play", "ripple", "smooth", "lag"), 0.35
#: Of the level, in turns of a screw.
LEVEL_TURNS = 0.05
#: Of the first layer's height from the thickness of patches, their mean.
_FIRST_LAYER_MM = 0.018


def foreseen(
    piece: Piece,
    settles: tuple[str, ...],
    made: Made,
    instruments: Mapping[str, Instrument] = DEFAULTS,
) -> Block | None:
    """Return the block that the piece's sheet would give; its z says nothing.

    Parameters
    ----------
    settles : tuple of str
        Topics that its pattern declares.
    made : Made
        With which printer, nozzle and spool it would be made.
    """
    features = [f for f in piece.by_hand if is_length(f)]
    made = replace(made, pattern=piece.pattern)
    found = None
    if features and made_for_sizes(features):
        found = block_of(made, expected_fit(features, instruments["caliper"], repeats=1), [])
    told = dict(_values(piece, settles, made, instruments))
    if not told:
        return found
    rows = [(setting_part(name, made), 0.0, u) for name, u in told.items()]
    if "level" in told and "first_layer" in settles:
        part = parameter_part("squeeze", 0.0, made)
        assert part is not None
        rows.append((part, 0.0, _FIRST_LAYER_MM))
    values = value_rows(rows)
    block = found or Block(
        uid=made.uid, at=made.at, coordinates=(), r=np.zeros((0, 0)), z=np.zeros(0)
    )
    coordinates, r, z = joined((block.coordinates, block.r, block.z), values)
    return replace(
        block, coordinates=coordinates, r=r, z=np.zeros_like(z), pattern=piece.pattern,
        settings=(*block.settings, *told), readings=len(piece.by_hand),
    )  # fmt: skip


def _values(
    piece: Piece, settles: tuple[str, ...], made: Made, instruments: Mapping[str, Instrument]
) -> Iterator[tuple[str, float]]:
    """Yield each setting found by itself with the standard uncertainty that is to be expected."""
    kinds = {f.kind for f in piece.by_hand if f.rung is None}
    if kinds & {Kind.WALL, Kind.MASS}:
        yield "flow_percent", _flow_u(piece, instruments)
    if "level" in settles:
        yield "level", LEVEL_TURNS
    if "extruder" in settles:
        steps = made.was_set.get("steps_e_per_mm", 100.0)
        yield "steps_e_per_mm", _FEED_SHARE * steps
    if "filament" in settles:
        yield "filament_mm", _FILAMENT_MM
    if "holes" in settles:
        caliper = instruments["caliper"]
        for s in settings_of("holes"):
            yield s.name, math.hypot(caliper.u_zero, 0.01)
    axes = {f.axis for f in piece.by_hand}
    for s in settings_of(tuple(t for t in settles if t in _MOTION)):
        if s.wanted and (not s.axis or s.axis in axes):
            yield s.name, _OF_WANTED * s.wanted
    spacing = _spacing(piece)
    for topic in settles:
        if topic in ("temperature", "retraction", "overhang", "bridge", "clearance") and spacing:
            for s in settings_of(topic):
                if s.wanted:
                    yield s.name, _OF_SPACING * spacing


def _flow_u(piece: Piece, instruments: Mapping[str, Instrument]) -> float:
    """Return how well walls and mass together tell the flow, in %."""
    found = []
    walls = [f.nominal for f in piece.by_hand if f.kind is Kind.WALL]
    if walls:
        caliper = instruments["caliper"]
        each = math.hypot(caliper.u_reading, 0.01) / math.sqrt(len(walls))
        found.append(100 * math.hypot(each, _JAWS_MM) / max(walls))
    masses = [f.nominal for f in piece.by_hand if f.kind is Kind.MASS and f.nominal > 0]
    if masses:
        found.append(100 * math.hypot(instruments["balance"].u_reading / max(masses), 0.008))
    return float(sum(u**-2 for u in found) ** -0.5)


def _spacing(piece: Piece) -> float:
    rungs = sorted({f.rung for f in piece.by_hand if f.rung is not None})
    return (rungs[-1] - rungs[0]) / (len(rungs) - 1) if len(rungs) > 1 else 0.0
