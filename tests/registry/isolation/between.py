"""A pooler as PostgreSQL's clients meet it: what passes is passed on, but the session has another number.

A pooler answers with a key of its own for cancelling (BackendKeyData in PostgreSQL's
documentation, "Message Formats"), since it gives the server's sessions to whoever needs one.
"""

import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

KEY_DATA = b"K" + struct.pack("!i", 12)


@contextmanager
def pooled(server: Path, folder: Path) -> Iterator[Path]:
    """The folder of a socket that leads to the server's."""
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(folder / ".s.PGSQL.5432"))
        listener.listen()
        threading.Thread(target=_serve, args=(listener, server / ".s.PGSQL.5432"), daemon=True).start()
        yield folder


def _serve(listener: socket.socket, server: Path) -> None:
    with suppress(OSError):
        while True:
            client, _ = listener.accept()
            behind = socket.socket(socket.AF_UNIX)
            behind.connect(str(server))
            for source, target, changed in ((client, behind, False), (behind, client, True)):
                threading.Thread(target=_pass_on, args=(source, target, changed), daemon=True).start()


def _pass_on(source: socket.socket, target: socket.socket, changed: bool) -> None:
    with suppress(OSError):
        while data := source.recv(65_536):
            target.sendall(_renumbered(data) if changed else data)
    with suppress(OSError):
        target.shutdown(socket.SHUT_RDWR)


def _renumbered(data: bytes) -> bytes:
    at = data.find(KEY_DATA)
    if at < 0:
        return data
    (pid,) = struct.unpack_from("!i", data, at + 5)
    return data[: at + 5] + struct.pack("!i", pid + 1) + data[at + 9 :]
