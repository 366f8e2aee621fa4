"""The interpreter of readings: fits, corrections, profiles, and how they are applied."""
