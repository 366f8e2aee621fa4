"""The words of the field as data: settings, estimates, corrections, instruments, drives."""
