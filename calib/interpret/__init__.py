"""From sheets to findings: each module wires one fit to the features it reads."""
