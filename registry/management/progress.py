"""How far long work is, as a bar on the terminal."""

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from registry.telling import Tell


@contextmanager
def progress() -> Iterator[Tell]:
    """A bar on stderr to be told of each step; nothing where that is no terminal."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=None)
        yield lambda step, done, total: bar.update(
            task, description=step, completed=done, total=total or None
        )
