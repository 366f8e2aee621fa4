"""Machine scale apart from material shrinkage, over all prints of all printers and spools.

    size error = machine(printer, axis) - shrinkage(spool, direction) + instrument scale + noise
    travel error = machine(printer, axis) + instrument scale + noise
    shrinkage(spool) = shrinkage(material) + what is the spool's own

Everything is Gaussian, so the posterior is closed. Prints of one printer, spool and instrument are
summed first; the spools, which meet only through printers, materials and instruments, are then
eliminated block by block (Schur complement), so the work grows with their number and no faster.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.fit.linear import Array
from calib.model.estimate import Estimate

Index = NDArray[np.int64]

AXES = "XYZ"
DIRECTIONS = ("XY", "Z")
_OF_AXIS = np.array([0, 0, 1])  # the direction of shrinkage that an axis shows
#: One print's errors (X, Y, Z) in terms of machine X, Y, Z; spool XY, Z; instrument.
_LOCAL = np.hstack([np.eye(3), -np.eye(2)[_OF_AXIS], np.ones((3, 1))])

#: Spools of one material differ in shrinkage by this (standard deviation, fraction): a judgement.
SPOOL_SD = 0.0007
#: Prints of one spool on one printer differ by this (standard deviation, fraction): a judgement.
PRINT_SD = 0.0002
#: Smallest prior sd: below it a parameter is as good as known, and digits would be lost.
SMALLEST_SD = 1e-7
#: How well a material's expansion is known, as a share of it: ranges over grades in databases.
EXPANSION_U = 0.2
#: Of a caliper's steel, per kelvin: about 11.5e-6 for plain and hardened steels (from memory, tables).
CALIPER_EXPANSION_PER_K = 11.5e-6
#: What an empty line for the part's temperature means: 20 to 25 degrees C, as middle and standard
#: uncertainty. Not less than the range's ends ask for: a room keeps to one side of it for months.
ROOM_C = (22.5, 2.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Prints:
    """Fitted size errors of m prints, referred to 20 degrees C.

    Attributes
    ----------
    printer, spool, instrument : (m,) int
    error : (m, 3) float
        Measured over nominal length less 1, along X, Y, Z; NaN where not measured.
    covariance : (m, 3, 3) float
        Of `error`; rows and columns of what was not measured are not looked at. It must not hold
        the instrument's own scale error, which is a parameter here.
    """

    printer: Index
    spool: Index
    instrument: Index
    error: Array
    covariance: Array


@dataclass(frozen=True, eq=False, kw_only=True)
class Travels:
    """Carriage travel measured without plastic: n readings.

    `error` is measured over commanded travel less 1; `u` its standard uncertainty without the
    instrument's scale.
    """

    printer: Index
    axis: Index
    instrument: Index
    error: Array
    u: Array


NO_TRAVELS = Travels(
    printer=np.zeros(0, np.int64),
    axis=np.zeros(0, np.int64),
    instrument=np.zeros(0, np.int64),
    error=np.zeros(0),
    u=np.zeros(0),
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Priors:
    """What is known beforehand; every sd is a standard uncertainty, as a fraction.

    Attributes
    ----------
    machine_mean, machine_sd : (printers, 3) float
        From the drives: steps set over steps by the mechanics, less 1.
    material_of : (spools,) int
    material_mean, material_sd : (materials, 2) float
        Shrinkage along XY and Z.
    instrument_sd : (instruments,) float
        Scale error, from the permissible error.
    """

    machine_mean: Array
    machine_sd: Array
    material_of: Index
    material_mean: Array
    material_sd: Array
    instrument_sd: Array
    spool_sd: float = SPOOL_SD
    print_sd: float = PRINT_SD


@dataclass(frozen=True, eq=False, kw_only=True)
class Split:
    """The posterior. Shapes follow `Priors`; `*_data` are the shares that came from data.

    `spool_*` is a spool's own shrinkage, `material_*` that of its material in general.
    """

    priors: Priors
    machine: Array
    machine_u: Array
    machine_data: Array
    spool: Array
    spool_u: Array
    spool_data: Array
    material: Array
    material_u: Array
    material_data: Array
    instrument: Array
    instrument_u: Array
    chi2: float
    chi2_dof: int
    _common: Array  # covariance of machines, materials, instruments
    _b: Any  # sparse (2 spools, common): how spools lean on the common parameters
    _blocks: Array  # (spools, 2, 2) conditional covariance of a spool

    def machine_scale(self, printer: int, axis: str) -> Estimate:
        """Scale error of one axis, as a fraction."""
        k = AXES.index(axis)
        return _estimate(
            f"machine_{axis.lower()}",
            self.machine[printer, k],
            self.machine_u[printer, k],
            self.machine_data[printer, k],
        )

    def shrinkage(self, spool: int, direction: str) -> Estimate:
        """Shrinkage of one spool along XY or Z, as a fraction."""
        k = DIRECTIONS.index(direction)
        return _estimate(
            f"shrinkage_{direction.lower()}",
            self.spool[spool, k],
            self.spool_u[spool, k],
            self.spool_data[spool, k],
        )

    def product(self, printer: int, spool: int, axis: str) -> Estimate:
        """Size error of prints of this spool on this printer: well known even where its parts are not."""
        a = AXES.index(axis)
        d = int(_OF_AXIS[a])
        m, s = 3 * printer + a, 2 * spool + d
        row = self._b[s].toarray().ravel()
        var_spool = self._blocks[spool, d, d] + row @ self._common @ row
        cross = -(row @ self._common[:, m])
        variance = float(self._common[m, m] + var_spool - 2 * cross)
        p = self.priors
        material = p.material_of[spool]
        prior = p.machine_sd[printer, a] ** 2 + p.material_sd[material, d] ** 2 + p.spool_sd**2
        value = self.machine[printer, a] - self.spool[spool, d]
        share = 1 - variance / float(prior)
        return _estimate(f"size_{axis.lower()}", value, math.sqrt(variance), share)


def _estimate(name: str, value: float, u: float, share: float) -> Estimate:
    return Estimate(name=name, value=float(value), u=float(u), unit="", from_data=float(share))


def split(prints: Prints, priors: Priors, travels: Travels = NO_TRAVELS) -> Split:
    """Split size errors into machine scale and material shrinkage.

    Raises
    ------
    ValueError
        An index is out of range, a covariance is not positive definite, or a prior sd is not
        positive and finite.
    """
    _check(prints, priors, travels)
    sizes = _Sizes(len(priors.machine_sd), len(priors.material_sd), len(priors.instrument_sd))
    information, pull, chi2_data, n = _gathered(prints, priors)
    groups = information["groups"]
    nss, bs, nsc, ncc, bc = _normal(sizes, groups, information["w"], pull, priors)
    _add_travels(sizes, travels, ncc, bc)
    blocks: Array = np.linalg.inv(nss).astype(np.float64)
    b = _block_product(blocks, nsc)
    common = np.linalg.inv(ncc - (nsc.T @ b).toarray())
    common = np.asarray((common + common.T) / 2, dtype=np.float64)
    loose = np.einsum("sij,sj->si", blocks, bs).ravel()
    theta_c = common @ (bc - nsc.T @ loose)
    theta_s = (loose - b @ theta_c).reshape(-1, 2)
    spread = np.einsum("sii->si", blocks) + _leaning(b, common).reshape(-1, 2)
    chi2 = _misfit(sizes, groups, information["w"], pull, theta_c, theta_s) + chi2_data
    chi2 += _travel_misfit(sizes, travels, theta_c)
    return _result(
        priors, sizes, theta_c, theta_s, common, spread, b, blocks, chi2, n + len(travels.u)
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Where the common parameters are: machines, then materials, then instruments."""

    printers: int
    materials: int
    instruments: int

    @property
    def count(self) -> int:
        return 3 * self.printers + 2 * self.materials + self.instruments

    def machine(self, printer: Index) -> Index:
        return 3 * printer[:, None] + np.arange(3)

    def material(self, material: Index) -> Index:
        return 3 * self.printers + 2 * material[:, None] + np.arange(2)

    def instrument(self, instrument: Index) -> Index:
        return 3 * self.printers + 2 * self.materials + instrument


def _check(prints: Prints, priors: Priors, travels: Travels) -> None:
    spools, instruments = len(priors.material_of), len(priors.instrument_sd)
    for what, index, count in (
        ("printer", prints.printer, len(priors.machine_sd)),
        ("spool", prints.spool, spools),
        ("instrument", prints.instrument, instruments),
        ("travel printer", travels.printer, len(priors.machine_sd)),
        ("travel instrument", travels.instrument, instruments),
        ("material of a spool", priors.material_of, len(priors.material_sd)),
    ):
        if len(index) and (index.min() < 0 or index.max() >= count):
            msg = f"{what}: an index lies outside 0 to {count - 1}"
            raise ValueError(msg)
    own = np.array([priors.spool_sd])
    for sd in (priors.machine_sd, priors.material_sd, priors.instrument_sd, own):
        if not np.all(np.isfinite(sd) & (sd >= SMALLEST_SD)):
            msg = f"every prior sd must be finite and at least {SMALLEST_SD:g}"
            raise ValueError(msg)


def _gathered(prints: Prints, priors: Priors) -> tuple[dict[str, Any], Array, float, int]:
    """Sum the information of prints that share printer, spool and instrument.

    Returns
    -------
    information : groups (g, 3) of printer, spool, instrument, and w (g, 3, 3)
    pull : (g, 3)
        w times the mean error of the group.
    chi2, n
        What the prints of a group scatter about its mean, and the number of values.
    """
    seen = np.isfinite(prints.error)
    cov = np.where(seen[:, :, None] & seen[:, None, :], prints.covariance, 0.0)
    cov += np.eye(3) * np.where(seen, priors.print_sd**2, 1.0)[:, :, None]
    try:
        np.linalg.cholesky(cov)
    except np.linalg.LinAlgError:
        msg = "the covariance of a print's size errors is not positive definite"
        raise ValueError(msg) from None
    w = np.linalg.inv(cov) * (seen[:, :, None] & seen[:, None, :])
    error = np.where(seen, prints.error, 0.0)
    keys = np.column_stack([prints.printer, prints.spool, prints.instrument])
    groups, at = np.unique(keys, axis=0, return_inverse=True)
    at = at.ravel()
    pulled = np.einsum("mij,mj->mi", w, error)
    total = _sum_by(w.reshape(-1, 9), at, len(groups)).reshape(-1, 3, 3)
    pull = _sum_by(pulled, at, len(groups))
    mean = np.einsum("gij,gj->gi", np.linalg.pinv(total, hermitian=True), pull)
    chi2 = float(np.sum(pulled * error) - np.sum(pull * mean))
    return {"groups": groups, "w": total}, pull, chi2, int(seen.sum())


def _sum_by(values: Array, at: Index, count: int) -> Array:
    return np.column_stack([np.bincount(at, column, count) for column in values.T])


def _normal(
    sizes: _Sizes, groups: Index, w: Array, pull: Array, priors: Priors
) -> tuple[Array, Array, Any, Array, Array]:
    """Build the normal equations: spool blocks, spool-common (sparse), common-common (dense)."""
    from scipy.sparse import coo_array

    spools, count = len(priors.material_of), sizes.count
    info = np.einsum("ai,gab,bj->gij", _LOCAL, w, _LOCAL)
    right = np.einsum("ai,ga->gi", _LOCAL, pull)
    printer, spool, instrument = groups.T
    common = np.column_stack([sizes.machine(printer), sizes.instrument(instrument)])
    c, s = [0, 1, 2, 5], [3, 4]
    nss = np.zeros((spools, 2, 2))
    np.add.at(nss, spool, info[:, 3:5, 3:5])
    bs = np.zeros((spools, 2))
    np.add.at(bs, spool, right[:, s])
    ncc, bc = np.zeros((count, count)), np.zeros(count)
    np.add.at(ncc, (common[:, :, None], common[:, None, :]), info[:, c][:, :, c])
    np.add.at(bc, common, right[:, c])
    # What is the spool's own ties it to its material; materials, machines and instruments are tied
    # to what is known of them.
    tie = 1 / priors.spool_sd**2
    nss += tie * np.eye(2)
    material = sizes.material(priors.material_of)
    np.add.at(ncc, (material, material), tie)
    diagonal, mean = _prior_of_common(priors)
    ncc[np.diag_indices(count)] += diagonal
    bc += diagonal * mean
    rows = (2 * spool[:, None] + np.arange(2))[:, :, None] + 0 * common[:, None, :]
    cols = common[:, None, :] + 0 * rows
    tie_rows = np.arange(2 * spools)
    nsc = coo_array(
        (
            np.concatenate([info[:, s][:, :, c].ravel(), np.full(2 * spools, -tie)]),
            (
                np.concatenate([rows.ravel(), tie_rows]),
                np.concatenate([cols.ravel(), material.ravel()]),
            ),
        ),
        shape=(2 * spools, count),
    ).tocsr()
    return nss, bs, nsc, ncc, bc


def _prior_of_common(priors: Priors) -> tuple[Array, Array]:
    """Inverse variance and mean of every common parameter."""
    sd = np.concatenate(
        [priors.machine_sd.ravel(), priors.material_sd.ravel(), priors.instrument_sd]
    )
    mean = np.concatenate(
        [
            priors.machine_mean.ravel(),
            priors.material_mean.ravel(),
            np.zeros(len(priors.instrument_sd)),
        ]
    )
    return 1 / sd**2, mean


def _add_travels(sizes: _Sizes, travels: Travels, ncc: Array, bc: Array) -> None:
    m = 3 * travels.printer + travels.axis
    k = sizes.instrument(travels.instrument)
    w = 1 / travels.u**2
    for i, j in ((m, m), (m, k), (k, m), (k, k)):
        np.add.at(ncc, (i, j), w)
    for i in (m, k):
        np.add.at(bc, i, w * travels.error)


def _block_product(blocks: Array, nsc: Any) -> Any:
    from scipy.sparse import bsr_array

    spools = len(blocks)
    diagonal = bsr_array(
        (blocks, np.arange(spools), np.arange(spools + 1)), shape=(2 * spools, 2 * spools)
    )
    return (diagonal @ nsc).tocsr()


def _leaning(b: Any, common: Array, chunk: int = 4000) -> Array:
    """Diagonal of b common b^T, a few thousand rows at a time to bound the memory."""
    parts = []
    for start in range(0, b.shape[0], chunk):
        rows = b[start : start + chunk]
        parts.append(np.asarray(rows.multiply(rows @ common).sum(axis=1)).ravel())
    return np.concatenate(parts) if parts else np.zeros(0)


def _misfit(
    sizes: _Sizes, groups: Index, w: Array, pull: Array, theta_c: Array, theta_s: Array
) -> float:
    """Chi-square of the groups' means against the fit."""
    printer, spool, instrument = groups.T
    fitted = (
        theta_c[sizes.machine(printer)]
        - theta_s[spool][:, _OF_AXIS]
        + theta_c[sizes.instrument(instrument)][:, None]
    )
    mean = np.einsum("gij,gj->gi", np.linalg.pinv(w, hermitian=True), pull)
    off = mean - fitted
    return float(np.einsum("gi,gij,gj->", off, w, off))


def _travel_misfit(sizes: _Sizes, travels: Travels, theta_c: Array) -> float:
    fitted = theta_c[3 * travels.printer + travels.axis]
    fitted = fitted + theta_c[sizes.instrument(travels.instrument)]
    return float(np.sum(((travels.error - fitted) / travels.u) ** 2))


def _result(
    priors: Priors,
    sizes: _Sizes,
    theta_c: Array,
    theta_s: Array,
    common: Array,
    spread: Array,
    b: Any,
    blocks: Array,
    chi2: float,
    n: int,
) -> Split:
    p, m = 3 * sizes.printers, 3 * sizes.printers + 2 * sizes.materials
    variance = np.diag(common)
    spool_prior = priors.material_sd[priors.material_of] ** 2 + priors.spool_sd**2
    return Split(
        priors=priors,
        machine=theta_c[:p].reshape(-1, 3),
        machine_u=np.sqrt(variance[:p]).reshape(-1, 3),
        machine_data=1 - variance[:p].reshape(-1, 3) / priors.machine_sd**2,
        material=theta_c[p:m].reshape(-1, 2),
        material_u=np.sqrt(variance[p:m]).reshape(-1, 2),
        material_data=1 - variance[p:m].reshape(-1, 2) / priors.material_sd**2,
        instrument=theta_c[m:],
        instrument_u=np.sqrt(variance[m:]),
        spool=theta_s,
        spool_u=np.sqrt(spread),
        spool_data=1 - spread / spool_prior,
        chi2=chi2,
        chi2_dof=n,
        _common=common,
        _b=b,
        _blocks=blocks,
    )


def refer_to_20c(
    error: Sequence[float] | Array,
    expansion_per_k: float,
    part_c: float | None,
    u_part_k: float = 1.0,
) -> tuple[Array, float]:
    """Refer size errors measured at `part_c` to 20 degrees C (ISO 1).

    The caliper is as warm as the part and grows with it, so that only the difference shows. A
    temperature that nobody wrote down is that of a room, `ROOM_C`.

    Returns
    -------
    error at 20 degrees C, and the standard uncertainty the reference adds, common to all of them.
    """
    if part_c is None:
        part_c, u_part_k = ROOM_C
    away, seen = part_c - 20.0, expansion_per_k - CALIPER_EXPANSION_PER_K
    at20 = (1 + np.asarray(error, dtype=float)) / (1 + seen * away) - 1
    return at20, math.hypot(seen * u_part_k, EXPANSION_U * expansion_per_k * away)
