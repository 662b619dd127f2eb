"""One way of doing something in a process of its own, so that its peak memory is its own."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from time import perf_counter
from typing import Any

from django.db import connections

from outcomes.bench.memory import peak_bytes


@dataclass(frozen=True, slots=True)
class Run:
    """One way in a process of its own: what it found, its seconds, and the peak of its memory."""

    seconds: float
    peak_bytes: int
    found: dict[str, Any]


def apart(do: Callable[[], Mapping[str, Any]]) -> Run:
    """Do it in a process split off from this one, which takes no connection along."""
    connections.close_all()
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("fork").Process(target=_told, args=(do, theirs))
    process.start()
    theirs.close()
    try:
        found = ours.recv()
    except EOFError as problem:
        raise RuntimeError("the process that was timed broke off; what it said stands above") from problem
    finally:
        process.join()
    return Run(*found)


def _told(do: Callable[[], Mapping[str, Any]], to: Connection) -> None:
    begun = perf_counter()
    found = do()
    seconds = perf_counter() - begun
    to.send((seconds, peak_bytes(), found))
