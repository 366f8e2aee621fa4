"""The terminal side: one file per group of verbs."""
