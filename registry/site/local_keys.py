"""Keys for local use, made once and kept in a file that only its owner can read. Never for production."""

import contextlib
import json
import os
import secrets
import tempfile
from pathlib import Path

from cryptography.fernet import Fernet


def load_or_make(folder: Path) -> dict[str, str]:
    """The local keys by name, read from `folder`/keys.json, made on first use."""
    path = folder / "keys.json"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        _write_once(path, json.dumps(_new_keys(), indent=1))
    keys: dict[str, str] = json.loads(path.read_text())
    return keys


def _write_once(path: Path, text: str) -> None:
    """Write a file whole or not at all; of two processes at once, the first wins and both read its keys."""
    handle, name = tempfile.mkstemp(dir=path.parent)
    with os.fdopen(handle, "w") as file:
        file.write(text)
    with contextlib.suppress(FileExistsError):
        os.link(name, path)
    os.unlink(name)


def _new_keys() -> dict[str, str]:
    return {
        "SECRET_KEY": secrets.token_urlsafe(48),
        "IDENTITY_KEY": Fernet.generate_key().decode(),
        "IDENTITY_INDEX_KEY": secrets.token_urlsafe(32),
        "RELEASE_KEY": secrets.token_urlsafe(32),
    }
