"""The demo: a museum's volunteer workshop, its invented readings, and a first calibration as a script."""

from demo.scenario import all_pieces, fill_in, play, readings_of

__all__ = ["all_pieces", "fill_in", "play", "readings_of"]
