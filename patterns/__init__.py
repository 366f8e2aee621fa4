"""Patterns: parametric calibration solids and what can be measured on them; knows nothing of `calib`."""
