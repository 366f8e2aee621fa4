"""Corrections applied: values to type in, models, G-code."""
