"""Time, grams and price of a piece for a printer and a spool: the one place that asks for them."""

from collections.abc import Mapping
from dataclasses import replace

from calib.store.records import Spool
from patterns.errors import SpecError
from patterns.estimate import Estimate
from patterns.filaments import Filament
from patterns.spec import PrintSetup


def piece_cost(
    pattern: str, parameters: Mapping[str, str], setup: PrintSetup, spool: Spool
) -> Estimate | None:
    """Return what printing a piece takes; None for a check without plastic.

    Neither is anything said of a piece that does not fit the printer with its usual parameters:
    `make` says what would fit.
    """
    from patterns import registry
    from patterns.estimate import estimate
    from patterns.preview import preview_mesh

    try:
        piece = registry.get(pattern).piece(parameters, setup)
    except SpecError:
        return None
    if not piece.printed:
        return None
    material = usual_filament(spool)
    return estimate(
        piece,
        preview_mesh(piece.body),
        material,
        spool_price=spool.price,
        spool_g=spool.grams or 1000.0,
    )


def usual_filament(spool: Spool) -> Filament:
    """Return the table's filament of a spool's type, with the spool's own density."""
    from patterns.filaments import filaments

    known = filaments().get(spool.material, filaments()["PLA"])
    return replace(known, density_g_cm3=spool.density_g_cm3 or known.density_g_cm3)
