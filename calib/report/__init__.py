"""Self-contained HTML pages."""
