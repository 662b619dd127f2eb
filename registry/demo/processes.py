"""One task done on many things in several processes, its results in order. Knows no models.

The processes are started anew, not forked: a fork would share the connection to the database.
"""

import gc
import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context
from typing import TypeVar

import django

Thing = TypeVar("Thing")
Result = TypeVar("Result")


# Objects made between two looks for garbage: few of those that are told refer to each other in circles.
GARBAGE_AFTER = 200_000


class BrokenOff(Exception):  # noqa: N818 - what became of the work; its cause says what went wrong
    """A process failed or ended before its task was done."""


def cores() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def in_order(task: Callable[[Thing], Result], things: Iterable[Thing], processes: int) -> Generator[Result]:
    """Results of a task, in the order of the things.

    Memory stays bounded: no more than so many results as there are processes wait to be taken.

    Parameters
    ----------
    task
        A function that a new process can find by its name, after Django's set-up.
    processes
        How many work at once.

    Raises
    ------
    BrokenOff
        The task raised an error, or a process ended by itself; no further result comes.
    """
    with ProcessPoolExecutor(processes, get_context("spawn"), _begin) as pool:
        begun: deque[Future[Result]] = deque()
        try:
            for thing in things:
                begun.append(pool.submit(task, thing))
                if len(begun) > processes:
                    yield _result(begun.popleft())
            while begun:
                yield _result(begun.popleft())
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _result(begun: Future[Result]) -> Result:
    try:
        return begun.result()
    except Exception as error:
        raise BrokenOff(f"{type(error).__name__}: {error}") from error


def _begin() -> None:
    """Control-C is the parent's to answer."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    django.setup()
    gc.freeze()
    gc.set_threshold(GARBAGE_AFTER)
