"""The frequency of ripples behind a corner, from the length over a counted number of them at several speeds.

A carriage on its belt is a mass on a spring with some damping (textbook vibration, a second-order system):
struck at a corner it swings as y = A exp(-zeta w t) sin(w_d t + phi), and the wall keeps it as a ripple. Crests
follow each other by 1 / f_d in time, f_d = w_d / 2 pi = f sqrt(1 - zeta^2), so that their distance is v / f_d
whatever the speed. f_d is what is found here, and what shows; the undamped f is 0.5 % higher at zeta = 0.1.

Close to the corner the nozzle is still gaining speed: over a distance of v^2 / 2a ripples stand closer. So the
place of a crest is worked out from its time, with the acceleration as a nuisance parameter, and with the part
of a period at which the first crest came.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array
from calib.fit.threshold import Limit
from calib.model.estimate import Estimate

_GRID_HZ = np.geomspace(4.0, 400.0, 500)
#: Where the first counted crest is, in periods after the corner, alike beforehand and nearly alike on all
#: bands: the crest at the corner itself may be seen or not.
_FIRSTS, _FIRST_SD = (1.05, 1.4, 1.75, 2.1), 0.15
#: How well an eye finds both crests, as a share of a ripple. Common practice, no source.
_SIGHT = 0.08
#: Speed with which corners are taken, mm/s. Common practice, no source.
_CORNER_MM_S = 5.0
#: How much larger or smaller than stated the scatter may be: alike beforehand.
_SCALES = (0.7, 1.0, 1.4, 2.0)
#: Standard uncertainties by which bands must disagree to be told apart; by which the ones that were taken
#: together may be off what they say together; and how many times further apart two may be that are alone.
_APART, _TORN, _TORN_PAIR = 3.5, 2.0, 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """The length over some ripples of one band: mm, its reading's standard uncertainty, mm/s, how many."""

    length: float
    u: float
    speed: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceleration:
    """How fast the nozzle gains speed, mm/s2, and the standard deviation of its logarithm."""

    value: float
    log_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripples:
    """What the bands of one face say.

    Attributes
    ----------
    frequency : Limit
        f_d in Hz, from the bands in `used`; where these are `torn`, from the lowest to the highest of them.
    each : tuple of float
        What every band would say alone, Hz.
    used : tuple of bool
    miscounted : mapping
        Band -> how many ripples were counted there instead.
    second : float or None
        Another frequency, Hz, of the bands that are neither used nor miscounted.
    torn : bool
        Whether the bands in `used` disagree, and nothing says which of them are wrong: two parts that swing
        alike strongly do that, for their ripples mix.
    """

    frequency: Limit
    each: tuple[float, ...]
    used: tuple[bool, ...]
    miscounted: dict[int, int]
    second: float | None
    torn: bool


def travelled(t: Array, speed: float, acceleration: Array) -> Array:
    """Return how far the nozzle is from the corner after a time: it gains speed, then keeps it.

    Parameters
    ----------
    t : (...,) float, s
    speed : float, mm/s
    acceleration : (...,) float, mm/s2
        Of a shape that goes with that of `t`.

    Returns
    -------
    (...,) float, mm
    """
    start = min(_CORNER_MM_S, speed)
    ramp = (speed - start) / acceleration
    gaining = np.minimum(t, ramp)
    return np.asarray(start * gaining + acceleration * gaining**2 / 2 + speed * (t - gaining))


def fit_ripples(bands: Sequence[Counted], acceleration: Acceleration) -> Ripples:
    """Find the frequency, and the bands that do not go with the others.

    Raises
    ------
    ValueError
        There is no band.
    """
    if not bands:
        msg = "no ripples were measured"
        raise ValueError(msg)
    said = [_log_likelihood(b, acceleration) for b in bands]
    alone = [_located(one) for one in said]
    each = tuple(lim.estimate.value for lim in alone)
    u_log = np.array([lim.estimate.u / lim.estimate.value for lim in alone])
    main = _largest_group(np.log(each), u_log)
    chosen = [i in main for i in range(len(bands))]
    found = _located(np.sum([one for one, use in zip(said, chosen, strict=True) if use], axis=0))
    miscounted, second = {}, []
    for i, use in enumerate(chosen):
        if use:
            continue
        likely = _other_count(bands[i], each[i], found, float(u_log[i]))
        if likely:
            miscounted[i] = likely
        else:
            second.append(each[i])
    torn = _are_torn(np.array(each)[chosen], u_log[chosen], found.estimate.value)
    return Ripples(
        frequency=_hull([lim for lim, use in zip(alone, chosen, strict=True) if use])
        if torn
        else found,
        each=each,
        used=tuple(chosen),
        miscounted=miscounted,
        second=float(np.median(second)) if second else None,
        torn=torn,
    )


def _are_torn(each: Array, u_log: Array, together: float) -> bool:
    """Whether bands are off what they say together by more than their readings explain."""
    if len(each) == 2 and each.max() > _TORN_PAIR * each.min():
        return True
    return bool(np.any(np.abs(np.log(each / together)) > _TORN * u_log))


def _hull(limits: Sequence[Limit]) -> Limit:
    """Return a frequency that may be any of several."""
    low, high = min(lim.low for lim in limits), max(lim.high for lim in limits)
    middle = math.sqrt(low * high)
    estimate = Estimate(name="ripple", value=middle, u=(high - low) / 4, unit="Hz")
    return Limit(estimate=estimate, low=low, high=high)


def _largest_group(logs: Array, u: Array) -> set[int]:
    """Return the bands that agree: of those on either side of the widest gap the more, else the slower swing.

    Two bands that disagree stay together: nothing says which of them is wrong.
    """
    order = np.argsort(logs)
    if len(order) < 3:
        return set(range(len(order)))
    gaps = np.diff(logs[order]) / np.hypot(u[order][1:], u[order][:-1])
    k = int(np.argmax(gaps)) + 1
    if gaps[k - 1] < _APART:
        return set(range(len(order)))
    low, high = order[:k].tolist(), order[k:].tolist()
    return set(low if len(low) >= len(high) else high)


def _other_count(band: Counted, alone: float, found: Limit, u_log: float) -> int:
    """Return the count, one more or one less, that makes a band go with the others; 0 where none does."""
    u = math.hypot(u_log, found.estimate.u / found.estimate.value)
    for count in (band.count - 1, band.count + 1):
        off = math.log(alone * count / band.count / found.estimate.value)
        if count > 0 and abs(off) < 2.5 * u:
            return count
    return 0


_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)


def _log_likelihood(b: Counted, acceleration: Acceleration) -> Array:
    """Return how likely one band's length is, by frequency, acceleration, first crest, size of the scatter."""
    f = _GRID_HZ[:, None, None]
    a = (acceleration.value * np.exp(acceleration.log_sd * _NODES))[:, None]
    first = np.array(_FIRSTS)
    middle = _over(b, f, a, first)
    by_first = (_over(b, f, a, first + _FIRST_SD) - _over(b, f, a, first - _FIRST_SD)) / 2
    own = np.hypot(b.u, _SIGHT * middle / b.count)
    variance = np.square(_SCALES) * own[..., None] ** 2 + by_first[..., None] ** 2
    off = (b.length - middle)[..., None]
    return np.asarray(-0.5 * (off**2 / variance + np.log(variance)))


def _located(log_likelihood: Array) -> Limit:
    """Return the frequency: its posterior on the grid, with all that is not known averaged out."""
    each = np.exp(log_likelihood - log_likelihood.max())
    density = each.sum(axis=(2, 3)) @ _NODE_WEIGHTS
    share = np.cumsum(density) / density.sum()
    low, middle_hz, high = np.interp([0.025, 0.5, 0.975], share, _GRID_HZ)
    u = float(np.sqrt(np.sum(density * (_GRID_HZ - middle_hz) ** 2) / density.sum()))
    estimate = Estimate(name="ripple", value=float(middle_hz), u=u, unit="Hz")
    return Limit(estimate=estimate, low=float(low), high=float(high))


def _over(b: Counted, f: Array, a: Array, first: Array) -> Array:
    """Return the length over a band's ripples, the first crest so many periods behind the corner."""
    begin, end = (travelled((first + n) / f, b.speed, a) for n in (0, b.count))
    return np.asarray(end - begin)


def largest_ripple_mm(acceleration: float, frequency: float) -> float:
    """Return the height of the ripples that an acceleration leaves at worst, in mm.

    A mass that is pushed by a lags by a / w^2. When the push begins it swings about that by as much, and so
    again when it ends: at worst the two add up to 2 a / w^2, w = 2 pi f (undamped; textbook vibration).
    """
    return 2 * acceleration / (2 * math.pi * frequency) ** 2


def gentlest_mm_s2(wanted_mm: float, frequency: float) -> float:
    """Return the acceleration, mm/s2, that keeps ripples below a height in mm even at worst."""
    return wanted_mm * (2 * math.pi * frequency) ** 2 / 2


def two_impulses(frequency: float, damping: float) -> tuple[float, float, float]:
    """Return the shares of two impulses that leave no swing behind, and the time between them in s.

    Half a damped period apart, the second as much smaller as the swing of the first has died down:
    K = exp(-zeta pi / sqrt(1 - zeta^2)), shares 1 / (1 + K) and K / (1 + K) (N. C. Singer and W. P. Seering,
    J. Dyn. Syst. Meas. Control 112 (1990) 76-82, from memory).

    Parameters
    ----------
    frequency : float, Hz
        Damped, as found here.
    """
    k = math.exp(-damping * math.pi / math.sqrt(1 - damping**2))
    return 1 / (1 + k), k / (1 + k), 0.5 / frequency
