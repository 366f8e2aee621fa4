"""Long work beside the pages: one thing after the other, with progress, and cancelled on request."""

import secrets
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib.desk import says
from calib.errors import BadInput

#: Jobs that are remembered, and for how long, in seconds; the files of older ones go.
MOST_JOBS, REMEMBERED_S = 50, 3600.0
#: Jobs that may wait at once.
MOST_WAITING = 8


class Cancelled(Exception):
    """The user does not want it any more."""


@dataclass(slots=True)
class Job:
    """One piece of long work.

    Attributes
    ----------
    what : str
        What is being done, in words.
    session : str
        Who asked for it; nobody else sees it.
    folder : Path
        For its files alone; goes when the job is forgotten.
    do : callable
        The work itself.
    share : float
        How much is done, 0 to 1.
    state : str
        waiting, working, done, failed or cancelled.
    """

    id: str
    what: str
    session: str
    folder: Path
    do: Callable[["Job"], Any]
    share: float = 0.0
    state: str = "waiting"
    answer: Any = None
    problem: str = ""
    started: float = field(default_factory=time.monotonic)
    stop: threading.Event = field(default_factory=threading.Event)
    moved: threading.Condition = field(default_factory=threading.Condition)

    @property
    def over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in ("done", "failed", "cancelled")

    def progress(self, share: float) -> None:
        """Say how far it is.

        Raises
        ------
        Cancelled
            The user has changed their mind.
        """
        if self.stop.is_set():
            raise Cancelled
        share = min(1.0, max(0.0, share))
        if share >= 1.0 or share - self.share >= 0.01:
            self._set(share=share)

    def _set(self, **values: Any) -> None:
        with self.moved:
            for name, value in values.items():
                setattr(self, name, value)
            self.moved.notify_all()

    def events(self, every_s: float = 10.0) -> Iterator[tuple[str, float]]:
        """Yield (state, share) at every change, and now and then in between, to the end."""
        last = None
        while True:
            now = (self.state, self.share)
            if now != last:
                last = now
                yield now
            if self.over:
                return
            with self.moved:
                if not self.over and (self.state, self.share) == last:
                    self.moved.wait(every_s)
                    if (self.state, self.share) == last and not self.over:
                        last = None  # nothing new: say so all the same, so that the line stays open


class Work:
    """The worker of one desk."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="desk-work")
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def prepare(self, what: str, session: str, do: Callable[[Job], Any]) -> Job:
        """Return a job with a folder for its files, to be begun when they are there.

        `do` gets the job, tells its progress and returns the answer.

        Raises
        ------
        BadInput
            Too much is waiting already.
        """
        with self._lock:
            self._forget()
            if sum(not j.over for j in self._jobs.values()) >= MOST_WAITING:
                raise BadInput("too much work is waiting", mend="try again in a minute")
            folder = Path(tempfile.mkdtemp(prefix="truebead-desk-"))
            job = Job(secrets.token_urlsafe(16), what, session, folder, do)
            self._jobs[job.id] = job
        return job

    def begin(self, job: Job) -> None:
        """Let a job take its turn."""
        self._pool.submit(_run, job)

    def find(self, job_id: str, session: str) -> Job | None:
        """Return a job of this session; None where there is none."""
        with self._lock:
            job = self._jobs.get(job_id)
        return job if job is not None and job.session == session else None

    def close(self) -> None:
        """Stop everything and throw the files away."""
        with self._lock:
            for job in self._jobs.values():
                job.stop.set()
            self._pool.shutdown(wait=False, cancel_futures=True)
            for job in self._jobs.values():
                shutil.rmtree(job.folder, ignore_errors=True)

    def _forget(self) -> None:
        over = [j for j in self._jobs.values() if j.over]
        old = [j for j in over if time.monotonic() - j.started > REMEMBERED_S]
        over.sort(key=lambda j: j.started)
        for job in {j.id: j for j in [*old, *over[: max(0, len(self._jobs) - MOST_JOBS)]]}.values():
            del self._jobs[job.id]
            shutil.rmtree(job.folder, ignore_errors=True)


def _run(job: Job) -> None:
    if job.stop.is_set():
        job._set(state="cancelled")
        return
    job._set(state="working")
    try:
        answer = job.do(job)
    except Cancelled:
        job._set(state="cancelled")
    except BadInput as err:
        # Without where: it is a file of ours, whose name tells nobody anything.
        problem = says.advice("; ".join(filter(None, (err.what, err.mend))))
        job._set(state="failed", problem=problem)
    except Exception as err:
        job._set(state="failed", problem="This went wrong here, not with you; nothing was changed.")
        raise err
    else:
        job._set(state="done", share=1.0, answer=answer)
