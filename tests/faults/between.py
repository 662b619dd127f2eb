"""Between the site and PostgreSQL: passes every byte on, and cuts the line around a COMMIT when told to.

Own code: no library cuts at a message of PostgreSQL's protocol. Only COMMIT has to be known, which is sent
in one piece (PostgreSQL, "Message Formats", Query).
"""

import select
import socket
import threading
from contextlib import suppress
from pathlib import Path

SOCKET = ".s.PGSQL.5432"
COMMIT = b"Q\x00\x00\x00\x0bCOMMIT\x00"
BEFORE, AFTER = "before COMMIT reached the server", "after COMMIT, before its answer"


class Between:
    """A socket that stands in for the server's own."""

    def __init__(self, folder: Path, server: Path) -> None:
        self.folder, self.server = folder, server / SOCKET
        # Which of the next commits are cut, and where; empty: none.
        self.cuts: list[str] = []
        self.done: list[str] = []
        self._listening = socket.socket(socket.AF_UNIX)
        self._listening.bind(str(folder / SOCKET))
        self._listening.listen(128)
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def _accept(self) -> None:
        while True:
            try:
                site, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._pass_on, args=(site,), daemon=True).start()

    def _pass_on(self, site: socket.socket) -> None:
        with site, socket.socket(socket.AF_UNIX) as server, suppress(OSError):
            server.connect(str(self.server))
            while True:
                ready, _, _ = select.select([site, server], [], [])
                for end in ready:
                    if not (said := end.recv(65536)):
                        return
                    if end is site and said == COMMIT and self._cut(server):
                        return
                    (server if end is site else site).sendall(said)

    def _cut(self, server: socket.socket) -> bool:
        """Whether this commit is one to be cut; if only its answer is, the server has done it by then."""
        try:
            where = self.cuts.pop()
        except IndexError:
            return False
        if where == AFTER:
            server.sendall(COMMIT)
            server.recv(65536)
        self.done.append(where)
        return True
