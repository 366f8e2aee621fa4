"""Calibration of filament printers as metrology: the public API.

>>> from calib import open_workshop
>>> workshop = open_workshop()

`open_workshop` gives the one object that the commands and the pages call, too. `read_sheet`,
`solve_sheet` and `write_sheet` work on one sheet without any store.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.errors import BadInput as BadInput
    from calib.interpret.solve import Context as Context
    from calib.interpret.solve import Solution as Solution
    from calib.interpret.solve import solve_sheet as solve_sheet
    from calib.model.correction import Correction as Correction
    from calib.model.correction import Verdict as Verdict
    from calib.model.estimate import Estimate as Estimate
    from calib.model.instrument import Instrument as Instrument
    from calib.readings import Sheet as Sheet
    from calib.readings import read_sheet as read_sheet
    from calib.readings import sheet_csv
    from calib.workshop import Workshop as Workshop
    from calib.workshop import open_workshop as open_workshop
    from calib.workshop.context import Assumed as Assumed

    write_sheet = sheet_csv
    __version__: str

#: Name -> (module, name there); loaded when first asked for, so that `import calib` costs nothing.
_PUBLIC = {
    "Assumed": ("calib.workshop.context", "Assumed"),
    "BadInput": ("calib.errors", "BadInput"),
    "Context": ("calib.interpret.solve", "Context"),
    "Correction": ("calib.model.correction", "Correction"),
    "Estimate": ("calib.model.estimate", "Estimate"),
    "Instrument": ("calib.model.instrument", "Instrument"),
    "Sheet": ("calib.readings", "Sheet"),
    "Solution": ("calib.interpret.solve", "Solution"),
    "Verdict": ("calib.model.correction", "Verdict"),
    "Workshop": ("calib.workshop", "Workshop"),
    "open_workshop": ("calib.workshop", "open_workshop"),
    "read_sheet": ("calib.readings", "read_sheet"),
    "solve_sheet": ("calib.interpret.solve", "solve_sheet"),
    "write_sheet": ("calib.readings", "sheet_csv"),
}
__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from calib.version import version

        return version()
    if name not in _PUBLIC:
        msg = f"module 'calib' has no attribute {name!r}"
        raise AttributeError(msg)
    module, attribute = _PUBLIC[name]
    return getattr(importlib.import_module(module), attribute)


def __dir__() -> list[str]:
    return __all__
