"""Pure fits: arrays in, estimates out."""
