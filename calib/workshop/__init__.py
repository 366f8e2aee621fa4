"""The workshop: a store opened with its printers, nozzles, spools and instruments; one way to do each thing."""

from calib.workshop.workshop import Workshop, open_workshop

__all__ = ["Workshop", "open_workshop"]
