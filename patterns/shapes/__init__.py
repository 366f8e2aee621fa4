"""One file per pattern; the registry imports them all."""
