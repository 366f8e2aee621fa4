"""Profiles, events and history in a database."""
