"""Measurements taken without printing: one file per check; they have a sheet but no solid."""
