"""Guided local pages in the browser: they call the workshop, and know nothing of what is below it."""
