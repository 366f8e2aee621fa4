"""Simulated walls with known truth for the pieces that show how a printer moves.

Nothing here shares a formula or a constant with the fits: a carriage is integrated in small steps along a
planned path, flow is a vessel that fills and empties in small steps, and readers look for crests or thickness
on the profile that comes out.
"""

import math

import numpy as np

from calib.fit.lag import Track, fit_lag
from calib.fit.reversal import fit_reversal
from calib.fit.ripple import Acceleration, Counted, fit_ripples
from tests.simulate_fits import Hits, holds, within

_STEP_S = 1e-4
#: Of a length over ripples: a ruler of half millimetres and a hand, at both ends.
_RULER_U = math.hypot(0.5 / 12**0.5, 0.1) * 2**0.5


def carriage(slack, noise, rng, *, drift=0.0):
    """Read a carriage with a dead zone: the motor drags it along only once the slack is taken up.

    A gauge of 0.01 mm, a caliper that drifts while it is used, and a hand that reads with scatter.
    """
    at, seen = 0.0, 0.0
    for _ in range(5):
        for way in (-10.0, 10.0):
            for motor in (way, 0.0):
                at = min(max(at, motor - slack / 2), motor + slack / 2)
            seen += drift
            yield way < 0, round((60 + at + seen + rng.normal(0, noise)) / 0.01) * 0.01


def reversal(rng) -> Hits:
    """Lost motion from five approaches on each side, at one place and at three that lose unlike amounts."""
    noise, drift = rng.uniform(0.004, 0.03), rng.normal(0, 0.0005)
    slacks = rng.uniform(0.03, 0.2) + rng.uniform(0, 0.05, 3)
    sides = []
    for slack in slacks:
        seen = list(carriage(slack, noise, rng, drift=drift))
        sides.append([np.array([v for up, v in seen if up is side]) for side in (True, False)])
    return {
        "reversal": holds(fit_reversal(sides[:1], 0.01).mean, slacks[0]),
        "reversal, mean of places": holds(fit_reversal(sides, 0.01).mean, slacks.mean()),
    }


def counted(modes, push, speeds, rng, *, step=0.5):
    """Read a simulated wall with a ruler; bands on which too few ripples show are left out."""
    found = []
    for speed in speeds:
        x, y = wall_behind_a_corner(speed, push, modes, rng)
        length = read_over_ripples(x, y, 4, rng, step=step)
        if length:
            found.append(Counted(length=length, u=_RULER_U, speed=speed, count=4))
    return found


def ripple(rng) -> Hits:
    """The frequency on printers gentle and hard, of which people know the acceleration roughly, or not at all."""
    hz, damping, push = rng.uniform(18, 70), rng.uniform(0.03, 0.1), rng.uniform(900, 4000)
    bands = counted([(hz, damping, 1.0)], push, (60, 80, 100, 120), rng)
    if len(bands) < 2:
        return {"ripple frequency": None}
    log_sd = 0.1 if rng.random() < 0.5 else 0.4
    said = Acceleration(value=push * math.exp(rng.normal(0, log_sd)), log_sd=log_sd)
    found = fit_ripples(bands, said).frequency
    return {"ripple frequency": within(found, hz * math.sqrt(1 - damping**2))}


def two_alike(rng) -> Hits:
    """Two parts that swing alike strongly at frequencies of their own: either is an answer, neither is none."""
    hz, push, ratio = rng.uniform(18, 60), rng.uniform(900, 4000), rng.uniform(1.25, 2.2)
    other = hz * ratio if rng.random() < 0.5 else hz / ratio
    share = hz**2 / (hz**2 + other**2)  # a mass lags by the push over w^2
    modes = [(hz, rng.uniform(0.03, 0.1), share), (other, rng.uniform(0.03, 0.1), 1 - share)]
    bands = counted(modes, push, (60, 80, 100, 120), rng)
    if len(bands) < 2:
        return {"one of two frequencies": None}
    found = fit_ripples(bands, Acceleration(value=push, log_sd=0.1)).frequency
    return {
        "one of two frequencies": any(within(found, f * math.sqrt(1 - z**2)) for f, z, _ in modes)
    }


def wall_behind_a_corner(speed, push, modes, rng, *, corner=5.0, leg=60.0):
    """Return (x, y) of a wall behind a corner where the other axis comes to a stop.

    Before the corner that axis brakes at `push` mm/s2 from a speed of its own; behind it the nozzle gains
    speed along the wall, and swings a little along it, too.

    Parameters
    ----------
    modes : sequence of (Hz undamped, damping, share)
        Of the carriage across the wall; the shares add up to 1.
    """
    at = np.arange(
        -round(speed / push / _STEP_S) - 500, round((leg / speed + speed / push) / _STEP_S)
    )
    at = at * _STEP_S
    across = np.clip(
        -at * push, 0.0, speed - corner
    )  # the other axis brakes, and stops at the corner
    across[at < 0] += corner
    along = np.where(at < 0, 0.0, np.clip(corner + at * push, 0.0, speed))
    behind = at >= 0
    x = np.cumsum(along) * _STEP_S + _swing(along, (1.7 * modes[0][0], 0.12))
    y = sum(share * _swing(across, (hz, damping)) for hz, damping, share in modes)
    x, y = x[behind], y[behind]
    rough = np.convolve(rng.normal(0, 1, len(y) + 200), np.ones(200) / 14, "same")[: len(y)]
    return x, y + 0.0003 * rough


def _swing(speed, mode):
    """Return how far a sprung and damped mass is from where it is driven, by finite differences."""
    from scipy.signal import lfilter

    hz, damping = mode
    w = 6.283185307 * hz
    pushed = np.diff(speed, prepend=speed[0]) / _STEP_S
    now, last = 2 - (w * _STEP_S) ** 2 - 2 * damping * w * _STEP_S, 2 * damping * w * _STEP_S - 1
    return lfilter([0.0, -(_STEP_S**2)], [1.0, -now, -last], pushed)


def read_over_ripples(x, y, count, rng, *, step=0.5, hand=0.15):
    """Return the length over `count` ripples behind the first crest, as a ruler shows it; None where too few show."""
    from scipy.signal import find_peaks

    far = float(x[-1])
    even = np.arange(0.0, far, 0.02)
    wall = np.interp(even, x, y)
    width = max(3, int(0.25 / 0.02))
    wall = np.convolve(wall, np.ones(width) / width, "same")
    crests, _ = find_peaks(wall, prominence=0.002)
    crests = crests[even[crests] > 0.3]
    if len(crests) < count + 2:
        return None
    ends = even[crests[[1, 1 + count]]] + rng.normal(0, hand, 2)
    return round(float(ends[1] - ends[0]) / step) * step


def wall_with_a_step(tau, push, slow, fast, begin, end, rest, *, thin=1.0, layer=0.2):
    """Return (x, width) of a wall from left to right: pressure in the hot end follows what is pushed in.

    A reservoir is filled by the feed and empties through the nozzle; the wall is what came out there, spread
    over a nozzle's width. The bead has parabolic ends.

    Parameters
    ----------
    thin : float
        Power of the flow over the pressure: 1 for a plain liquid, less than 1 for one that thins out.
    """
    long, step = end + begin, 0.0005
    x, speed = 0.0, slow
    held = slow * tau  # of the reservoir, so that the flow is the feed
    xs, came = [], []
    while x < long:
        brake_at = end - (speed**2 - slow**2) / 2 / push
        if x < begin or x >= brake_at:
            speed = max(speed - push * step, slow)
        else:
            speed = min(speed + push * step, fast)
        flow = slow * (held / (slow * tau)) ** (1 / thin)
        held = max(held + (speed - flow) * step, 0.0)
        x += speed * step
        xs.append(x)
        came.append(flow / speed)
    even = np.arange(0.0, long, 0.05)
    share = np.interp(even, xs, came)
    share = np.convolve(share, np.ones(9) / 9, "same")
    area = (rest - layer) * layer + 2 / 3 * layer**2
    return even, share * area / layer + layer / 3


def jaws_at(x, width, places, rng, *, zero=0.0, noise=0.012, uneven=0.015):
    """Read an uneven wall with jaws that take in a little of it, not quite where they were meant to be."""
    seen = []
    for place in places:
        at, half = place + rng.normal(0, 0.4), rng.uniform(0.4, 1.0)
        thickest = width[np.abs(x - at) <= half].max() + rng.normal(0, uneven)
        seen.append(thickest + zero + rng.normal(0, noise))
    return np.round(np.array(seen), 2)


def lag(rng) -> Hits:
    """The time constant from a caliper on a wall, printed either way round."""
    tau, push = 10 ** rng.uniform(-1.8, -0.6), rng.uniform(600, 3000)
    rest = 0.45 * rng.uniform(0.94, 1.08)
    x, width = wall_with_a_step(tau, push, 40.0, 100.0, 25.0, 75.0, rest)
    places = np.array([13, 20, 23, 28, 32, 38, 62, 68, 72, 77, 80, 87.0])
    forward = rng.random() < 0.5
    seen = jaws_at(x, width if forward else width[::-1], places, rng, zero=rng.normal(0, 0.01))
    log_sd = 0.1 if rng.random() < 0.5 else 0.4
    said = Acceleration(value=push * math.exp(rng.normal(0, log_sd)), log_sd=log_sd)
    track = Track(slow=40.0, fast=100.0, begin=25.0, end=75.0)
    found = fit_lag(places, seen, np.full(12, 0.0153), 0.0173, 0.2, track, said)
    return {"lag of the flow": within(found.time, tau)}
