"""A worker of gunicorn that stops listening as soon as it is told to stop.

gunicorn's own keeps its listening socket open until its last request is answered: whoever connects meanwhile
is neither served nor refused, and waits. Refused at once, a proxy asks another site, or says there is none.
"""

from typing import Any

from gunicorn.workers.gthread import ThreadWorker


class ClosingWorker(ThreadWorker):
    """Takes up who had connected before, then closes the socket, then finishes what it has in hand."""

    def set_accept_enabled(self, enabled: bool) -> None:
        super().set_accept_enabled(enabled)
        if not self.alive:
            for listener in self.sockets:
                self._take_up(listener)
                listener.close()

    def _take_up(self, listener: Any) -> None:
        known = -1
        while known != self.nr_conns:
            known = self.nr_conns
            self.accept(listener)
