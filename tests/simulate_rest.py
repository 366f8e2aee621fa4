"""Flow, holes, bed, feed, machine and material with known truth, richer than the fits' models.

What plastic, calipers and balances do is drawn here by numbers of this file's own: no constant and no
formula comes from `calib` but the fits that are under test, and what users write on a sheet (an
instrument's resolution and repeatability). Each world has what its model lacks and says so.
"""

import math

import numpy as np

from calib.fit.bed import Screw, fit_bed
from calib.fit.extruder import fit_feed
from calib.fit.flow import Block, FlowData, Roll, Wall, fit_flow
from calib.fit.holes import fit_holes
from calib.fit.split import Errors, Priors, size, split
from tests.simulate_fits import Hits, holds

#: What the sheet says of an ordinary caliper and balance: standard uncertainty of one reading, and of
#: the caliper's zero where its closed jaws were looked at.
READ_MM = math.hypot(0.015, 0.01 / math.sqrt(12))
CLOSED_MM = math.hypot(0.005, 0.01 / math.sqrt(12))
WEIGHED_G = math.hypot(0.05, 0.1 / math.sqrt(12))
DENSITY, LAYER_MM, LINE_MM = 1.24, 0.2, 0.45


class Hand:
    """A hand with a caliper: how far its zero and its short lengths are off, and how it repeats."""

    def __init__(self, rng) -> None:
        self.rng = rng
        self.zero = rng.uniform(-0.03, 0.03)
        self.short = rng.uniform(-0.008, 0.008)  # its error on lengths of some millimetres
        self.inside = rng.uniform(-0.02, 0.02)
        self.sd = rng.uniform(0.008, 0.02)

    def display(self, shown) -> float:
        return round(round(shown / 0.01) * 0.01, 6)

    def reads(self, length: float) -> float:
        """Return a reading less what the closed jaws showed."""
        shown = self.display(length + self.zero + self.short + self.rng.normal(0, self.sd))
        return shown - self.display(self.zero + self.rng.normal(0, 0.003))


def _wall_mm(
    flow: float, lines: int, asked_mm: float, rng, closed: float, sides_mm: float
) -> float:
    """Return how wide a wall really is at the ridges that a jaw rests on.

    Lines lie where they were sent; what is too much in the inner ones fills gaps (1 - closed) or pushes
    the outer ones apart. The sides bulge by less than half-rounds, and layers do not lie straight.
    """
    body = (
        asked_mm - LAYER_MM * 0.2146
    )  # a rectangle of the same area: the printing program's own sum
    pushed = 1 / lines + closed * (1 - 1 / lines)
    ridges = np.abs(rng.normal(0, 0.006, 2)).sum()
    return body + (flow - 1) * body * pushed + sides_mm + ridges + rng.normal(0, 0.010)


def small_piece(rng) -> Hits:
    """One small piece: two walls of four lines read twice, its mass on a balance that shows 0.1 g.

    Not in the model: strands neither round nor square, ridges, strings and blobs that weigh nothing, a
    balance with a slope, a caliper that is off on short lengths.
    """
    hand, flow = Hand(rng), rng.uniform(0.93, 1.07)
    sides, closed = LAYER_MM * rng.uniform(0.14, 0.25), rng.uniform()
    walls = []
    for name in "ab":
        true = _wall_mm(flow, 4, 1.8, rng, closed, sides)
        read = np.mean([hand.reads(true) for _ in range(2)])
        u = math.hypot(0.015 / math.sqrt(2), 0.01 / math.sqrt(12))
        walls.append(Wall(name=name, read_mm=read, nominal_mm=1.8, u_mm=u, lines=4))
    block = _weighed(4430.0, flow, rng)
    result = fit_flow(_told(walls=walls, blocks=[block]))
    return {"flow, small piece": holds(result.flow, flow)}


def _told(**evidence) -> FlowData:
    """Return what a careful user writes: the data sheet's density, closed jaws, length extruded."""
    return FlowData(
        layer_mm=LAYER_MM,
        set_filament_mm=1.75,
        density_g_cm3=DENSITY,
        u_density=0.005,
        u_zero_mm=CLOSED_MM,
        **evidence,
    )


def _weighed(asked_mm3: float, flow: float, rng) -> Block:
    density = DENSITY * (1 + rng.uniform(-0.008, 0.008))
    mass = asked_mm3 / 1000 * flow * density * (1 - rng.uniform(0, 0.003))
    # A balance in use may be off by one of its steps (OIML R 76, class III up to 500 steps, from memory).
    shown = mass * (1 + rng.normal(0, 0.001)) + rng.uniform(-0.1, 0.1) + rng.normal(0, 0.02)
    return Block(
        name="m", mass_g=round(shown, 1), asked_mm3=asked_mm3, u_g=WEIGHED_G, u_volume=0.002
    )


def box_block_filament(rng) -> Hits:
    """A box of one line, a block on the balance, and the filament at six places, each by itself too."""
    hand, flow = Hand(rng), rng.uniform(0.93, 1.07)
    sides = LAYER_MM * rng.uniform(0.14, 0.25)
    walls = [
        Wall(
            name=str(i),
            read_mm=hand.reads(_wall_mm(flow, 1, LINE_MM, rng, 1.0, sides)),
            nominal_mm=LINE_MM,
            u_mm=READ_MM,
        )
        for i in range(8)
    ]
    feed = 1 + rng.uniform(-0.05, 0.05)
    across = 1.75 * math.sqrt(flow / feed)
    read = [hand.reads(across + rng.normal(0, 0.008)) for _ in range(6)]
    roll = Roll(
        mean_mm=float(np.mean(read)),
        u_mm=max(float(np.std(read, ddof=1)), READ_MM) / math.sqrt(6),
        ovality_mm=0.0,
        spread_mm=float(np.ptp(read)),
        effective_mm=float(np.mean(read)),
        places=6,
    )
    result = fit_flow(_told(walls=walls, blocks=[_weighed(4470.0, flow, rng)], roll=roll))
    found = {f"flow by {n}": holds(e, flow) for n, e in result.routes.items()}
    return {"flow, box and block": holds(result.flow, flow), **found}


DIAMETERS = np.repeat([3.0, 4, 5, 6, 8, 10, 15, 20], 2)


def holes(rng) -> Hits:
    """Eight holes read along X and Y.

    Not in the model: jaws whose flats span a chord, circles drawn as polygons, plastic dragged inwards by
    the square of the line over the radius, seams that stand in some holes, scatter unknown beforehand.
    """
    hand = Hand(rng)
    scale = rng.normal(0, 0.003)
    wall, drag, play = rng.normal(0.0, 0.05), rng.uniform(0.1, 0.5), rng.normal(0, 0.03)
    flats, scatter = rng.uniform(0.2, 0.6), rng.uniform(0.008, 0.025)
    along = np.tile([1.0, -1.0], 8)
    straight = rng.uniform(0.5, 1.0)  # length of a polygon's sides

    def true(d):
        sides = np.maximum(24.0, np.ceil(np.pi * d / straight))
        closer = d * (1 - np.cos(np.pi / sides)) / 2 + drag * LINE_MM**2 / (d / 2)
        return d * (1 + scale) - wall - closer

    seam = (rng.random(16) < 0.1) * rng.exponential(0.02, 16)
    real = true(DIAMETERS) + play * along / 2 - seam + rng.normal(0, scatter, 16)
    read = [hand.reads(math.sqrt(d**2 - flats**2) + hand.inside) for d in real]
    result = fit_holes(
        DIAMETERS, np.array(read), np.full(16, READ_MM), along, math.hypot(CLOSED_MM, 0.02 / 3**0.5),
        flats=True,
    )  # fmt: skip
    here = {d: d - float(true(d)) for d in (4.0, 6.0, 10.0)}
    return {
        "hole of 4 mm": holds(result.oversize(4.0), here[4.0]),
        "hole of 6 mm": holds(result.oversize(6.0), here[6.0]),
        "hole of 10 mm": holds(result.oversize(10.0), here[10.0]),
        "holes, X less Y": holds(result.x_less_y, play),
    }


AT_X, AT_Y = (a.ravel() for a in np.meshgrid([20.0, 110.0, 200.0], [20.0, 110.0, 200.0]))


def bed(rng) -> Hits:
    """Nine patches on a tilted bed that is warped as a whole, with bumps, and squeezed first layers.

    The truth is what levels the plane through the whole bed, not through the patches alone.
    """
    hand = Hand(rng)
    gx, gy = rng.normal(0, 1e-3, 2)
    bowl, saddle = rng.normal(0, 0.03, 2)
    bumps = [(*rng.uniform(0, 220, 2), rng.normal(0, 0.015), rng.uniform(25, 60)) for _ in range(4)]

    def height(x, y):
        u, v = (x - 110) / 110, (y - 110) / 110
        warp = bowl * (u**2 + v**2) + saddle * u * v
        for bx, by, high, wide in bumps:
            warp = warp + high * np.exp(-((x - bx) ** 2 + (y - by) ** 2) / (2 * wide**2))
        return gx * (x - 110) + gy * (y - 110) + warp

    thick = 0.4 + height(AT_X, AT_Y) + rng.normal(0, rng.uniform(0.005, 0.015), 9)
    read = np.array([hand.reads(t) for t in thick])
    result = fit_bed(AT_X, AT_Y, read, np.full(9, READ_MM), CLOSED_MM)
    grid_x, grid_y = (a.ravel() for a in np.meshgrid(*[np.linspace(20, 200, 31)] * 2))
    plane = np.column_stack([np.ones(len(grid_x)), grid_x - 110, grid_y - 110])
    _, tilt_x, tilt_y = np.linalg.lstsq(plane, height(grid_x, grid_y), rcond=None)[0]
    screw = Screw(name="s", x_mm=195, y_mm=25, pitch_mm=0.7)
    return {"bed at a screw": holds(result.tilt(screw), tilt_x * 85 - tilt_y * 85)}


def feed(rng) -> Hits:
    """Two feeds at each of five rates; slip sets in softly, and marks on filament are read by hand."""
    truth = rng.uniform(0.93, 1.07)
    slips, onset = rng.random() < 0.5, rng.uniform(4, 12)
    steep, soft = rng.uniform(0.005, 0.04), rng.uniform(0.1, 0.6)
    rates = np.repeat(np.linspace(2.0, 14.0, 5), 2)
    lost = steep * soft * np.log1p(np.exp((rates - onset) / soft)) if slips else 0.0
    scale, mark = rng.normal(0, 1e-4), rng.uniform(0.15, 0.35)
    got = 100 * (truth - lost) * (1 + scale) + rng.normal(0, mark, 10)
    result = fit_feed(rates, np.round(got, 1) / 100, np.full(10, 0.003), 2e-4)
    low, high = result.onset_range
    return {
        "feed": holds(result.feed, truth),
        "slip onset": bool(low <= onset <= high) if slips and result.onset else None,
    }


def machine_and_material(rng, material_off: float = 0.0, machine_times: float = 1.0) -> Hits:
    """One print along three axes; of every second printer the travel along X was measured as well.

    Not in the model: rolls and prints with tails (Student's t), X and Y of one print that share their
    error, materials that shrink unlike along and across, a caliper anywhere within its limits.

    Parameters
    ----------
    material_off : float
        How much more than the table says the material really shrinks: a wrong prior.
    machine_times : float
        How much worse than thought the mechanics are.
    """
    sound = np.array([0.0015, 0.0015, 0.0005])
    machine = rng.normal(0, sound) * machine_times * rng.uniform(0.5, 1.2)
    material = 0.004 + material_off + rng.normal(0, 0.0012) + rng.normal(0, 0.0005, 2)
    spool = material + 0.0005 * rng.standard_t(4, 2)
    caliper, u = rng.uniform(-2e-4, 2e-4), rng.uniform(1.5e-4, 3e-4, 3)
    day = 0.0001 * rng.standard_t(4) * np.array([1, 1, 0]) + 0.00012 * rng.standard_t(4, 3)
    error = machine - spool[[0, 0, 1]] + caliper + day + u * rng.normal(size=3)
    travel = None
    if rng.random() < 0.5:
        moved = machine[0] + caliper + rng.normal(0, 2e-4)
        travel = Errors(np.array([moved, np.nan, np.nan]), np.eye(3) * 2e-4**2)
    priors = Priors(machine_sd=sound, shrinkage=0.004, shrinkage_sd=0.0015, instrument_sd=1.2e-4)
    found = split(Errors(error, np.diag(u**2)), priors, travel)
    return {
        "machine scale": holds(found["machine_x"], machine[0]),
        "shrinkage": holds(found["shrinkage_z"], spool[1]),
        "size, their difference": holds(size(found, "Y"), machine[1] - spool[0]),
    }
