"""A virtual printer and caliper that are richer than the model, for checking it from outside.

Walls of the real body are moved, and the caliper's jaws are closed on them: which way a wall faces is
found by probing the body for material, not from the feature's kind. Nothing of `calib` is imported
and no constant is shared with it. What this world has and the model has not: walls that differ from
axis to axis and from outside to inside, a deviation of each wall that all lengths touching it share,
scatter unknown beforehand, an eccentric pulley, an elephant's foot, a caliper whose error is a curve
within its limits, which may be un-zeroed or worn, warmth of part and caliper, slips of hand.

Whatever is drawn for one print may be drawn for n prints at once: numbers are then arrays of n, and a
print's lengths and readings get a first axis of n.
"""

import itertools
import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from patterns.body import AXES, Body, Circle
from patterns.feature import Feature
from patterns.piece import Piece

_PROBE_MM = 0.3


@dataclass(frozen=True, kw_only=True)
class Machine:
    """Truth of a printer with one filament; every number may be an array of n printers.

    Attributes
    ----------
    stretch : (3,) float
        What a long length along X, Y, Z comes out too long, as a fraction, at 20 degrees C.
    lean_deg : float
        How far Y leans towards +X.
    outer_mm, inner_mm : (2,) float
        How far one wall stands too far into the air, by the axis it faces: walls of islands and rims,
        and walls of pockets, notches and gaps.
    first_layer_mm : float
        Thickness of the first layer more than asked for.
    wall_sd_mm : float
        Scatter of a length from feature to feature on one piece.
    shared : float
        Share of that variance that belongs to the wall, and so to every length that touches it.
    runout_mm, turn_mm, phase
        An eccentric pulley: amplitude, travel per turn, phase along X and Y.
    roof_mm : float
        How far a roof that bridges a window hangs down.
    foot_mm : float
        How far the lowest walls bulge out at the bed; gone at 0.6 mm.
    expansion_per_k, part_c
        Thermal expansion of the filament, temperature of the part when measured.
    """

    stretch: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lean_deg: float = 0.0
    outer_mm: tuple[float, float] = (0.0, 0.0)
    inner_mm: tuple[float, float] = (0.0, 0.0)
    roof_mm: float = 0.0
    first_layer_mm: float = 0.0
    wall_sd_mm: float = 0.02
    shared: float = 0.5
    runout_mm: float = 0.0
    turn_mm: float = 40.0
    phase: tuple[float, float] = (0.0, 0.0)
    foot_mm: float = 0.0
    expansion_per_k: float = 70e-6
    part_c: float = 20.0


@dataclass(frozen=True, kw_only=True)
class Jaws:
    """Truth of a caliper and the hand that holds it; every number may be an array of n.

    Attributes
    ----------
    closed_mm : float
        What it shows with closed jaws: not zeroed where it is not 0.
    curve : tuple of (amplitude mm, wavelength mm, phase)
        Error along the scale, nought at 0.
    inside_mm, depth_mm : float
        What the inside jaws and the rod add, worn or bent.
    hand_mm, step_mm : float
        Repeatability and resolution.
    slip : float
        Probability that a reading is a gross slip.
    """

    closed_mm: float = 0.0
    curve: tuple[tuple[float, float, float], ...] = ()
    inside_mm: float = 0.0
    depth_mm: float = 0.0
    hand_mm: float = 0.012
    step_mm: float = 0.01
    slip: float = 0.0
    expansion_per_k: float = 11e-6

    def shows(self, length_mm, jaws, rng, c=20.0):
        """Return what one reading of each true length shows."""
        seen = length_mm * (1 - self.expansion_per_k * (c - 20.0)) + self.closed_mm
        for amplitude, wave, phase in self.curve:
            seen = seen + amplitude * (np.sin(phase + 2 * np.pi * length_mm / wave) - np.sin(phase))
        seen = seen + {"inside": self.inside_mm, "depth": self.depth_mm}.get(jaws, 0.0)
        shape = np.shape(seen)
        seen = seen + self.hand_mm * rng.normal(size=shape)
        if self.slip:
            slipped = rng.random(shape) < self.slip
            by = rng.choice([-1, 1], shape) * rng.choice([0.1, 0.2, 0.5, 1.0, 0.9, 0.09], shape)
            seen = seen + slipped * by
        return self._displayed(seen)

    def shows_closed(self, rng):
        """Return what the display shows with wiped, closed jaws."""
        seen = self.closed_mm + 0.003 * rng.normal(size=np.shape(self.inside_mm))
        return self._displayed(seen)

    def _displayed(self, seen):
        return np.round(np.round(seen / self.step_mm) * self.step_mm, 6)


def bent(rng, limit_mm, reach_mm=150.0, n=()):
    """Draw a curve of error that stays within the limit over the reach, nought at 0."""
    parts = [(rng.normal(size=n), reach_mm / k * rng.uniform(0.7, 1.4, n), rng.uniform(0, 2 * np.pi, n))
             for k in (0.5, 1, 2)]  # fmt: skip
    at = np.linspace(0, reach_mm, 200)
    at = at.reshape(-1, *(1,) * np.ndim(parts[0][0]))
    error = sum(a * (np.sin(p + 2 * np.pi * at / w) - np.sin(p)) for a, w, p in parts)
    scale = rng.uniform(0.2, 1.0, n) * limit_mm / np.abs(error).max(axis=0)
    return tuple((a * scale, w, p) for a, w, p in parts)


@dataclass(frozen=True)
class Touch:
    """Where a jaw touches: the point, the way the wall faces, a name shared by touches of one wall."""

    at: np.ndarray
    outward: np.ndarray
    wall: tuple
    pocket: bool


def inside(body: Body, point) -> bool:
    """Whether a point lies in material."""
    return any(_in_prism(p, point) for p in body.add) and not any(
        _in_prism(p, point) for p in body.cut
    )


def _in_prism(prism, point) -> bool:
    i, j, k = AXES[prism.axis]
    if not prism.start_mm <= point[k] <= prism.end_mm:
        return False
    return _in_loop(prism.outline, point[i], point[j]) and not any(
        _in_loop(h, point[i], point[j]) for h in prism.holes
    )


def _in_loop(loop, u, v) -> bool:
    """Tell by counting crossings of a ray (even: outside)."""
    if isinstance(loop, Circle):
        return math.hypot(u - loop.u, v - loop.v) <= loop.diameter_mm / 2
    crossings = 0
    for (u0, v0), (u1, v1) in zip(loop, loop[1:] + loop[:1], strict=True):
        if (v0 > v) != (v1 > v) and u < u0 + (v - v0) * (u1 - u0) / (v1 - v0):
            crossings += 1
    return crossings % 2 == 1


def touches(piece: Piece, f: Feature) -> tuple[Touch, Touch]:
    """Find the two walls that the jaws close on.

    A wall faces along the line of measurement, towards where there is no material.
    """
    a, b = np.array(f.start, float), np.array(f.end, float)
    along = (b - a) / np.linalg.norm(b - a)
    faces = []
    for point, ahead in ((a, along), (b, -along)):
        faces.append(_facing(piece.body, point, ahead, f.id))
    # Walls that look at each other bound a pocket, a notch or a gap.
    pocket = float(faces[0] @ along) > 0 > float(faces[1] @ along)
    return tuple(
        Touch(at=p, outward=o, wall=(*np.round(p, 1), *np.round(o, 1)), pocket=pocket)
        for p, o in ((a, faces[0]), (b, faces[1]))
    )


def _facing(body: Body, point, ahead, name: str) -> np.ndarray:
    """Return the way a wall faces; jaws that rest on an edge find it just beside."""
    for aside in itertools.product((0.0, -0.4, 0.4), repeat=3):
        near = point + np.array(aside) * (np.abs(ahead) < 0.5)
        material_ahead = inside(body, near + _PROBE_MM * ahead)
        if material_ahead != inside(body, near - _PROBE_MM * ahead):
            return -ahead if material_ahead else ahead
    msg = f"{name}: no wall at {tuple(point)}"
    raise ValueError(msg)


@lru_cache(maxsize=64)
def _walls(piece: Piece, features: tuple[Feature, ...]):
    return [touches(piece, f) for f in features]


def true_lengths(piece: Piece, features, machine: Machine, rng) -> np.ndarray:
    """Print the piece and return the true length of each feature, at the part's temperature.

    Shape (features,), or (n, features) for n printers.
    """
    n = np.shape(machine.stretch[0])
    own: dict[tuple, np.ndarray] = {}
    lengths = []
    # Two walls to a length; part of each one's deviation is the wall's own, wherever it is touched.
    sd = machine.wall_sd_mm / math.sqrt(2)
    of_wall, of_touch = sd * math.sqrt(machine.shared), sd * math.sqrt(1 - machine.shared)
    for pair in _walls(piece, tuple(features)):
        ends = []
        for touch in pair:
            if touch.wall not in own:
                own[touch.wall] = of_wall * rng.normal(size=n)
            out = _stands_out(machine, touch) + own[touch.wall] + of_touch * rng.normal(size=n)
            ends.append(
                [
                    at + out * o
                    for at, o in zip(_moved(machine, touch.at), touch.outward, strict=True)
                ]
            )
        lengths.append(np.sqrt(sum((b - a) ** 2 for a, b in zip(*ends, strict=True))))
    return np.stack(lengths, axis=-1) * (1 + _warmth(machine))[..., None]


def _warmth(machine: Machine):
    return np.asarray(machine.expansion_per_k * (machine.part_c - 20.0))


def _stands_out(machine: Machine, touch: Touch):
    """How far a wall stands too far out, along the way it faces."""
    z = touch.at[2]
    if touch.outward[2] > 0.9:  # a top: whole layers
        return 0.0
    if touch.outward[2] < -0.9:  # the face on the bed, or a roof
        return machine.first_layer_mm if z < 1e-6 else machine.roof_mm
    walls = machine.inner_mm if touch.pocket else machine.outer_mm
    out = touch.outward[0] ** 2 * walls[0] + touch.outward[1] ** 2 * walls[1]
    return out + machine.foot_mm * max(0.0, 1 - z / 0.6)


def _moved(machine: Machine, point) -> tuple:
    """Where the printer puts a drawn point."""
    x, y, z = (p * (1 + s) for p, s in zip(point, machine.stretch, strict=True))
    turn = 2 * np.pi / machine.turn_mm
    x = x + machine.runout_mm * np.sin(turn * point[0] + machine.phase[0])
    y = y + machine.runout_mm * np.sin(turn * point[1] + machine.phase[1])
    lean = np.radians(machine.lean_deg)
    return x + y * np.sin(lean), y * np.cos(lean), z


@dataclass(frozen=True, kw_only=True)
class World:
    """How a printer, a part and a caliper are drawn: one row of the table of coverage."""

    name: str
    inside_more_mm: tuple[float, float] = (0.0, 0.0)  # per length: inside less outside offset
    axes_differ_mm: float = 0.0
    scatter_mm: tuple[float, float] = (0.015, 0.015)
    shared: float = 0.0
    runout_mm: float = 0.0
    foot_mm: float = 0.0
    roof_mm: float = 0.0
    part_c: tuple[float, float] = (20.0, 20.0)
    says_part_c: bool = False
    closed_mm: float = 0.0
    says_closed: bool = True
    jaws_mm: float = 0.0
    curve_mm: float = 0.0
    straight_mm: float = 0.0  # at 150 mm: an error in proportion to length
    hand_mm: tuple[float, float] = (0.015, 0.015)
    step_mm: float = 0.01
    slip: float = 0.0
    repeats: int = 2
    stretch_sd: float = 0.004
    offset_sd_mm: float = 0.08
    lean_sd_deg: float = 0.3

    def machine(self, rng, n=()) -> Machine:
        """Draw a printer with a filament, or n of them."""
        both = self.offset_sd_mm * rng.normal(size=n) / 2

        def per_axis(mean, sd):
            return [mean + sd * rng.normal(size=n) for _ in "xy"]

        out = [both + apart for apart in per_axis(0.0, self.axes_differ_mm / 2)]
        mean, sd = self.inside_more_mm
        return Machine(
            stretch=tuple(self.stretch_sd * rng.normal(size=n) for _ in "xyz"),
            lean_deg=self.lean_sd_deg * rng.normal(size=n),
            outer_mm=tuple(out),
            inner_mm=tuple(
                o + more for o, more in zip(out, per_axis(mean / 2, sd / 2), strict=True)
            ),
            roof_mm=both + np.abs(self.roof_mm * rng.normal(size=n)),
            first_layer_mm=0.05 * rng.normal(size=n),
            wall_sd_mm=rng.uniform(*self.scatter_mm, n),
            shared=self.shared,
            runout_mm=rng.uniform(0, self.runout_mm, n),
            turn_mm=rng.choice([32.0, 40.0], n),
            phase=tuple(rng.uniform(0, 2 * np.pi, n) for _ in "xy"),
            foot_mm=rng.uniform(0, self.foot_mm, n),
            expansion_per_k=rng.uniform(60e-6, 90e-6, n),
            part_c=rng.uniform(*self.part_c, n),
        )

    def jaws(self, rng, n=()) -> Jaws:
        """Draw a caliper, or n of them."""
        curve = bent(rng, self.curve_mm, n=n) if self.curve_mm else ()
        if self.straight_mm:  # a sine so long that it is a straight line
            slope = self.straight_mm * rng.normal(size=n) / 150.0
            curve = ((slope * 1e5 / (2 * np.pi), 1e5, 0.0),)
        return Jaws(
            closed_mm=self.closed_mm,
            curve=curve,
            inside_mm=rng.uniform(-self.jaws_mm, self.jaws_mm, n),
            depth_mm=rng.uniform(-self.jaws_mm, self.jaws_mm, n),
            hand_mm=rng.uniform(*self.hand_mm, n),
            step_mm=self.step_mm,
            slip=self.slip,
        )


#: The model's own world but for how it is worked out; and what real printers add to it.
EQUAL = World(name="as the model", straight_mm=0.017, jaws_mm=0.02, says_part_c=True)
REAL = World(
    name="as printers are",
    inside_more_mm=(0.02, 0.02),
    axes_differ_mm=0.01,
    scatter_mm=(0.01, 0.04),
    shared=0.5,
    runout_mm=0.015,
    foot_mm=0.2,
    roof_mm=0.05,
    part_c=(20.0, 25.0),
    jaws_mm=0.02,
    curve_mm=0.03,
    hand_mm=(0.008, 0.02),
    slip=0.005,
)
WORLDS = (
    EQUAL,
    REAL,
    replace(REAL, name="jaws not looked at", says_closed=False),
    replace(EQUAL, name="inside 0.05 more", inside_more_mm=(0.05, 0.0)),
    replace(EQUAL, name="scatter 0.03", scatter_mm=(0.03, 0.03)),
    replace(EQUAL, name="0.05 not zeroed", closed_mm=0.05),
    replace(EQUAL, name="0.05, not looked at", closed_mm=0.05, says_closed=False),
    replace(EQUAL, name="at 25 degC", part_c=(25.0, 25.0), says_part_c=False),
    replace(EQUAL, name="at 20 degC, not said", says_part_c=False),
    replace(EQUAL, name="slips of hand", slip=0.03),
    replace(EQUAL, name="ruler of 1 mm", step_mm=1.0, hand_mm=(0.2, 0.3)),
)


@dataclass(frozen=True, kw_only=True)
class Print:
    """One print, or n of them, with the truth about them.

    Attributes
    ----------
    features : the features that were read
    values : (repeats, features) or (repeats, n, features) float
    closed_mm, part_c : what was written down, None where nothing was
    """

    features: tuple[Feature, ...]
    values: np.ndarray
    world: World
    machine: Machine
    jaws: Jaws
    truth: dict[str, float]
    closed_mm: float | np.ndarray | None
    part_c: float | np.ndarray | None

    @property
    def read(self) -> list[tuple[Feature, float]]:
        """Every reading of one print with its feature, repeats together."""
        return [
            (f, float(v)) for f, own in zip(self.features, self.values.T, strict=True) for v in own
        ]

    @property
    def head(self) -> dict[str, str]:
        """What the head of one print's sheet says."""
        head = {}
        if self.closed_mm is not None:
            head["jaws_closed_mm"] = f"{self.closed_mm:.2f}"
        if self.part_c is not None:
            head["part_c"] = f"{self.part_c:.0f}"
        return head


#: Longest length that a usual caliper reads.
_REACH_MM = 150.0


def printed(piece: Piece, features, world: World, rng, machine=None, jaws=None, n=()) -> Print:
    """Print a piece once, or n times on n printers, and read its features."""
    machine, jaws = machine or world.machine(rng, n), jaws or world.jaws(rng, n)
    features = tuple(f for f in features if f.nominal <= _REACH_MM)
    lengths = true_lengths(piece, features, machine, rng)
    values = [
        [jaws.shows(lengths[..., i], f.jaws, rng, machine.part_c) for i, f in enumerate(features)]
        for _ in range(world.repeats)
    ]
    return Print(
        features=features,
        values=np.moveaxis(np.array(values), 1, -1),
        world=world,
        machine=machine,
        jaws=jaws,
        truth=truths(machine),
        closed_mm=jaws.shows_closed(rng) if world.says_closed else None,
        part_c=np.round(machine.part_c + rng.normal(size=n)) if world.says_part_c else None,
    )


def truths(machine: Machine) -> dict[str, float]:
    """Return the error of every setting, in its own unit: what a perfect sheet would find."""
    per_cent = {f"scale_{a}_percent": 100 * e for a, e in zip("xyz", machine.stretch, strict=True)}
    return per_cent | {
        "outline_offset_mm": (machine.outer_mm[0] + machine.outer_mm[1]) / 2,
        "skew_xy_deg": machine.lean_deg,
        "first_layer_gap_mm": machine.first_layer_mm,
    }
