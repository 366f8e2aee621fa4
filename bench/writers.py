"""Four processes write to one store for a minute: all must be done without an error, and all of it be there.

With TRUEBEAD_TEST_POSTGRESQL (`.ci/with-postgresql python -m bench.writers`) on PostgreSQL as well.
"""

import argparse
import os
import sys
import time
from multiprocessing import get_context
from multiprocessing.queues import SimpleQueue

from bench.kill import ACTS, held, working_folder
from calib.store import open_store
from tests.storekit import fresh_url, workshop


def write(where: str, number: int, until: float, said: "SimpleQueue[tuple[set[str], str, float]]") -> None:  # fmt: skip
    """Act in turn until the time is over; report what was acknowledged, an error, and the longest wait."""
    done: set[str] = set()
    longest, error, count = 0.0, "", 0
    try:
        with open_store(where) as store:
            while time.monotonic() < until:
                before = time.monotonic()
                done.add(ACTS[count % len(ACTS)](store, f"w{number}-{count}"))
                longest = max(longest, time.monotonic() - before)
                count += 1
    except Exception as err:  # whatever it is, it is what this looks for
        error = f"{type(err).__name__}: {err}"
    said.put((done, error, longest))


def run(where: str, writers: int, seconds: float) -> str:
    """Let them write; return the result in words."""
    context = get_context("fork")
    said: SimpleQueue[tuple[set[str], str, float]] = context.SimpleQueue()
    until = time.monotonic() + seconds
    processes = [
        context.Process(target=write, args=(where, k, until, said)) for k in range(writers)
    ]
    for process in processes:
        process.start()
    reports = [said.get() for _ in processes]
    for process in processes:
        process.join()
    done: set[str] = set().union(*(r[0] for r in reports))
    errors = [r[1] for r in reports if r[1]]
    lost = done - set(held(where))
    with open_store(where) as store:
        wrong = store.check()
    if errors or lost or wrong:
        sys.exit(f"errors {errors}, lost {len(lost)}, {wrong}")
    return (
        f"{writers} writers, {seconds:g} s: {len(done)} changes, none lost, no error;"
        f" longest wait {max(r[2] for r in reports):.2f} s"
    )


def main() -> None:
    """Write on each database there is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--writers", type=int, default=4)
    asked = parser.parse_args()
    servers = ["postgresql"] if os.environ.get("TRUEBEAD_TEST_POSTGRESQL") else []
    for database in ("sqlite", *servers):
        with working_folder() as folder, fresh_url(database, folder) as url:
            with open_store(url) as store:
                workshop(store)
            print(f"{database}: {run(url, asked.writers, asked.seconds)}", flush=True)


if __name__ == "__main__":
    main()
