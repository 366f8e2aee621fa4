"""Run the command line with ``python -m calib``."""

from calib.cli import main

if __name__ == "__main__":  # a worker process imports this file, too
    main()
