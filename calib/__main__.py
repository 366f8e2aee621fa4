"""Run the command line with ``python -m calib``."""

from calib.cli import main

main()
