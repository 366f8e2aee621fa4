"""Processes of their own for tests, forked from this one: nothing is loaded anew, and signals are real."""

import contextlib
import gc
import io
import os
import signal
import sys
import threading
import time
import traceback
import warnings
from collections.abc import Callable
from functools import cache
from typing import TextIO

from calib.cli import build_app, main

#: Ends of pipes that belong to this process; a child holds none of them open.
_OURS: set[int] = set()


class Child:
    """A process that does something and ends; its streams are text, as those of `subprocess.Popen`.

    Nothing in it may build solids: the CAD kernel's threads don't survive the fork.

    Parameters
    ----------
    act : callable
        What it does. A `SystemExit` is its exit code; any other error is printed, and the code is 1.
    cwd, env : path, mapping
        Its folder, and what is added to this process's environment.
    stdout : int, optional
        Descriptor to write to instead of a pipe.
    terminal : int, optional
        Descriptor that all three streams are.
    """

    def __init__(
        self, act: Callable[[], object], *, cwd=None, env=None, stdout: int | None = None, terminal: int | None = None
    ) -> None:  # fmt: skip
        self.returncode: int | None = None
        pipes = [os.pipe() for _ in range(3)]
        theirs = [pipes[0][0], pipes[1][1], pipes[2][1]]
        ours = [pipes[0][1], pipes[1][0], pipes[2][0]]
        _OURS.update(ours)
        streams = [theirs[0], theirs[1] if stdout is None else stdout, theirs[2]]
        if terminal is not None:
            streams = [terminal] * 3
        with warnings.catch_warnings():  # of threads: those of the test runner only wait
            warnings.simplefilter("ignore", DeprecationWarning)
            self.pid = os.fork()
        if self.pid == 0:
            _become(act, streams, cwd, env or {})
        for end in theirs:
            os.close(end)
        self.stdin = os.fdopen(ours[0], "w", encoding="utf-8")
        self.stdout, self.stderr = (
            os.fdopen(n, encoding="utf-8", errors="replace") for n in ours[1:]
        )

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended."""
        if self.returncode is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """End it without its doing."""
        self.send_signal(signal.SIGKILL)

    def wait(self, timeout: float = 120.0) -> int:
        """Wait for its end; kill it if it takes longer."""
        until = time.monotonic() + timeout
        while self.returncode is None:
            done, status = os.waitpid(self.pid, os.WNOHANG)
            if done:
                self.returncode = os.waitstatus_to_exitcode(status)
            elif time.monotonic() > until:
                self.kill()
                raise TimeoutError(f"the child did not end within {timeout} s")
            else:
                time.sleep(0.002)
        return self.returncode

    def communicate(self, text: str = "", timeout: float = 120.0) -> tuple[str, str]:
        """Say something, hear all that it says, and wait for its end."""
        watch = threading.Timer(timeout, self.kill)
        watch.start()
        try:
            with contextlib.suppress(BrokenPipeError):
                self.stdin.write(text)
                self.stdin.flush()
            self._close(self.stdin)
            said = self.stdout.read(), self.stderr.read()
            self.wait(timeout)
        finally:
            watch.cancel()
            self.close()
        return said

    def close(self) -> None:
        """Give the pipes up."""
        for stream in (self.stdin, self.stdout, self.stderr):
            self._close(stream)

    def _close(self, stream: TextIO) -> None:
        if not stream.closed:
            _OURS.discard(stream.fileno())
            with contextlib.suppress(BrokenPipeError):
                stream.close()


@cache
def _load() -> None:
    """Load here, once, what most commands need."""
    import calib.interpret.solve
    import calib.store.store
    import calib.workshop.workshop  # noqa: F401

    build_app()


def say(word: object) -> None:
    """Say something to the parent, at once: an interrupt then falls beside it, or there is no word."""
    os.write(1, f"{word}\n".encode())


def program(*words: str | bytes, **named) -> Child:
    """Start `truebead` with these words, as a shell does; see `Child`."""

    def act() -> None:
        sys.argv = ["truebead", *(os.fsdecode(w) for w in words)]
        main()

    _load()
    return Child(act, **named)


def _become(act: Callable[[], object], streams: list[int], cwd, env: dict[str, str]) -> None:
    """Be the child: take the streams, act, and leave without any clearing up for the parent."""
    code = 1
    try:
        gc.freeze()  # what the parent holds is not ours to close
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
        for end in _OURS:
            os.close(end)
        for stream in set(streams):
            os.close(stream)
        sys.stdin = open(0, encoding="utf-8")  # noqa: SIM115
        sys.stdout, sys.stderr = (io.TextIOWrapper(open(n, "wb"), encoding="utf-8") for n in (1, 2))  # noqa: SIM115
        signal.signal(signal.SIGINT, signal.default_int_handler)
        for number in (signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_DFL)
        os.environ.update(env)
        if cwd is not None:
            os.chdir(cwd)
        act()
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(Exception):
                stream.flush()
        os._exit(code)
