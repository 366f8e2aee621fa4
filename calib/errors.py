"""The exceptions that become one-line messages; all share the base that `patterns` uses."""

from patterns.errors import BadInput, SpecError

__all__ = ["BadInput", "FileError", "SheetError", "SpecError", "StoreError"]


class SheetError(BadInput):
    """A measurement sheet can't be read, or a cell in it makes no sense."""


class StoreError(BadInput):
    """The store can't be opened, lacks what was asked for, or is busy."""


class FileError(BadInput):
    """A model, G-code or picture file is missing, damaged or beyond the printer's limits."""
